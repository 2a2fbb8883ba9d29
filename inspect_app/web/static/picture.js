// Larger, smaller, moved: the picture's window on the file, by wheel, two fingers, buttons or keys.
// Pointing itself is sent on as the event "point" with the place in pixels of the file; pointing.js answers it.
const box = document.querySelector("[data-picture]");
const svg = box?.querySelector("svg");
const whole = svg ? { x: 0, y: 0, width: Number(svg.dataset.width), height: Number(svg.dataset.height) } : null;
const cross = svg?.querySelector("[data-cross]");
let view = { ...whole };
let at = whole && { x: whole.width / 2, y: whole.height / 2 };
const fingers = new Map();

const show = () => svg.setAttribute("viewBox", `${view.x} ${view.y} ${view.width} ${view.height}`);

function zoom(factor, centre) {
  const width = factor ? Math.min(whole.width, Math.max(whole.width / 40, view.width * factor)) : whole.width;
  const share = width / view.width;
  const height = (width * whole.height) / whole.width;
  view = {
    x: Math.min(Math.max(centre.x - (centre.x - view.x) * share, 0), whole.width - width),
    y: Math.min(Math.max(centre.y - (centre.y - view.y) * share, 0), whole.height - height),
    width,
    height,
  };
  show();
}

function move(dx, dy) {
  view.x = Math.min(Math.max(view.x - dx, 0), whole.width - view.width);
  view.y = Math.min(Math.max(view.y - dy, 0), whole.height - view.height);
  show();
}

function place(event) {
  const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
  return { x: point.x, y: point.y };
}

function mark() {
  const arm = view.width / 40;
  cross.setAttribute("d", `M${at.x - arm} ${at.y}h${2 * arm}M${at.x} ${at.y - arm}v${2 * arm}`);
}

function key(event) {
  const step = (view.width / 100) * (event.shiftKey ? 10 : 1);
  const steps = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] };
  const sizes = { "+": 0.5, "=": 0.5, "-": 2, "−": 2, 0: 0 };
  if (event.key in steps) {
    const [dx, dy] = steps[event.key];
    at = { x: Math.min(Math.max(at.x + dx, 0), whole.width - 1), y: Math.min(Math.max(at.y + dy, 0), whole.height - 1) };
    move(at.x < view.x || at.x > view.x + view.width ? -dx : 0, at.y < view.y || at.y > view.y + view.height ? -dy : 0);
    mark();
  } else if (event.key in sizes) {
    zoom(sizes[event.key], at);
    mark();
  } else if (event.key === "Enter") {
    svg.dispatchEvent(new CustomEvent("point", { detail: at }));
  } else return;
  event.preventDefault();
}

if (svg) {
  box.querySelector("[data-picture-acts]").hidden = false;
  box.querySelectorAll("[data-zoom]").forEach((b) => b.addEventListener("click", () => zoom(Number(b.dataset.zoom), at)));
  svg.addEventListener("keydown", key);
  svg.addEventListener("wheel", (e) => (e.preventDefault(), zoom(e.deltaY < 0 ? 0.8 : 1.25, place(e))), { passive: false });
  svg.addEventListener("contextmenu", (event) => event.preventDefault());
  svg.addEventListener("pointerdown", (event) => fingers.set(event.pointerId, place(event)));
  svg.addEventListener("pointermove", (event) => {
    const before = fingers.get(event.pointerId);
    if (before && (fingers.size > 1 || event.buttons === 2)) {
      const now = place(event);
      const other = [...fingers].find(([id]) => id !== event.pointerId)?.[1];
      move((now.x - before.x) / fingers.size, (now.y - before.y) / fingers.size);
      if (other) zoom(Math.hypot(before.x - other.x, before.y - other.y) / Math.hypot(now.x - other.x, now.y - other.y) || 1, other);
      fingers.set(event.pointerId, place(event));
    }
  });
  for (const kind of ["pointerup", "pointercancel"]) addEventListener(kind, (event) => fingers.delete(event.pointerId));
}
