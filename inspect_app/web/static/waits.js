// Counts down what is waited for, by whole minutes, and says so once when it is over.
function tell() {
  for (const one of document.querySelectorAll("[data-wait-until]")) {
    const minutes = Math.ceil((Number(one.dataset.waitUntil) - Date.now() / 1000) / 60);
    const left = one.querySelector("[data-wait-left]");
    const words = minutes > 0 ? `${minutes} min left` : "ready";
    if (left.textContent !== words) {
      left.textContent = words;
      if (minutes <= 0) one.setAttribute("role", "status");
    }
  }
}

setInterval(tell, 5000);
