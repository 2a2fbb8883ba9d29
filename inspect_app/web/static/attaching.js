// Files chosen in a step are sent at once, in parts, and then stand in the form as kept ones: a film of hundreds of
// megabytes survives a broken connection, and the answers are not held up by it.
import { sendOne, unfinished } from "./sending.js";

const form = document.querySelector("form[data-attach]");
// Settles when every file chosen so far has come to its end, with whether all were taken; null while none is on its way.
let underWay = null;

function keep(field, file, digest) {
  const box = Object.assign(document.createElement("input"), { type: "checkbox", name: "kept", checked: true });
  box.value = `${field.name.replace("file_", "")}:${digest}`;
  const label = Object.assign(document.createElement("label"), { className: "choice" });
  label.append(box, ` ${file.name}`);
  field.closest(".field").append(label);
  box.dispatchEvent(new Event("change", { bubbles: true }));
}

async function attach(field, files) {
  const list = Object.assign(document.createElement("ul"), { className: "sent" });
  field.closest(".field").append(list);
  let isWhole = true;
  for (const file of files) {
    const settings = { address: form.dataset.attach, token: () => form.elements.csrf_token.value };
    const digest = await sendOne(file, list, { ...settings, begun: unfinished(file) });
    if (digest) keep(field, file, digest);
    else isWhole = false;
  }
  return isWhole;
}

form?.addEventListener("change", ({ target }) => {
  if (target.type !== "file" || target.files.length === 0) return;
  const files = [...target.files];
  target.value = "";
  const before = underWay ?? true;
  const all = attach(target, files).then(async (isWhole) => (await before) && isWhole);
  underWay = all;
  // Only the newest ends the wait: an earlier file may arrive while a later one is still on its way.
  all.finally(() => {
    if (underWay === all) underWay = null;
  });
});

// What is pressed meanwhile waits for the files, and is not done where one of them was refused.
form?.addEventListener(
  "submit",
  async (event) => {
    if (!underWay) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    if (await underWay) form.requestSubmit(event.submitter);
  },
  true,
);
