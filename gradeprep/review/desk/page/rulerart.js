// How the ruler is drawn: plain SVG with classes that the style sheet colours.

import { clamped, liftAt, signed } from "/page/stops.js";

const SVG = "http://www.w3.org/2000/svg";
const [LOW, HIGH] = [-10, 8]; // stops that the ruler spans
const EDGE = 26; // room at both ends
const [TOP, BASE] = [24, 104]; // the tones stand between these
const RISE = 26; // height of one stop of lift
const AXIS = 138; // the ruler's lower edge
const PULL = 156; // the pull's lane
const HALF = 30; // of the pull's mark
const KEY = 420; // room of the words on the left
export const tall = 176;

const scale = (width) => (width - 2 * EDGE) / (HIGH - LOW);

/** Pixel of a tone, and back. */
export const pixelOf = (tone, width) => EDGE + (tone - LOW) * scale(width);
export const toneAt = (x, width) => LOW + (x - EDGE) / scale(width);

/** Stops of lift at a height. */
export const upAt = (y) => (BASE - y) / RISE;
const heightOf = (stops) => clamped(BASE - stops * RISE, TOP - 8, BASE + 20);

/** Where a mark stands. */
export function placeOf(name, { pull, lift }, width) {
  if (name === "pull") return { x: pixelOf(clamped(pull, LOW, HIGH), width), y: PULL };
  if (!lift) return null;
  const full = lift.below - lift.softness;
  if (name === "begin") return { x: pixelOf(clamped(lift.below, LOW, HIGH), width), y: BASE };
  if (name === "full") return { x: pixelOf(clamped(full, LOW, HIGH), width), y: BASE };
  const middle = (Math.max(full, LOW + 1) + LOW) / 2;
  return { x: pixelOf(middle, width), y: heightOf(liftAt(lift, middle)) };
}

function add(parent, tag, values, text = "") {
  const node = document.createElementNS(SVG, tag);
  for (const [key, value] of Object.entries(values)) node.setAttribute(key, value);
  if (text) node.textContent = text;
  parent.append(node);
  return node;
}

/** Draws all of it again. */
export function drawRuler(svg, { width, tones, after, decision }) {
  svg.replaceChildren();
  svg.setAttribute("viewBox", `0 0 ${width} ${tall}`);
  svg.setAttribute("role", "img");
  svg.setAttribute("aria-label", described(tones, after, decision));
  drawCeiling(svg, width, tones, decision);
  if (tones?.before.length) drawTones(svg, width, tones, after);
  drawAxis(svg, width);
  if (decision.lift) drawLift(svg, width, decision.lift);
  drawPull(svg, width, decision);
  drawKey(svg, decision);
  drawWords(svg, width, tones, decision);
}

/** The tones as a path: square root of the share, so that thin ends stay in sight. */
function outline(shares, { low, step }, width, most) {
  const places = shares.map((share, i) => [low + step * (i + 0.5), share]);
  const within = places.filter(([tone]) => tone > LOW && tone < HIGH);
  const points = within.map(([tone, share]) => {
    const height = Math.sqrt(share / most) * (BASE - TOP);
    return `${pixelOf(tone, width).toFixed(1)},${(BASE - height).toFixed(1)}`;
  });
  return `M${pixelOf(LOW, width)},${BASE}L${points.join("L")}L${pixelOf(HIGH, width)},${BASE}`;
}

function drawTones(svg, width, tones, after) {
  const most = Math.max(...tones.before, ...after, 1e-6);
  add(svg, "path", { class: "after", d: `${outline(after, tones, width, most)}Z` });
  add(svg, "path", { class: "before", d: outline(tones.before, tones, width, most) });
}

