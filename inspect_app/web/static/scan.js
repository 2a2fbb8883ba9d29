// A scanner may be used anywhere: where no field has the focus, a code that is typed faster than a hand can and ends
// with Enter opens that device. A question mark alone shows the keys. In a field both are typed as they are.
const FASTEST_HAND_MS = 60;
const SHORTEST_CODE = 4;
let code = "";
let last = 0;

addEventListener("keydown", (event) => {
  const isTyped = event.target.closest?.("input, textarea, select, dialog, [data-picture]");
  if (isTyped || event.ctrlKey || event.altKey || event.metaKey || event.defaultPrevented) {
    return;
  }
  const isQuick = event.timeStamp - last < FASTEST_HAND_MS;
  last = event.timeStamp;
  if (event.key === "Enter" && isQuick && code.length >= SHORTEST_CODE) {
    event.preventDefault();
    const find = document.querySelector("form.search");
    const address = new URL(find.action);
    address.search = new URLSearchParams({ serial: code, resume: 1 });
    location.assign(address);
  } else if (event.key.length === 1) {
    code = isQuick ? code + event.key : event.key;
  }
});

addEventListener("keyup", (event) => {
  const isTyped = event.target.closest?.("input, textarea, select, dialog");
  if (event.key === "?" && !isTyped && code === "?") {
    document.querySelector("[data-keys]")?.showModal();
  }
});
