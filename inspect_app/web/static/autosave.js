// Sends a step as a draft when a field is left or typing rests, and tries again what could not be sent. Files and
// corrections go by their own ways.
import { KeptDraft } from "./kept_draft.js";

const form = document.querySelector("form[data-draft]");
const status = document.querySelector("[data-status]");
const draft = form && new KeptDraft(form, status);
const JSON_PLEASE = { Accept: "application/json" };
const [SOON_MS, AT_REST_MS, AGAIN_MS] = [300, 2500, 5000];
let [timer, pending, isUnsent, isGoing] = [0, null, false, false];

// What another tab or person changed meanwhile shows where nothing was typed since.
function join(values, sent) {
  for (const [name, value] of Object.entries(values)) {
    const field = form.elements[name];
    if (field && field.value === (sent.get(name) ?? "")) field.value = value;
  }
}

function tell(words, isSignedOut) {
  const href = `/sign-in?next=${encodeURIComponent(location.pathname)}`;
  const link = Object.assign(document.createElement("a"), { href, textContent: "Sign in" });
  status.replaceChildren(`${words} `, ...(isSignedOut ? [link] : []));
}

async function send() {
  const body = new FormData(form);
  for (const field of form.querySelectorAll("input[type=file]")) body.delete(field.name);
  body.set("act", "draft");
  isUnsent = false;
  try {
    const answer = await fetch(location.href, { method: "POST", body, headers: JSON_PLEASE, keepalive: true });
    const told = await answer.json();
    tell(told.message, answer.status === 401);
    if (!answer.ok) return;
    form.elements.expected_revision.value = told.revision;
    join(told.values, body);
    if (!isUnsent) draft.forget();
  } catch {
    tell("Not saved: no connection. Kept here, will be tried again.");
    sendIn(AGAIN_MS);
  }
}

function sendIn(wait_ms) {
  isUnsent = true;
  draft.keep();
  clearTimeout(timer);
  timer = setTimeout(async () => {
    while (pending) await pending;
    pending = send();
    await pending;
    pending = null;
  }, wait_ms);
}

if (form) {
  draft.offer();
  if ("autosave" in form.dataset) {
    form.addEventListener("input", ({ target }) => target.type !== "file" && sendIn(AT_REST_MS));
    form.addEventListener("change", ({ target }) => target.type !== "file" && sendIn(SOON_MS));
    addEventListener("online", () => isUnsent && sendIn(0));
    addEventListener("pagehide", () => isUnsent && !isGoing && send());
  } else {
    form.addEventListener("input", () => draft.keep());
  }
  // A draft that is under way moves the revision on: the next one, and the button, wait until its answer is here.
  form.addEventListener("submit", async (event) => {
    clearTimeout(timer);
    if (pending) {
      event.preventDefault();
      while (pending) await pending;
      form.requestSubmit(event.submitter);
    } else {
      isGoing = true;
    }
  });
}
