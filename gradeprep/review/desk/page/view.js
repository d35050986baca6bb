// The picture: one painter, up to two canvases, what is laid over them, and how they share the room.

import { complain, say } from "/page/announce.js";
import { latest, settled } from "/page/frame.js";
import { lightPainter } from "/page/light.js";
import { legendOf, overlayMap, paintOverlay } from "/page/overlay.js";
import { picturePainter } from "/page/picture.js";
import { current, decision, desk, on, shotNamed, untouched } from "/page/state.js";
import { clamped, signed } from "/page/stops.js";

const part = (id) => document.getElementById(id);
const stage = part("stage");
const sheets = [part("sheet-shot"), part("sheet-other")];
const SIDES = [640, 960, 1280, 1920, 2560];
const GAP = 12;

let painter = lightPainter() ?? picturePainter();
const NOTHING = { x: 0, y: 0, width: 16, height: 9, plate: { width: 16, height: 9 }, aspect: 1, whole: true };
const seen = new Map(); // canvas -> what it shows of its plate
let map = null;
let live = false;
let largest = 0;

export const painterKind = () => painter.kind;

/** What the page shows of the shot's plate: `{x, y, width, height, plate, aspect}`, in its pixels. */
export const seenPart = () => seen.get(part("canvas-shot")) ?? NOTHING;

/** What a canvas shows, from what a painter says that it drew. */
const drawn = (sizes, { side }) => (side ? { ...sizes, ...sizes.plate, whole: true } : { ...sizes, whole: false });

/** The picture of the shot as it stands on the page, as PNG; drawn again so that it is whole. */
export async function capture() {
  live = false;
  await draw();
  return part("canvas-shot").toDataURL("image/png");
}

/** Longest side to ask for: no more than the room shows, in a few sizes so that they are kept. */
function side() {
  const share = beside() ? 0.5 : 1;
  const shown = Math.max(stage.clientWidth * share, stage.clientHeight) * devicePixelRatio;
  return SIDES.find((size) => size >= shown) ?? SIDES.at(-1);
}

const beside = () => desk.compare.how === "beside";
const close = () => desk.size.how === "close";

/** The room that one picture has, in pixels of the page. */
function room() {
  const width = beside() ? (stage.clientWidth - GAP) / 2 : stage.clientWidth;
  return { width, height: stage.clientHeight };
}

/** What to ask of a frame: the whole at the room's size, or as many of its pixels as fit. */
function area() {
  if (!close()) return { side: side() };
  const { across, down } = desk.size;
  const { aspect } = seenPart();
  const fits = (length) => clamped(Math.floor(length), 1, 4096);
  const { width, height } = room();
  return { across, down, width: fits((width * devicePixelRatio) / aspect), height: fits(height * devicePixelRatio) };
}

/** What the picture is compared with: another shot at its own decision, or the plate as shot. */
function other() {
  const shot = shotNamed(desk.compare.with);
  if (!shot) return { shot: desk.shot, frame: desk.frame, decision: untouched(), name: "the plate as shot" };
  const index = current().numbers.indexOf(desk.frame);
  const frame = shot.numbers[Math.min(shot.numbers.length - 1, Math.max(0, index))];
  return { shot: shot.name, frame, decision: decision(shot.name, frame), name: `${shot.name} ${frame}` };
}

async function paint(canvas, what) {
  const asked = { ...what, area: area(), look: desk.look, quick: live };
  try {
    seen.set(canvas, drawn(await painter.paint(canvas, asked), asked.area));
  } catch (error) {
    if (!painter.lost && !/shader does not/.test(error.message)) throw error;
    painter = picturePainter(); // a context that is lost, or a view that this driver cannot do
    say("The browser cannot draw this itself; the server makes the pictures now.");
    seen.set(canvas, drawn(await painter.paint(canvas, asked), asked.area));
  }
}

async function drawAll() {
  const shown = { shot: desk.shot, frame: desk.frame, decision: decision() };
  const { how } = desk.size;
  stage.setAttribute("aria-busy", "true");
  try {
    const { aspect } = seenPart();
    await paint(part("canvas-shot"), shown);
    if (close() && seenPart().aspect !== aspect) await paint(part("canvas-shot"), shown);
    if (desk.compare.how !== "alone") {
      await paint(part(desk.compare.how === "wipe" ? "canvas-wipe" : "canvas-other"), other());
    }
    part("no-picture").hidden = true;
    stage.dataset.shows = [shown.shot, shown.frame, shown.decision.pull, desk.look.view].join(" ");
    stage.dataset.size = how;
  } catch (error) {
    part("no-picture").textContent = error.message;
    part("no-picture").hidden = false;
    delete stage.dataset.shows;
    complain(error.message);
  }
  arrange();
  stage.setAttribute("aria-busy", "false");
  stage.dispatchEvent(new CustomEvent("drawn", { bubbles: true }));
}

