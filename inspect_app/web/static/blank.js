// A black page while a capture is taken in the dark. Any key or touch ends it; that key does nothing else.
const page = document.querySelector("[data-blank-page]");
const opener = document.querySelector("[data-blank]");

function wake(event) {
  if (page.open) {
    event.preventDefault();
    event.stopImmediatePropagation();
    page.close();
  }
}

if (opener && page) {
  opener.hidden = false;
  opener.addEventListener("click", () => page.showModal());
  for (const kind of ["keydown", "pointerdown"]) {
    addEventListener(kind, wake, true);
  }
  addEventListener("keydown", (event) => {
    if (event.key === "F9" && !event.defaultPrevented) {
      event.preventDefault();
      page.showModal();
    }
  });
}
