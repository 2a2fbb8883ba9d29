// Moves the bar of a batch while it is under way, and shows the page anew when it has ended.
const batch = document.querySelector("[data-progress]");
const EVERY_MS = 1000;

async function look() {
  const answer = await fetch(batch.dataset.progress, { headers: { Accept: "application/json" } });
  if (!answer.ok) {
    return;
  }
  const told = await answer.json();
  const bar = batch.querySelector("progress");
  bar.max = told.total;
  bar.value = told.done;
  batch.querySelector("[role=status]").textContent = told.words;
  if (told.under_way) {
    setTimeout(look, EVERY_MS);
  } else {
    location.reload();
  }
}

if (batch) {
  setTimeout(look, EVERY_MS);
}
