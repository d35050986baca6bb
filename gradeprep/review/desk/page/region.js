// A rectangle over the picture, drawn or typed, and what a meter reads in it.

import { post } from "/page/api.js";
import { complain, speak, say } from "/page/announce.js";
import { current, desk, on, setBalance, setPull } from "/page/state.js";
import { clamped, rounded, signed } from "/page/stops.js";
import { seenPart } from "/page/view.js";

const LEAST_CAST = 0.01; // stops; less than seven in a thousand is no cast that anybody sees

const part = (id) => document.getElementById(id);
const sheet = part("sheet-shot");
const fields = ["x", "y", "w", "h"].map((key) => part(`region-${key}`));

const rectangle = () => fields.map((field) => Math.round(field.valueAsNumber) || 0);

function show([x, y, width, height]) {
  const seen = seenPart();
  const box = part("region");
  const [left, right] = [x, x + width].map((side) => clamped((side - seen.x) / seen.width, 0, 1));
  const [top, bottom] = [y, y + height].map((side) => clamped((side - seen.y) / seen.height, 0, 1));
  box.hidden = !(right > left && bottom > top);
  const share = (value) => `${100 * value}%`;
  Object.assign(box.style, { left: share(left), top: share(top), width: share(right - left), height: share(bottom - top) });
}

function put(values) {
  fields.forEach((field, i) => (field.value = values[i]));
  show(values);
}

/** Plate pixel under a pointer. */
function pixel(event) {
  const { left, top, width, height } = sheet.getBoundingClientRect();
  const seen = seenPart();
  const x = seen.x + ((event.clientX - left) / width) * seen.width;
  const y = seen.y + ((event.clientY - top) / height) * seen.height;
  return [clamped(Math.round(x), 0, seen.plate.width), clamped(Math.round(y), 0, seen.plate.height)];
}

function byPointer() {
  let from = null;
  const box = (event) => {
    const [x, y] = pixel(event);
    return [Math.min(x, from[0]), Math.min(y, from[1]), Math.abs(x - from[0]), Math.abs(y - from[1])];
  };
  sheet.addEventListener("pointerdown", (event) => {
    if (event.button !== 0 || sheet.hidden || (desk.size.how === "close" && !event.shiftKey)) return;
    event.preventDefault();
    sheet.setPointerCapture(event.pointerId);
    from = pixel(event);
  });
  sheet.addEventListener("pointermove", (event) => from && put(box(event)));
  sheet.addEventListener("pointerup", (event) => {
    if (!from) return;
    const drawn = box(event);
    from = null;
    if (drawn[2] > 1 && drawn[3] > 1) {
      put(drawn);
      read();
    }
  });
  sheet.addEventListener("pointercancel", () => (from = null));
}

/** The rectangle's corners, clockwise from the top left, as the chart meter takes them. */
const corners = ([x, y, w, h]) => [[x, y], [x + w, y], [x + w, y + h], [x, y + h]];

/** What the form asks of which meter. */
function asked() {
  const region = rectangle();
  const { frame } = desk;
  switch (part("meter").value) {
    case "chart": return { meter: "chart", params: { corners: corners(region), frame } };
    case "chart_search": return { meter: "chart", params: { search: region, frame } };
    case "reference": return { meter: "reference", params: { shot: part("reference").value, region, frame } };
    case "average": return { meter: "average", params: { region, frame } };
    default: return { meter: "grey_card", params: { region, reflectance: part("reflectance").valueAsNumber, frame } };
  }
}

async function ask({ meter, params }) {
  const { shot, frame } = desk;
  part("reading").setAttribute("aria-busy", "true");
  try {
    showReading(await post("/api/reading", { shot, frame, meter, params }), meter);
  } catch (error) {
    showFault(error.message);
  }
  part("reading").setAttribute("aria-busy", "false");
}

function read() {
  const [, , width, height] = rectangle();
  if (width > 0 && height > 0) return ask(asked());
  return showFault("Draw a rectangle over the card first, or give its width and height.");
}

function showFault(line) {
  const home = part("reading");
  home.hidden = false;
  home.replaceChildren(Object.assign(document.createElement("p"), { className: "bad", textContent: line }));
  complain(line);
}

const make = (tag, text, name = "") => Object.assign(document.createElement(tag), { textContent: text, className: name });

function button(id, text, take) {
  const node = Object.assign(make("button", text), { type: "button", id });
  node.addEventListener("click", take);
  return node;
}

/** The colour cast of what was read, and a way to take it out; nothing where it is neutral. */
function castOf(balance) {
  if (!balance || Math.max(...balance.map(Math.abs)) < LEAST_CAST) return [];
  const stops = balance.map((value) => rounded(value, 0.001));
  const text = stops.map((value, i) => `${["red", "green", "blue"][i]} ${signed(value, 3)}`).join(", ");
  const use = button("use-balance", "Use as the balance", () => {
    setBalance(stops);
    say(`The balance is ${text} stops now.`);
  });
  return [make("p", `Neutral with ${text} stops.`), use];
}

function showReading({ stops, sigma, balance, evidence, warnings, weak }, meter) {
  const home = part("reading");
  const text = `${signed(stops, 3)} \u00b1 ${sigma.toFixed(3)} stops`;
  const use = button("use-reading", "Use as the pull", () => {
    setPull(stops);
    say(`The pull is ${signed(stops, 3)} stops now.`);
  });
  const list = make("ul", "");
  if (weak) list.append(make("li", "Weak evidence: look twice.", "bad"));
  list.append(...warnings.map((line) => make("li", line, "bad")));
  home.replaceChildren(make("p", text, "value"), list, evidenceOf(evidence), use, ...castOf(balance));
  home.dataset.stops = stops;
  home.hidden = false;
  speak(`The ${meter.replaceAll("_", " ")} asks for ${text}.${warnings.map((line) => ` ${line}.`).join("")}`);
}

/** The plain numbers of the evidence; lists of frames stay in the sidecar. */
function evidenceOf(evidence) {
  const list = document.createElement("dl");
  for (const [key, value] of Object.entries(evidence)) {
    if (value === null || typeof value === "object") continue;
    const shown = typeof value === "number" && !Number.isInteger(value) ? value.toPrecision(3) : String(value);
    list.append(Object.assign(document.createElement("dt"), { textContent: key.replaceAll("_", " ") }));
    list.append(Object.assign(document.createElement("dd"), { textContent: shown }));
  }
  return list;
}

function onMeter() {
  const meter = part("meter").value;
  part("reflectance-row").hidden = meter !== "grey_card";
  part("reference-row").hidden = meter !== "reference";
}

function onPlace() {
  put([0, 0, 0, 0]);
  part("reading").hidden = true;
  const others = desk.recipe.shots.filter((shot) => shot.name !== desk.shot);
  part("reference").replaceChildren(...others.map((shot) => new Option(shot.name)));
  part("reference").value = current().reference ?? others[0]?.name ?? "";
  part("meter").querySelector('[value="reference"]').disabled = !others.length;
}

let shot = "";

export function startRegion() {
  byPointer();
  fields.forEach((field) => field.addEventListener("input", () => show(rectangle())));
  part("meter").addEventListener("change", onMeter);
  part("measure").addEventListener("submit", (event) => {
    event.preventDefault();
    read();
  });
  part("stage").addEventListener("drawn", () => show(rectangle()));
  on("place", () => {
    if (shot !== desk.shot) onPlace();
    shot = desk.shot;
  });
}
