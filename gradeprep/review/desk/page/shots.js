// The list of shots: name, stops, where they come from, and how it stands.

import { source } from "/page/decision.js";
import { decision, desk, drifts, goTo, on } from "/page/state.js";
import { signed } from "/page/stops.js";

const body = document.getElementById("shots");
const runs = new Map(); // shot -> what the last run said

/** Notes how a run of a shot stands. */
export function ran(shot, state) {
  runs.set(shot, state);
  list();
}

function stops(shot) {
  if (!shot.numbers.length) return "";
  const [first, last] = [shot.numbers[0], shot.numbers.at(-1)].map((frame) => decision(shot.name, frame));
  if (!first.known) return "?";
  return drifts(shot) ? `${signed(first.pull)}\u2026${signed(last.pull)}` : signed(first.pull);
}

function state(shot) {
  if (!shot.numbers.length) return "no plate";
  if (desk.edits.has(shot.name)) return "changed";
  if (shot.error) return "not read";
  return runs.get(shot.name) ?? "saved";
}

function row(shot) {
  const line = document.createElement("tr");
  const name = document.createElement("button");
  name.type = "button";
  name.textContent = shot.name;
  name.dataset.shot = shot.name;
  if (shot.name === desk.shot) {
    name.setAttribute("aria-current", "true");
    line.className = "current";
  }
  name.addEventListener("click", () => goTo(shot.name));
  const head = document.createElement("th");
  head.scope = "row";
  head.append(name);
  line.append(head);
  for (const text of [stops(shot), source(shot), state(shot)]) line.insertCell().textContent = text;
  line.title = shot.error || `${shot.space}, frames ${shot.frames}`;
  return line;
}

function list() {
  if (!desk.recipe) return;
  const focused = document.activeElement?.dataset?.shot;
  body.replaceChildren(...desk.recipe.shots.map(row));
  if (focused) body.querySelector(`[data-shot="${CSS.escape(focused)}"]`)?.focus();
}

export function startShots() {
  on("recipe place decision", list);
}
