// Says how much of large files is sent. Where the connection breaks the files stay chosen, and can be sent again.
const sending = document.querySelector("form[data-progress]");
const sent = document.querySelector("[data-sent]");

function size(bytes) {
  return bytes < 1048576 ? `${Math.round(bytes / 1024)} KiB` : `${(bytes / 1048576).toFixed(1)} MiB`;
}

sending?.addEventListener("submit", (event) => {
  event.preventDefault();
  const request = new XMLHttpRequest();
  const bar = Object.assign(document.createElement("progress"), { max: 1, value: 0 });
  bar.setAttribute("aria-label", "Sent");
  request.upload.addEventListener("progress", ({ loaded, total }) => {
    bar.value = loaded / total;
    sent.textContent = `${size(loaded)} of ${size(total)} sent. `;
    sent.append(bar);
  });
  request.addEventListener("load", () => {
    if (request.status < 400) {
      location.assign(request.responseURL);
    } else {
      sent.textContent = `Not taken (${request.status}). The files are still chosen; send them in parts, or again.`;
    }
  });
  request.addEventListener("error", () => {
    sent.textContent = "The connection broke. The files are still chosen; send them again when it is back.";
  });
  request.open("POST", sending.action);
  request.send(new FormData(sending));
});
