// The ruler of stops under the picture: the tones of the plate as shot (outline) and normalized
// (filled), where the plate's ceiling is moved, the lift's curve, and the marks that move
// them. Grey is at 0; every tone is in stops from it, on the scale of the normalized picture.

import { getJson, asParams } from "/page/api.js";
import { complain, say } from "/page/announce.js";
import { drawRuler, placeOf, tall, toneAt, upAt } from "/page/rulerart.js";
import { latest, settled } from "/page/frame.js";
import { describe, mark } from "/page/slider.js";
import { decision, desk, on, setLift, setPull } from "/page/state.js";
import { LIMIT, clamped, leastSoftness, moved, raised, rounded, signed } from "/page/stops.js";

const ruler = document.getElementById("ruler");
const MOST_LIFT = 4;
const LATER_MS = 1000;
let tones = null;

const tone = (event) => toneAt(event.clientX - ruler.getBoundingClientRect().left, ruler.clientWidth);
const up = (event) => upAt(event.clientY - ruler.getBoundingClientRect().top);
const withLift = (make) => {
  const { lift } = decision();
  return lift ? make(lift) : null;
};

const marks = {
  pull: mark({
    name: "pull",
    label: "Pull",
    range: () => {
      const { pull, known } = decision();
      const text = known ? `${signed(pull)} stops: the plate's grey moves there` : "not read yet";
      return { value: pull, low: -LIMIT, high: LIMIT, text };
    },
    move: (value, live) => setPull(value, { live }),
    at: tone,
  }),
  begin: mark({
    name: "lift begin",
    label: "Lift begins below",
    range: () => withLift((it) => ({ value: it.below, low: -12, high: 6, text: `lifts tones below ${signed(it.below)} stops` })),
    move: (below, live) => withLift((it) => setLift({ ...it, below }, { live })),
    at: tone,
  }),
  full: mark({
    name: "lift full",
    label: "Lift is full from",
    range: () => withLift((it) => {
      const value = it.below - it.softness;
      const text = `full from ${signed(value)} stops down, softness ${it.softness.toFixed(2)}`;
      return { value, low: it.below - 12, high: it.below - leastSoftness(it.stops), text };
    }),
    move: (value, live) => withLift((it) => setLift({ ...it, softness: rounded(it.below - value) }, { live })),
    at: tone,
  }),
  amount: mark({
    name: "lift amount",
    label: "Lift by",
    upright: true,
    range: () => withLift((it) => ({ value: it.stops, low: -MOST_LIFT, high: MOST_LIFT, text: `lifts by ${signed(it.stops)} stops` })),
    move: (stops, live) => withLift((it) => setLift(raised(it, stops), { live })),
    at: up,
  }),
};

function drawNow() {
  if (!desk.recipe) return;
  const now = decision();
  const after = tones ? tones.settled ?? moved(tones, now) : [];
  drawRuler(ruler.querySelector("svg"), { width: ruler.clientWidth, tones, after, decision: now });
  Object.entries(marks).forEach(([name, { node, range: ask }]) => {
    describe(node, ask());
    const place = placeOf(name, now, ruler.clientWidth);
    if (!place) return;
    node.style.left = `${clamped(place.x, 14, ruler.clientWidth - 14)}px`;
    node.style.top = `${place.y}px`;
  });
  marks.pull.node.firstChild.textContent = now.known ? signed(now.pull) : "?";
}

async function ask() {
  const { shot, frame } = desk;
  const now = decision();
  try {
    const answer = await getJson("/api/tones", { shot, frame, ...asParams(now) });
    tones = { ...answer, settled: answer.after };
  } catch (error) {
    tones = null;
    complain(error.message);
  }
  if (tones?.note) say(tones.note);
  if (tones?.pending) setTimeout(askTones, LATER_MS); // the ceiling is still looked for
  ruler.dataset.shows = tones ? `${shot} ${frame} ${now.pull}` : "";
  drawNow();
}

const askTones = latest(ask);

export function startRuler() {
  ruler.style.height = `${tall}px`;
  ruler.append(document.createElementNS("http://www.w3.org/2000/svg", "svg"), ...Object.values(marks).map(({ node }) => node));
  const rest = settled(askTones);
  const guess = () => {
    if (tones) tones.settled = null; // the page's own arithmetic holds until the server has counted
    drawNow();
  };
  on("place decision", guess);
  on("place", askTones);
  on("decision", rest);
  new ResizeObserver(drawNow).observe(ruler);
}
