// What is typed into a step, kept in this browser under who typed it until the server has it, and offered back.
const NEVER_KEPT = ["csrf_token", "act", "expected_revision", "kept", "typed_by"];

export class KeptDraft {
  constructor(form, told) {
    [this.form, this.told, this.key] = [form, told, `draft ${form.dataset.draft}`];
  }

  typed() {
    const all = [...new FormData(this.form)];
    return all.filter(([name, value]) => value && typeof value === "string" && !NEVER_KEPT.includes(name));
  }

  keep() {
    localStorage.setItem(this.key, JSON.stringify(this.typed()));
  }

  forget() {
    localStorage.removeItem(this.key);
  }

  // Puts a button before the status; what stands in the form already is not offered.
  offer() {
    const { elements } = this.form;
    const all = JSON.parse(localStorage.getItem(this.key) ?? "[]");
    const lost = all.filter(([name, value]) => elements[name] && elements[name].value !== value);
    if (lost.length === 0) {
      this.forget();
      return;
    }
    const button = Object.assign(document.createElement("button"), { type: "button", className: "button" });
    button.textContent = `Put back ${lost.length === 1 ? "1 answer" : `${lost.length} answers`} that this browser kept`;
    button.addEventListener("click", () => {
      lost.forEach(([name, value]) => (elements[name].value = value));
      button.remove();
      this.told.textContent = "Put back. Save them with the button.";
    });
    this.told.before(button);
  }
}