/** Hatched from where the plate's ceiling is moved: no tone of this plate lies above. */
function drawCeiling(svg, width, tones, { pull }) {
  if (typeof tones?.ceiling !== "number") return;
  const tone = tones.ceiling + pull;
  if (tone >= HIGH || tone <= LOW) return;
  const x = pixelOf(tone, width);
  const defs = add(svg, "defs", {});
  const hatch = add(defs, "pattern", { id: "hatch", width: 7, height: 7, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" });
  add(hatch, "path", { class: "hatch", d: "M0 0V7" });
  add(svg, "rect", { class: "clipped", x, y: TOP, width: pixelOf(HIGH, width) - x, height: BASE - TOP, fill: "url(#hatch)" });
  add(svg, "path", { class: "ceiling", d: `M${x} 4V${BASE}` });
}

/** Words stand over all lines, beside a mark on the side that has room. */
function words(svg, x, y, text, side) {
  add(svg, "text", { class: "words", x: x + 8 * side, y, "text-anchor": side < 0 ? "end" : "start" }, text);
}

function drawWords(svg, width, tones, { pull }) {
  const ceiling = typeof tones?.ceiling === "number" ? tones.ceiling + pull : HIGH;
  if (ceiling > LOW && ceiling < HIGH) {
    const x = pixelOf(ceiling, width);
    const y = x < KEY ? TOP + 10 : 14;
    words(svg, x, y, `clips at ${signed(ceiling, 1)}`, x > width - 120 ? -1 : 1);
  }
  const side = pull > 0 ? -1 : 1;
  const beside = pixelOf(clamped(pull, LOW, HIGH), width) + side * HALF;
  const grey = pixelOf(0, width);
  const x = side > 0 ? Math.max(grey, beside) : Math.min(grey, beside);
  words(svg, x, PULL + 4, "pull: where the plate's grey moves", side);
}

function drawAxis(svg, width) {
  add(svg, "rect", { class: "body", x: EDGE - 14, y: BASE, width: width - 2 * EDGE + 28, height: AXIS - BASE });
  const ticks = [];
  for (let quarter = LOW * 4; quarter <= HIGH * 4; quarter += 1) {
    const x = pixelOf(quarter / 4, width).toFixed(1);
    const long = quarter % 4 === 0 ? 11 : quarter % 2 === 0 ? 7 : 4;
    ticks.push(`M${x} ${BASE}v${long}`);
  }
  add(svg, "path", { class: "ticks", d: ticks.join("") });
  for (let stops = LOW; stops <= HIGH; stops += 1) {
    const name = stops === 0 ? "grey" : signed(stops, 0);
    add(svg, "text", { class: stops === 0 ? "number grey" : "number", x: pixelOf(stops, width), y: AXIS - 8, "text-anchor": "middle" }, name);
  }
  add(svg, "path", { class: "greyline", d: `M${pixelOf(0, width)} ${TOP}V${BASE}` });
}

function drawLift(svg, width, lift) {
  const points = [];
  for (let tone = LOW; tone <= HIGH; tone += 0.1) {
    points.push(`${pixelOf(tone, width).toFixed(1)},${heightOf(liftAt(lift, tone)).toFixed(1)}`);
  }
  add(svg, "path", { class: "liftline", d: `M${points.join("L")}` });
}

/** From the plate's grey to where it is moved. */
function drawPull(svg, width, { pull }) {
  const [from, to] = [pixelOf(0, width), pixelOf(clamped(pull, LOW, HIGH), width)];
  add(svg, "path", { class: "pullline", d: `M${from} ${AXIS}V${PULL}H${to}` });
}

function drawKey(svg, { lift }) {
  const key = add(svg, "text", { class: "key", x: EDGE - 12, y: 14 });
  add(key, "tspan", {}, "Tones in stops from grey");
  add(key, "tspan", { class: "key-before", dx: 14 }, "\u2500\u2500 plate as shot");
  add(key, "tspan", { class: "key-after", dx: 14 }, "\u2588\u2588 normalized");
  if (lift) add(key, "tspan", { class: "key-lift", dx: 14 }, "\u2500\u2500 lift");
}

/** Middle and ends of the tones in words. */
function described(tones, after, { pull }) {
  if (!tones?.before.length) return "Ruler of stops; the tones are not known yet";
  const at = (share) => {
    let sum = 0;
    const whole = after.reduce((a, b) => a + b, 0);
    const bin = after.findIndex((part) => (sum += part) >= share * whole);
    return signed(tones.low + tones.step * (Math.max(0, bin) + 0.5), 1);
  };
  const ceiling = typeof tones.ceiling === "number" ? `; the plate clips at ${signed(tones.ceiling + pull, 1)}` : "";
  return `Normalized tones: middle at ${at(0.5)} stops from grey, nine tenths between ${at(0.05)} and ${at(0.95)}${ceiling}`;
}
