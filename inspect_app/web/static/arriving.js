// Asks now and then how many captures wait for their step, so that those of a phone show without a new page.
const told = document.querySelector("[data-waiting]");
const EVERY_MS = 4000;

async function look() {
  try {
    const answer = await fetch(told.dataset.waiting, { headers: { Accept: "application/json" } });
    if (answer.ok) {
      const { count } = await answer.json();
      const more = count - Number(told.dataset.shown);
      told.hidden = more <= 0;
      told.querySelector("[data-count]").textContent = more === 1 ? "1 capture" : `${more} captures`;
    }
  } catch {
    // The next look tells; what arrives is kept whether or not this page hears of it.
  }
  setTimeout(look, EVERY_MS);
}

if (told) {
  setTimeout(look, EVERY_MS);
}
