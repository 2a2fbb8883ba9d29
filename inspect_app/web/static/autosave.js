// Sends each changed answer as a draft, so that what is on the page is on the server. What could not be sent waits in
// this browser under inspection and step, and is offered back. Files and corrections go by the buttons only.
const form = document.querySelector("form[data-draft]");
const status = document.querySelector("[data-status]");
const key = form ? `draft ${form.dataset.draft}` : "";
let sending = Promise.resolve();

function typed() {
  const pairs = [...new FormData(form)].filter(([name, value]) => typeof value === "string" && name !== "csrf_token");
  return pairs.filter(([name, value]) => value && !["act", "expected_revision", "kept"].includes(name));
}

async function send() {
  const body = new FormData(form);
  for (const [name, value] of [...body]) {
    if (value instanceof File) {
      body.delete(name);
    }
  }
  body.set("act", "draft");
  try {
    const answer = await fetch(form.action || location.href, {
      method: "POST", body, keepalive: true, headers: { Accept: "application/json" },
    });
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

function offer() {
  const kept = JSON.parse(localStorage.getItem(key) ?? "[]").filter(([name]) => form.elements[name]);
  if (kept.length === 0) {
    return;
  }
  const button = document.createElement("button");
  button.type = "button";
  button.className = "button";
  button.textContent = `Put back ${kept.length} answers that this browser kept`;
  button.addEventListener("click", () => {
    for (const [name, value] of kept) {
      form.elements[name].value = value;
    }
    button.remove();
    status.textContent = "Put back. Save them with the button.";
  });
  status.before(button);
}

if (form) {
  offer();
  if ("autosave" in form.dataset) {
    form.addEventListener("change", (event) => {
      if (event.target.type !== "file") {
        sending = sending.then(send);
      }
    });
    addEventListener("online", () => {
      if (localStorage.getItem(key)) {
        sending = sending.then(send);
      }
    });
  }
  form.addEventListener("submit", () => localStorage.removeItem(key));
}