const draw = latest(drawAll);

async function layOver() {
  const canvas = part("canvas-over");
  const kind = desk.overlay;
  try {
    const asked = { shot: desk.shot, frame: desk.frame, area: area(), kind, decision: decision() };
    map = kind === "none" ? null : await overlayMap(asked);
  } catch (error) {
    map = null;
    complain(error.message);
  }
  canvas.dataset.shows = map ? `${kind} ${desk.shot} ${desk.frame}` : "";
  part("legend").replaceChildren(...(map ? legendOf(map) : []));
  part("legend").hidden = map === null;
  if (map?.note) say(map.note.replace(/-(?=\d)/g, "\u2212"));
  arrange();
}

const lay = latest(layOver);

/** Gives each sheet the largest size of its picture's shape that the room holds, or its pixels'. */
function arrange() {
  const missing = !part("no-picture").hidden;
  const wipe = desk.compare.how === "wipe";
  sheets[0].hidden = missing;
  sheets[1].hidden = missing || !beside();
  part("under-wipe").hidden = !wipe;
  part("wipe-line").hidden = !wipe;
  fit(sheets[0], part("canvas-shot"));
  fit(sheets[1], part("canvas-other"));
  if (wipe && !seenPart().whole) fit(part("canvas-wipe"), part("canvas-wipe"));
  else part("canvas-wipe").removeAttribute("style");
  wipeTo();
  captions();
  paintMap();
}

function fit(sheet, canvas) {
  const { aspect, whole } = seen.get(canvas) ?? NOTHING;
  const [width, height] = [canvas.width * aspect, canvas.height];
  const most = room();
  const scale = whole ? Math.min(most.width / width, most.height / height) : 1 / devicePixelRatio;
  const length = (side) => (whole ? Math.floor(side * scale) : side * scale);
  sheet.style.width = `${length(width)}px`;
  sheet.style.height = `${length(height)}px`;
}

function paintMap() {
  const canvas = part("canvas-over");
  canvas.hidden = map === null;
  if (!map || sheets[0].hidden) return;
  const size = [sheets[0].clientWidth, sheets[0].clientHeight].map((side) => Math.round(side * devicePixelRatio));
  paintOverlay(canvas, map, ...size);
}

function captions() {
  const { pull, known } = decision();
  const text = known ? `${signed(pull)} stops` : "not read yet";
  part("canvas-shot").setAttribute("aria-label", `${desk.shot}, frame ${desk.frame}, ${text}`);
  part("caption-shot").textContent = beside() ? `${desk.shot} ${desk.frame}` : "";
  const name = other().name;
  for (const id of ["canvas-wipe", "canvas-other"]) part(id).setAttribute("aria-label", name);
  part("caption-other").textContent = name;
}

/** Puts the edge of the wipe where the slider says; what it is compared with stands on the left. */
export function wipeTo() {
  const share = Number(part("wipe").value);
  part("under-wipe").style.clipPath = `inset(0 ${100 - share}% 0 0)`;
  part("wipe-line").style.left = `${share}%`;
}

/** Frames may have changed on disk: ask for them again. */
export function drawAnew() {
  painter.forget();
  draw();
}

const layAgain = settled(() => desk.overlay !== "none" && lay());

/** A redraw at full size once the hand rests, and the overlay with it. */
const rest = settled(() => {
  if (live) {
    live = false;
    draw();
  }
  if (desk.overlay !== "none") lay();
});

function onResize() {
  if (!current()) return;
  arrange();
  if (close() || side() > largest) draw();
  largest = Math.max(largest, side());
}

export function startView() {
  on("place look compare size", () => draw());
  on("place overlay compare", () => lay());
  on("size", () => {
    map = null; // what lies over the picture must never be that of another place
    paintMap();
    layAgain();
  });
  on("decision", (detail) => {
    live = detail.live;
    draw();
    rest();
  });
  new ResizeObserver(onResize).observe(stage);
}
