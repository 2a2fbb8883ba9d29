// Keeps a long list that is being typed or scanned in this browser until it is sent, and offers it back.
const kept = document.querySelector("form[data-keep]");
const told = document.querySelector("[data-keep-status]");
const place = kept ? `kept ${kept.dataset.keep}` : "";
const texts = kept ? [...kept.querySelectorAll("input[type=text], textarea, select")] : [];

function store() {
  localStorage.setItem(place, JSON.stringify(texts.map((field) => [field.name, field.value])));
}

function offer() {
  const values = new Map(JSON.parse(localStorage.getItem(place) ?? "[]"));
  const lost = texts.filter((field) => values.get(field.name) && !field.value);
  if (lost.length === 0) {
    return;
  }
  const button = document.createElement("button");
  button.type = "button";
  button.className = "button";
  button.textContent = "Put back what was typed here before";
  button.addEventListener("click", () => {
    for (const field of lost) {
      field.value = values.get(field.name);
    }
    button.remove();
    told.textContent = "Put back.";
  });
  told.before(button);
}

if (kept) {
  offer();
  kept.addEventListener("input", store);
  kept.addEventListener("submit", (event) => {
    if (event.submitter?.value === "review") {
      localStorage.removeItem(place);
    } else {
      store();
    }
  });
}
