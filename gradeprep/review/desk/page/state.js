// What the desk knows: the recipe as the server sent it, where we look, and the numbers that were
// changed here and not saved yet. Parts listen for "recipe", "place", "decision", "look",
// "compare", "overlay" and "size".

import { between, rounded } from "/page/stops.js";

const bus = new EventTarget();

export const desk = {
  recipe: null,
  recorded: "", // its shots as the server sent them last
  shot: "",
  frame: 0,
  look: { display: "", view: "" },
  compare: { how: "alone", with: "" }, // "" is the plate as shot
  overlay: "none",
  size: { how: "whole", across: 0.5, down: 0.5 }, // or "close": pixel for pixel around a place
  edits: new Map(), // shot -> {pull?, lift?, balance?}, as /api/save takes them
};

export const on = (kinds, listen) =>
  kinds.split(" ").forEach((kind) => bus.addEventListener(kind, (event) => listen(event.detail)));

export const changed = (kind, detail) => bus.dispatchEvent(new CustomEvent(kind, { detail }));

export const shotNamed = (name) => desk.recipe?.shots.find((shot) => shot.name === name);

export const current = () => shotNamed(desk.shot);

/** The meter that a pull asks, with its parameters; null where it is written in numbers. */
export function meterOf(shot) {
  const stops = shot.stages.pull?.stops;
  return stops && typeof stops === "object" && !Array.isArray(stops) ? stops : null;
}

/** The keys of a pull as the recipe has it, measured or written; null where nobody knows yet. */
function askedKeys(shot) {
  const { pull } = shot.stages;
  if (!pull) return [[shot.numbers[0] ?? 0, 0]];
  if (pull.resolved?.length) return pull.resolved;
  if (typeof pull.stops === "number") return [[shot.numbers[0] ?? 0, pull.stops]];
  return Array.isArray(pull.stops) && pull.stops.length ? pull.stops : null;
}

/** The pull as it would be saved if nothing were changed; undefined where a meter has to say. */
const written = (shot) => (meterOf(shot) ? undefined : shot.stages.pull?.stops);

function keysOf(shot) {
  const edit = desk.edits.get(shot.name)?.pull;
  if (edit === undefined) return askedKeys(shot);
  return typeof edit === "number" ? [[shot.numbers[0] ?? 0, edit]] : edit;
}

/** A pull that runs over the shot has more than one level. */
export const drifts = (shot) => (keysOf(shot) ?? []).some(([, stops], _, all) => stops !== all[0][1]);

const edited = (shot, key, asked) => {
  const edit = desk.edits.get(shot.name);
  return edit && key in edit ? edit[key] : asked;
};

/** The numbers that hold for a frame. `known` is false while a meter still has to say. */
export function decision(name = desk.shot, frame = desk.frame) {
  const shot = shotNamed(name);
  const keys = keysOf(shot);
  const balance = edited(shot, "balance", shot.stages.balance);
  const order = shot.stages.order ?? [];
  const first = order.indexOf("balance") !== -1 && order.indexOf("balance") < order.indexOf("lift");
  return {
    pull: keys ? rounded(between(keys, frame)) : 0,
    known: keys !== null,
    lift: edited(shot, "lift", shot.stages.lift),
    balance: balance?.stops ?? null,
    balanceFirst: first,
  };
}

/** The plate as shot. */
export const untouched = () => ({ pull: 0, known: true, lift: null, balance: null, balanceFirst: false });

const same = (a, b) => JSON.stringify(a) === JSON.stringify(b);

function put(name, key, value, asked) {
  const edit = { ...desk.edits.get(name), [key]: value };
  if (same(value, asked)) delete edit[key];
  if (Object.keys(edit).length) desk.edits.set(name, edit);
  else desk.edits.delete(name);
}

/** Brings a frame to these stops: one number for the shot, or all keys of a drifting one moved. */
export function setPull(stops, { live = false } = {}) {
  const shot = current();
  const keys = keysOf(shot);
  let pull = rounded(stops);
  if (keys && drifts(shot)) {
    const by = stops - between(keys, desk.frame);
    pull = keys.map(([frame, value]) => [frame, rounded(value + by)]);
  }
  put(desk.shot, "pull", pull, written(shot));
  changed("decision", { live });
}

/** One number for all frames, whatever the keys say. */
export function setLevel(stops) {
  put(desk.shot, "pull", rounded(stops), written(current()));
  changed("decision", { live: false });
}

export function setLift(lift, { live = false } = {}) {
  put(desk.shot, "lift", lift, current().stages.lift ?? null);
  changed("decision", { live });
}

export function setBalance(stops, { live = false } = {}) {
  put(desk.shot, "balance", stops ? { stops } : null, current().stages.balance ?? null);
  changed("decision", { live });
}

export function discard(name = desk.shot) {
  desk.edits.delete(name);
  changed("decision", { live: false });
}

/** What a meter said holds until it has been read again, so that the picture does not jump. */
function keepReadings(before, now) {
  for (const shot of now.shots) {
    const old = before.shots.find(({ name }) => name === shot.name)?.stages.pull;
    const { pull } = shot.stages;
    if (!pull || !old || pull.resolved || shot.error || !same(pull.stops, old.stops)) continue;
    pull.resolved = old.resolved;
  }
}

/** Takes a recipe from the server; the place and unsaved numbers stay where they still fit. */
export function take(recipe, { saved = false } = {}) {
  if (saved) desk.edits.clear();
  const first = !desk.recipe;
  desk.recorded = JSON.stringify(recipe.shots);
  if (!first) keepReadings(desk.recipe, recipe);
  desk.recipe = recipe;
  for (const name of desk.edits.keys()) if (!shotNamed(name)) desk.edits.delete(name);
  if (first) desk.look = { ...recipe.look };
  changed("recipe");
  if (shotNamed(desk.shot)) goTo(desk.shot, desk.frame);
  else if (recipe.shots.length) goTo(recipe.shots[0].name);
}

/** Shows a shot, at a frame that it has. */
export function goTo(name, frame) {
  const { numbers } = shotNamed(name);
  desk.shot = name;
  const wanted = frame ?? numbers[Math.floor(numbers.length / 2)];
  const near = (best, number) => (Math.abs(number - wanted) < Math.abs(best - wanted) ? number : best);
  desk.frame = numbers.length ? numbers.reduce(near) : 0;
  changed("place");
}

/** Steps through the frames of the shot. */
export function stepFrame(by) {
  const { numbers } = current();
  const place = Math.min(numbers.length - 1, Math.max(0, numbers.indexOf(desk.frame) + by));
  goTo(desk.shot, numbers[place]);
}

/** Steps through the shots. */
export function stepShot(by) {
  const names = desk.recipe.shots.map((shot) => shot.name);
  goTo(names[Math.min(names.length - 1, Math.max(0, names.indexOf(desk.shot) + by))]);
}
