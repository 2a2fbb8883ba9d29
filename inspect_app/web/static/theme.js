// Changes the theme without a new page, so that nothing half typed is lost. Without script the buttons post.
const chooser = document.querySelector("[data-theme-chooser]");

function wear(theme) {
  const root = document.documentElement;
  if (theme === "system") {
    delete root.dataset.theme;
  } else {
    root.dataset.theme = theme;
  }
  const age = theme === "system" ? 0 : 31536000;
  document.cookie = `theme=${theme}; path=/; max-age=${age}; samesite=lax`;
  for (const button of chooser.querySelectorAll("button")) {
    button.setAttribute("aria-pressed", String(button.value === theme));
  }
}

chooser?.addEventListener("submit", (event) => {
  event.preventDefault();
  wear(event.submitter.value);
});
