// The keyboard map, and the dialog that shows it. Single keys can be switched off (WCAG 2.1.4).

import { say } from "/page/announce.js";
import { save } from "/page/save.js";
import { current, decision, desk, setLift, setPull, stepFrame, stepShot } from "/page/state.js";
import { rounded } from "/page/stops.js";

const part = (id) => document.getElementById(id);

const REST = { compare: "alone", overlay: "none", size: "whole" };

const choose = (group, value) => {
  const now = document.querySelector(`input[name="${group}"]:checked`).value;
  const next = now === value ? REST[group] : value;
  document.querySelector(`input[name="${group}"][value="${next}"]`).click();
};

const pullBy = (stops) => () => setPull(rounded(decision().pull + stops, 0.001));

const flipLift = () => {
  const { lift } = decision();
  setLift(lift ? null : current().stages.lift ?? { stops: 0.5, below: -3, softness: 3 });
  say(lift ? "Lift off." : "Lift on.");
};

const MAP = [
  [",", "frame before", () => stepFrame(-1)],
  [".", "next frame", () => stepFrame(1)],
  ["k", "shot above", () => stepShot(-1)],
  ["j", "shot below", () => stepShot(1)],
  ["-", "pull darker by 0.1 stop", pullBy(-0.1)],
  ["+", "pull brighter by 0.1 stop", pullBy(0.1)],
  ["[", "pull darker by a third of a stop", pullBy(-1 / 3)],
  ["]", "pull brighter by a third of a stop", pullBy(1 / 3)],
  ["l", "lift on or off", flipLift],
  ["w", "wipe", () => choose("compare", "wipe")],
  ["s", "side by side", () => choose("compare", "beside")],
  ["z", "pixel for pixel, or the whole picture", () => choose("size", "close")],
  ["c", "clipped areas", () => choose("overlay", "clip")],
  ["n", "shadow noise", () => choose("overlay", "noise")],
  ["p", "go to the pull on the ruler", () => document.querySelector(".mark.pull").focus()],
  ["m", "go to the rectangle's fields", () => part("region-x").focus()],
  ["?", "these keys", () => part("keys").showModal()],
];

const typing = (target) => target.closest('input:not([type="radio"], [type="checkbox"], [type="range"]), select, textarea, dialog');

function onKey(event) {
  if ((event.ctrlKey || event.metaKey) && event.key === "s") {
    event.preventDefault();
    save();
    return;
  }
  if (event.ctrlKey || event.metaKey || event.altKey || event.defaultPrevented) return;
  if (!part("keys-single").checked || typing(event.target) || !desk.shot) return;
  const found = MAP.find(([key]) => key === event.key);
  if (!found) return;
  event.preventDefault();
  found[2]();
}

function row([key, does]) {
  const line = document.createElement("tr");
  line.insertCell().append(...key.split(" ").flatMap((name) => [Object.assign(document.createElement("kbd"), { textContent: name })]));
  line.insertCell().textContent = does;
  return line;
}

export function startKeys() {
  part("keys-list").append(...[...MAP, ["Ctrl S", "save into the recipe (Command on a Mac)"]].map(row));
  part("keys-open").addEventListener("click", () => part("keys").showModal());
  part("keys-close").addEventListener("click", () => part("keys").close());
  addEventListener("keydown", onKey);
}
