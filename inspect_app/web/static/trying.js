// Has the server measure with what a form holds, records nothing, and shows its answer in place of the results.
let newest = 0;

export async function tryIt(form, outlines) {
  // An answer may come after that to a later change: only the newest is shown.
  const mine = ++newest;
  const body = new FormData(form);
  body.set("act", "try");
  const tried = form.querySelector("#tried");
  let answer, text;
  try {
    answer = await fetch(location.href, { method: "POST", body });
    text = await answer.text();
  } catch {
    const textContent = "Not measured anew: no connection. Press “Try it” when it is back.";
    const notice = Object.assign(document.createElement("p"), { className: "notice", textContent });
    if (mine === newest) tried.replaceChildren(notice);
    return;
  }
  if (mine !== newest) return;
  const page = new DOMParser().parseFromString(text, "text/html");
  const told = page.querySelector(answer.ok ? "#tried" : "#errors") ?? page.querySelector("main");
  tried.replaceChildren(...told.childNodes);
  const drawn = page.querySelector("#outlines");
  if (answer.ok && drawn) outlines.replaceChildren(...drawn.childNodes);
}
