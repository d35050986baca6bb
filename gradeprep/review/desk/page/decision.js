// The numbers of the decision: pull, lift and balance, each with a slider and a number field.

import { complain, say } from "/page/announce.js";
import { current, decision, desk, drifts, meterOf, on, setBalance, setLevel, setLift, setPull } from "/page/state.js";
import { LIMIT, leastSoftness, raised, rounded, signed } from "/page/stops.js";
import { show, watch } from "/page/typed.js";

const home = document.getElementById("decision");
const START = { stops: 0.5, below: -3, softness: 3 };

const make = (tag, values = {}, ...inside) => {
  const node = Object.assign(document.createElement(tag), values);
  node.append(...inside);
  return node;
};

/** A labelled slider with its number; `put(value, live)` is called with numbers in range only. */
function control(id, label, { low, high, least = low, most = high }, put) {
  const range = make("input", { type: "range", id: `${id}-range`, min: low, max: high, step: 0.01 });
  const number = make("input", { type: "number", id, step: "any", min: least, max: most });
  range.setAttribute("aria-label", `${label}, slider`);
  range.addEventListener("input", () => put(Number(range.value), true));
  range.addEventListener("change", () => put(Number(range.value), false));
  const typed = () => {
    const value = number.valueAsNumber;
    const good = Number.isFinite(value) && value >= Number(number.min) && value <= Number(number.max);
    number.setAttribute("aria-invalid", !good);
    if (good) put(value, false);
    else complain(`${label}: give a number from ${number.min} to ${number.max}`);
  };
  watch(number);
  number.addEventListener("change", typed);
  number.addEventListener("keydown", (event) => {
    const by = { ArrowUp: 1, ArrowDown: -1 }[event.key];
    if (!by) return;
    event.preventDefault();
    number.value = rounded((number.valueAsNumber || 0) + by * (event.shiftKey ? 0.5 : 0.05), 0.001);
    typed();
  });
  const row = make("div", { className: "control" }, make("label", { htmlFor: id, textContent: label }), range, number);
  return { row, show: (value) => showControl(range, number, value), number };
}

function showControl(range, number, value) {
  range.value = value;
  range.setAttribute("aria-valuetext", `${signed(value)} stops`);
  number.setAttribute("aria-invalid", "false");
  show(number, rounded(value, 0.001));
}

const lifted = (change) => (value, live) => {
  const { lift } = decision();
  if (lift) setLift(change(lift, value), { live });
};

const pull = control("pull", "Pull", { low: -8, high: 8, least: -LIMIT, most: LIMIT }, (v, live) => setPull(v, { live }));
const lift = {
  stops: control("lift-stops", "Lift by", { low: -3, high: 4 }, lifted(raised)),
  below: control("lift-below", "below", { low: -10, high: 4, least: -20, most: 20 }, lifted((it, below) => ({ ...it, below }))),
  softness: control("lift-softness", "softness", { low: 0.1, high: 10, least: 0.01, most: 20 }, lifted(softened)),
};
const balance = ["Red", "Green", "Blue"].map((name, i) =>
  control(`balance-${name[0].toLowerCase()}`, name, { low: -2, high: 2, least: -LIMIT, most: LIMIT }, (value, live) => {
    const stops = [...(decision().balance ?? [0, 0, 0])];
    stops[i] = rounded(value);
    setBalance(stops, { live });
  }),
);

function softened(it, softness) {
  const least = leastSoftness(it.stops);
  if (softness < least) say(`A lift by ${signed(it.stops)} needs a softness of at least ${least}.`);
  return { ...it, softness: rounded(Math.max(softness, least)) };
}

const toggle = (id, text, flip) => {
  const box = make("input", { type: "checkbox", id });
  box.addEventListener("change", () => flip(box.checked));
  return { box, row: make("label", { className: "switch" }, box, ` ${text}`) };
};
const liftOn = toggle("lift-on", "Lift the shadows before the pull", (on) => setLift(on ? current().stages.lift ?? START : null));
const balanceOn = toggle("balance-on", "Balance the channels", (on) => setBalance(on ? current().stages.balance?.stops ?? [0, 0, 0] : null));

const liftRows = make("div", {}, ...Object.values(lift).map((one) => one.row));
const balanceRows = make("div", {}, ...balance.map((one) => one.row));
const note = make("p", { className: "hint", id: "pull-note" });
const level = make("button", { type: "button", id: "one-level", textContent: "One level for all frames" });
const other = make("p", { className: "hint" });
level.addEventListener("click", () => setLevel(decision().pull));

const meterName = (shot) => meterOf(shot).meter.replaceAll("_", " ");
const changedHere = (shot) => desk.edits.get(shot.name)?.pull !== undefined;

/** Where the pull comes from, in a word. */
export function source(shot) {
  if (changedHere(shot)) return "this desk";
  if (!shot.stages.pull) return "no pull";
  if (meterOf(shot)) return meterName(shot);
  return drifts(shot) ? "keys" : "number";
}

function pullNote(shot) {
  if (shot.error && !decision().known) return shot.error;
  if (!decision().known) return `The ${meterName(shot)} meter is reading the plate.`;
  if (changedHere(shot) && meterOf(shot)) return `Your number will stand in place of the ${meterName(shot)} meter.`;
  if (drifts(shot)) return "The pull drifts over the shot; what you change here moves all of its keys.";
  return meterOf(shot) ? `Read by the ${meterName(shot)} meter.` : "";
}

function showAll() {
  const shot = current();
  if (!shot) return;
  const now = decision();
  pull.show(now.pull);
  note.textContent = pullNote(shot);
  note.hidden = !note.textContent;
  level.hidden = !drifts(shot);
  liftOn.box.checked = now.lift !== null;
  liftRows.hidden = now.lift === null;
  if (now.lift) Object.entries(lift).forEach(([key, one]) => one.show(now.lift[key]));
  balanceOn.box.checked = now.balance !== null;
  balanceRows.hidden = now.balance === null;
  balance.forEach((one, i) => one.show(now.balance?.[i] ?? 0));
  const names = shot.stages.other ?? [];
  other.textContent = names.length ? `Also in this shot, not shown here: ${names.join(", ")}.` : "";
  other.hidden = !names.length;
  document.getElementById("decision-shot").textContent = shot.name;
}

export function startDecision() {
  home.append(pull.row, note, make("p", { className: "actions" }, level), liftOn.row, liftRows, balanceOn.row, balanceRows, other);
  on("place decision recipe", showAll);
}
