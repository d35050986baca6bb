// The picture: one painter, up to two canvases, what is laid over them, and how they share the room.

import { complain, tell } from "/page/announce.js";
import { latest, settled } from "/page/frame.js";
import { lightPainter } from "/page/light.js";
import { legendOf, overlayMap, paintOverlay } from "/page/overlay.js";
import { picturePainter } from "/page/picture.js";
import { current, decision, desk, on, shotNamed, untouched } from "/page/state.js";
import { signed } from "/page/stops.js";

const part = (id) => document.getElementById(id);
const stage = part("stage");
const sheets = [part("sheet-shot"), part("sheet-other")];
const SIDES = [640, 960, 1280, 1920, 2560];
const GAP = 12;

let painter = lightPainter() ?? picturePainter();
let plate = { width: 16, height: 9 };
let map = null;
let live = false;
let largest = 0;

export const painterKind = () => painter.kind;
export const plateSize = () => plate;

/** The picture of the shot as it stands on the page, as PNG; drawn anew so that it is whole. */
export async function capture() {
  live = false;
  await draw();
  return part("canvas-shot").toDataURL("image/png");
}

/** Longest side to ask for: no more than the room shows, in a few sizes so that they are kept. */
function side() {
  const share = desk.compare.how === "beside" ? 0.5 : 1;
  const shown = Math.max(stage.clientWidth * share, stage.clientHeight) * devicePixelRatio;
  return SIDES.find((size) => size >= shown) ?? SIDES.at(-1);
}

/** What the picture is compared with: another shot at its own decision, or the plate as it came. */
function other() {
  const shot = shotNamed(desk.compare.with);
  if (!shot) return { shot: desk.shot, frame: desk.frame, decision: untouched(), name: "the plate as it came" };
  const index = current().numbers.indexOf(desk.frame);
  const frame = shot.numbers[Math.min(shot.numbers.length - 1, Math.max(0, index))];
  return { shot: shot.name, frame, decision: decision(shot.name, frame), name: `${shot.name} ${frame}` };
}

async function paint(canvas, what) {
  const asked = { ...what, side: side(), look: desk.look, quick: live };
  try {
    return await painter.paint(canvas, asked);
  } catch (error) {
    if (!painter.lost && !/shader does not/.test(error.message)) throw error;
    painter = picturePainter(); // a context that is lost, or a view that this driver cannot do
    tell("The browser cannot draw this itself; the server makes the pictures now.");
    return painter.paint(canvas, asked);
  }
}

async function drawAll() {
  const shown = { shot: desk.shot, frame: desk.frame, decision: decision() };
  stage.setAttribute("aria-busy", "true");
  try {
    plate = await paint(part("canvas-shot"), shown);
    if (desk.compare.how !== "alone") {
      await paint(part(desk.compare.how === "wipe" ? "canvas-wipe" : "canvas-other"), other());
    }
    part("no-picture").hidden = true;
    stage.dataset.shows = [shown.shot, shown.frame, shown.decision.pull, desk.look.view].join(" ");
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
    const asked = { shot: desk.shot, frame: desk.frame, side: side(), kind, decision: decision() };
    map = kind === "none" ? null : await overlayMap(asked);
  } catch (error) {
    map = null;
    complain(error.message);
  }
  canvas.dataset.shows = map ? `${kind} ${desk.shot} ${desk.frame}` : "";
  part("legend").replaceChildren(...(map ? legendOf(map) : []));
  part("legend").hidden = map === null;
  if (map?.note) tell(map.note);
  arrange();
}

const lay = latest(layOver);

/** Gives each sheet the largest size of its picture's shape that the room holds. */
function arrange() {
  const missing = !part("no-picture").hidden;
  const beside = desk.compare.how === "beside";
  const wipe = desk.compare.how === "wipe";
  sheets[0].hidden = missing;
  sheets[1].hidden = missing || !beside;
  part("under-wipe").hidden = !wipe;
  part("wipe-line").hidden = !wipe;
  const room = { width: stage.clientWidth, height: stage.clientHeight };
  if (beside) room.width = (room.width - GAP) / 2;
  fit(sheets[0], part("canvas-shot"), room);
  fit(sheets[1], part("canvas-other"), room);
  wipeTo();
  captions();
  paintMap();
}

function fit(sheet, { width, height }, room) {
  const scale = Math.min(room.width / width, room.height / height);
  sheet.style.width = `${Math.floor(width * scale)}px`;
  sheet.style.height = `${Math.floor(height * scale)}px`;
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
  const told = known ? `${signed(pull)} stops` : "not read yet";
  part("canvas-shot").setAttribute("aria-label", `${desk.shot}, frame ${desk.frame}, ${told}`);
  part("caption-shot").textContent = desk.compare.how === "beside" ? `${desk.shot} ${desk.frame}` : "";
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

/** Frames may have changed on disk: ask for them anew. */
export function drawAnew() {
  painter.forget();
  draw();
}

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
  if (side() > largest) draw();
  largest = Math.max(largest, side());
}

export function startView() {
  on("place look compare", () => draw());
  on("place overlay compare", () => lay());
  on("decision", (detail) => {
    live = detail.live;
    draw();
    rest();
  });
  new ResizeObserver(onResize).observe(stage);
}
