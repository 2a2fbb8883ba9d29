// Sends chosen files one after another, each with its own bar, and says what became of it. A file of which a part arrived
// before the page was left is known by name and size: chosen again, it goes on where it stands.
import { Refused, upload } from "./upload.js";

export function size(bytes) {
  return bytes < 1048576 ? `${Math.round(bytes / 1024)} KiB` : `${(bytes / 1048576).toFixed(1)} MiB`;
}

// Adds a line for a file to a list, and sends it; gives the file's digest, or nothing where it was refused. What is read
// aloud is not every part, only what became of the file.
export async function sendOne(file, list, { address, token, begun }) {
  const line = document.createElement("li");
  const bar = Object.assign(document.createElement("progress"), { max: file.size, value: 0 });
  const words = document.createElement("span");
  bar.setAttribute("aria-label", `Sent of ${file.name}`);
  line.append(Object.assign(document.createElement("strong"), { textContent: file.name }), " ", bar, " ", words);
  list.append(line);
  words.textContent = "waits for its turn";
  const told = document.querySelector("[data-told], [data-status]");
  const end = (said, className) => {
    bar.remove();
    Object.assign(line, { className });
    words.textContent = said;
    told.textContent = `${file.name}: ${said}`;
  };
  const tell = (sent, problem) => {
    bar.value = sent ?? bar.value;
    words.textContent = problem || `${size(sent)} of ${size(file.size)}`;
    if (problem && told.textContent !== problem) told.textContent = problem;
  };
  try {
    const digest = await upload(file, { address, token, begun, tell });
    end(`arrived, ${size(file.size)}`, "");
    return digest;
  } catch (refusal) {
    if (!(refusal instanceof Refused)) throw refusal;
    end(`not taken: ${refusal.message}`, "error");
    return null;
  }
}

// The address of what arrived of a file before, as the page lists it.
export function unfinished(file) {
  const known = [...document.querySelectorAll("[data-unfinished]")];
  return known.find((one) => one.dataset.name === file.name && Number(one.dataset.size) === file.size)?.dataset.unfinished;
}

const form = document.querySelector("form[data-sending]");

async function sendAll(fields) {
  const list = form.querySelector("[data-sent]");
  const chosen = fields.flatMap((field) => [...field.files]);
  const settings = { address: form.dataset.sending, token: () => form.elements.csrf_token.value };
  fields.forEach((field) => (field.value = ""));
  let refused = 0;
  for (const file of chosen) {
    refused += (await sendOne(file, list, { ...settings, begun: unfinished(file) })) === null;
  }
  if (chosen.length && "then" in form.dataset && refused === 0) location.assign(form.dataset.then);
  else if (chosen.length) form.querySelector("[data-after]").hidden = false;
}

if (form) {
  const fields = [...form.querySelectorAll("input[type=file]")];
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    sendAll(fields);
  });
  if ("atOnce" in form.dataset) {
    form.querySelector(".actions").hidden = true;
    form.addEventListener("change", (event) => sendAll([event.target]));
  }
}
