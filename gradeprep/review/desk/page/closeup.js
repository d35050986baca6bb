// The picture pixel for pixel: one pixel of the plate is one of the screen. The place is moved by
// two sliders, by the arrow keys on them, or by dragging the picture; a double click goes there.

import { changed, desk, on } from "/page/state.js";
import { clamped } from "/page/stops.js";
import { seenPart } from "/page/view.js";

const part = (id) => document.getElementById(id);
const sheet = part("sheet-shot");
const AXES = ["across", "down"];
const isClose = () => desk.size.how === "close";

/** How much of the plate lies outside what is seen, along both axes. */
function hidden() {
  const { width, height, plate } = seenPart();
  return { across: plate.width - width, down: plate.height - height };
}

function moveTo(across, down) {
  Object.assign(desk.size, { across: clamped(across, 0, 1), down: clamped(down, 0, 1) });
  changed("size");
}

/** Shows the sliders where there is somewhere to go, and where they stand. */
function showPlace() {
  const { x, y, width, height, plate } = seenPart();
  const begin = { across: x, down: y };
  const of = { across: [width, plate.width], down: [height, plate.height] };
  part("size-more").hidden = !isClose();
  for (const axis of AXES) {
    const slider = part(`size-${axis}`);
    const room = hidden()[axis];
    const last = begin[axis] + of[axis][0] - 1;
    slider.disabled = room <= 0;
    slider.value = room > 0 ? (100 * begin[axis]) / room : 0;
    slider.setAttribute("aria-valuetext", `pixels ${begin[axis]} to ${last} of ${of[axis][1]}`);
  }
}

function onSlider(axis) {
  const { width, height, plate } = seenPart();
  const [seen, whole] = axis === "across" ? [width, plate.width] : [height, plate.height];
  const middle = (Number(part(`size-${axis}`).value) / 100) * (whole - seen) + seen / 2;
  moveTo(...AXES.map((one) => (one === axis ? middle / whole : desk.size[one])));
}

function byDragging() {
  let from = null;
  sheet.addEventListener("pointerdown", (event) => {
    if (event.button !== 0 || event.shiftKey || !isClose()) return;
    event.preventDefault();
    sheet.setPointerCapture(event.pointerId);
    const { x, y, width, height } = seenPart();
    from = { left: event.clientX, top: event.clientY, x: x + width / 2, y: y + height / 2 };
  });
  sheet.addEventListener("pointermove", (event) => {
    if (!from) return;
    const { width, height, plate } = seenPart();
    const box = sheet.getBoundingClientRect();
    const x = from.x - ((event.clientX - from.left) * width) / box.width;
    const y = from.y - ((event.clientY - from.top) * height) / box.height;
    const within = (middle, seen, whole) => clamped(middle, seen / 2, whole - seen / 2) / whole;
    moveTo(within(x, width, plate.width), within(y, height, plate.height));
  });
  for (const kind of ["pointerup", "pointercancel"]) sheet.addEventListener(kind, () => (from = null));
}

function byDoubleClick(event) {
  if (!isClose()) {
    const { width, height } = seenPart();
    const box = sheet.getBoundingClientRect();
    const [x, y] = [(event.clientX - box.left) / box.width, (event.clientY - box.top) / box.height];
    if (width > 0 && height > 0) Object.assign(desk.size, { across: clamped(x, 0, 1), down: clamped(y, 0, 1) });
  }
  document.querySelector(`input[name="size"][value="${isClose() ? "whole" : "close"}"]`).click();
}

export function startCloseUp() {
  byDragging();
  sheet.addEventListener("dblclick", byDoubleClick);
  part("size").addEventListener("change", (event) => {
    desk.size.how = event.target.value;
    sheet.classList.toggle("close", isClose());
    part("measure-hint").textContent = isClose()
      ? "Hold Shift and drag over the picture, or give the rectangle in plate pixels."
      : "Drag over the picture, or give the rectangle in plate pixels.";
    changed("size");
  });
  AXES.forEach((axis) => part(`size-${axis}`).addEventListener("input", () => onSlider(axis)));
  on("size", () => (part("size-more").hidden = !isClose()));
  part("stage").addEventListener("drawn", showPlace);
}
