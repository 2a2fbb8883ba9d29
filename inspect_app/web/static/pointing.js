// What pointing at the picture means: a spot leads to its row, an empty place becomes the spot to add, two corners or a
// dragged rectangle become the region. Then the server measures anew, where there is a result already.
import { tryIt } from "./trying.js";

const svg = document.querySelector("[data-picture] svg");
const form = document.querySelector("[data-correct]");
const drawn = svg?.querySelector("[data-drawn]");
const regions = [...(form?.querySelectorAll("[data-region]") ?? [])];
const trying = form?.querySelector("[data-try]");
const empty = () => regions.find((one) => !one.value);
let chosen = regions.find((one) => one === document.activeElement) ?? empty() ?? regions[0];
let [corner, pressed, isDragged] = [null, null, false];

const place = (event) => {
  const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
  return { x: point.x, y: point.y };
};

const rectangle = (a, b) => ({
  x: Math.max(0, Math.round(Math.min(a.x, b.x))),
  y: Math.max(0, Math.round(Math.min(a.y, b.y))),
  width: Math.round(Math.abs(a.x - b.x)),
  height: Math.round(Math.abs(a.y - b.y)),
});

const draw = (shape, rect = drawn) => Object.entries(shape).forEach(([name, value]) => rect.setAttribute(name, value));

const measureAnew = () => trying && tryIt(form, svg.querySelector("#outlines"));

function region(shape) {
  corner = null;
  if (shape.width < 2 || shape.height < 2) return;
  draw(shape, svg.querySelector(`[data-outline="${chosen.id}"]`) ?? drawn);
  chosen.value = `${shape.x},${shape.y},${shape.width},${shape.height}`;
  if (!trying) chosen = empty() ?? chosen;
  measureAnew();
}

function point(at, target) {
  const row = target?.closest?.("[data-spot]")?.dataset.spot;
  const nearest = row && document.getElementById(`spot-${row}`);
  if (nearest) return nearest.focus();
  if (chosen && corner) return region(rectangle(corner, at));
  if (chosen) {
    corner = at;
    return draw({ ...rectangle(at, at), width: 1, height: 1 });
  }
  const fields = ["x", "y"].map((name) => form?.elements[`add_${name}`]);
  if (fields[0]) {
    fields.forEach((field, index) => (field.value = [at.x, at.y][index].toFixed(1)));
    form.elements.add_diameter.focus();
  }
}

function underCross(at) {
  const screen = new DOMPoint(at.x, at.y).matrixTransform(svg.getScreenCTM());
  return document.elementsFromPoint(screen.x, screen.y).find((one) => one.closest("[data-spot]"));
}

if (svg && (trying || regions.length)) {
  regions.forEach((field) => field.addEventListener("focus", () => (chosen = field)));
  form.addEventListener("change", (event) => event.target.matches("select, [data-region]") && measureAnew());
  svg.addEventListener("point", (event) => point(event.detail, underCross(event.detail)));
  svg.addEventListener("pointerdown", (event) => (pressed = event.isPrimary && event.button === 0 ? place(event) : null));
  svg.addEventListener("pointermove", (event) => pressed && chosen && draw(rectangle(pressed, place(event))));
  svg.addEventListener("pointerup", (event) => {
    const shape = pressed && chosen && rectangle(pressed, place(event));
    isDragged = shape && shape.width > 4 && shape.height > 4;
    pressed = null;
    if (isDragged) region(shape);
  });
  // A finger's click comes after its release, and takes the focus: only then is the focus set.
  svg.addEventListener("click", (event) => isDragged || point(place(event), event.target));
}
