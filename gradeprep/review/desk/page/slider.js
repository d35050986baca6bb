// A mark that is moved along the ruler: by pointer, and by keys as ARIA's slider pattern says.

import { clamped, rounded } from "/page/stops.js";

/**
 * Makes a mark. `range` gives `{value, low, high, text}` of now, or null where there is none; `move`
 * takes a new value and whether the hand is still moving; `at` turns a pointer event to a value.
 */
export function mark({ name, label, step = 0.05, upright = false, range, move, at }) {
  const node = document.createElement("div");
  node.className = `mark ${name}`;
  node.tabIndex = 0;
  node.setAttribute("role", "slider");
  node.setAttribute("aria-label", label);
  node.setAttribute("aria-orientation", upright ? "vertical" : "horizontal");
  node.append(document.createElement("span"));
  node.addEventListener("keydown", (event) => byKey(event, { step, range, move }));
  byPointer(node, { range, move, at });
  return { node, range };
}

/** Writes what a mark means now into its attributes. */
export function describe(node, now) {
  node.hidden = now === null;
  if (now === null) return;
  node.setAttribute("aria-valuenow", rounded(now.value, 0.001));
  node.setAttribute("aria-valuemin", rounded(now.low, 0.001));
  node.setAttribute("aria-valuemax", rounded(now.high, 0.001));
  node.setAttribute("aria-valuetext", now.text);
  node.title = now.text;
}

const STEPS = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageDown: -20, PageUp: 20 };

function byKey(event, { step, range, move }) {
  const now = range();
  if (now === null || event.ctrlKey || event.metaKey || event.altKey) return;
  const ends = { Home: now.low, End: now.high };
  const by = STEPS[event.key];
  if (by === undefined && !(event.key in ends)) return;
  event.preventDefault();
  event.stopPropagation();
  const next = event.key in ends ? ends[event.key] : now.value + by * step * (event.shiftKey ? 10 : 1);
  move(clamped(rounded(next, 0.001), now.low, now.high), false);
}

function byPointer(node, { range, move, at }) {
  let grabbed = null; // how far beside the mark it was taken
  const value = (event) => {
    const { low, high } = range();
    return clamped(rounded(at(event) - grabbed, 0.01), low, high);
  };
  node.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    event.preventDefault();
    node.focus();
    node.setPointerCapture(event.pointerId);
    grabbed = at(event) - range().value;
  });
  node.addEventListener("pointermove", (event) => grabbed !== null && move(value(event), true));
  const leave = (event) => {
    if (grabbed === null) return;
    const last = value(event);
    grabbed = null;
    move(last, false);
  };
  node.addEventListener("pointerup", leave);
  node.addEventListener("pointercancel", leave);
}
