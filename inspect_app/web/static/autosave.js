// Sends changed answers as a draft, so that what is on the page is on the server. What could not be sent waits in this
// browser under inspection and step, and is offered back. Files and corrections go by the buttons only.
const form = document.querySelector("form[data-draft]");
const status = document.querySelector("[data-status]");
const key = form ? `draft ${form.dataset.draft}` : "";
let timer = 0;
let pending = null;

function typed() {
  const unsent = ["csrf_token", "act", "expected_revision", "kept"];
  return [...new FormData(form)].filter(([name, value]) => value && typeof value === "string" && !unsent.includes(name));
}

async function send() {
  const body = new FormData(form);
  for (const field of form.querySelectorAll("input[type=file]")) {
    body.delete(field.name);
  }
  body.set("act", "draft");
  const headers = { Accept: "application/json" };
  try {
    const answer = await fetch(location.href, { method: "POST", body, headers, keepalive: true });
    const told = await answer.json();
    status.textContent = told.message;
    if (answer.ok) {
      form.elements.expected_revision.value = told.revision;
      localStorage.removeItem(key);
      return;
    }
  } catch {
    status.textContent = "Not saved: no connection. Kept here, will be tried again.";
  }
  localStorage.setItem(key, JSON.stringify(typed()));
}

function sendSoon() {
  clearTimeout(timer);
  timer = setTimeout(async () => {
    await pending;
    pending = send();
    await pending;
    pending = null;
  }, 300);
}

function offer() {
  const kept = JSON.parse(localStorage.getItem(key) ?? "[]").filter(([name]) => form.elements[name]);
  if (kept.length > 0) {
    const button = Object.assign(document.createElement("button"), { type: "button", className: "button" });
    button.textContent = `Put back ${kept.length} answers that this browser kept`;
    button.addEventListener("click", () => {
      kept.forEach(([name, value]) => (form.elements[name].value = value));
      button.remove();
      status.textContent = "Put back. Save them with the button.";
    });
    status.before(button);
  }
}

if (form) {
  offer();
  if ("autosave" in form.dataset) {
    form.addEventListener("change", (event) => event.target.type !== "file" && sendSoon());
    addEventListener("online", () => localStorage.getItem(key) && sendSoon());
  }
  // A draft that is under way moves the revision on: the button waits until its answer is here.
  form.addEventListener("submit", async (event) => {
    clearTimeout(timer);
    if (pending) {
      event.preventDefault();
      await pending;
      pending = null;
      form.requestSubmit(event.submitter);
    }
    localStorage.removeItem(key);
  });
}
