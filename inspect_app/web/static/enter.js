// A scanner ends with Enter: go to the next empty field of the form; on the last one, send it. F2 goes to the search.
const TYPED = "input:not([type=hidden]):not([type=radio]):not([type=checkbox]):not([type=file]), select";

document.addEventListener("keydown", (event) => {
  if (event.key === "F2") {
    event.preventDefault();
    document.getElementById("find")?.focus();
    return;
  }
  const field = event.target;
  if (event.key !== "Enter" || !field.matches?.(TYPED) || !field.form?.hasAttribute("data-step-on")) {
    return;
  }
  const fields = [...field.form.querySelectorAll(TYPED)];
  const next = fields.slice(fields.indexOf(field) + 1).find((one) => !one.value && one.offsetParent);
  if (next) {
    event.preventDefault();
    next.focus();
  }
});

// A field that holds a value is replaced by a scan, not added to.
document.addEventListener("focusin", (event) => {
  if (event.target.matches?.("input[type=text], input[type=search]")) {
    event.target.select();
  }
});
