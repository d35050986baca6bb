// What is laid over the picture: clipped areas as a hatching, noise in the shadows on the cividis
// scale (Nunez, Anderton and Renslow 2018), each with a scale in stops.

import { get, asParams } from "/page/api.js";
import { signed } from "/page/stops.js";

const CIVIDIS = [
  [0, 34, 78], [26, 56, 111], [67, 78, 108], [97, 101, 111], [125, 124, 120],
  [155, 148, 118], [188, 174, 108], [222, 201, 88], [254, 232, 56],
];
const [LOW, HIGH] = [-1, 7]; // stops of signal over noise that 0..255 mean
const CLEAN = Math.log2(40); // from 40:1 up a picture counts as clean (ISO 12232)
const PERIOD = 8;

export function cividis(share) {
  const place = Math.min(1, Math.max(0, share)) * (CIVIDIS.length - 1);
  const left = Math.min(CIVIDIS.length - 2, Math.floor(place));
  const mix = (i) => Math.round(CIVIDIS[left][i] + (CIVIDIS[left + 1][i] - CIVIDIS[left][i]) * (place - left));
  return [mix(0), mix(1), mix(2)];
}

/** The map of one frame: `{width, height, values, note}`, one byte a pixel. */
export async function overlayMap({ shot, frame, area, kind, decision }) {
  const { pull, lift } = asParams(decision);
  const response = await get("/api/overlay", { shot, frame, ...area, kind, pull, lift });
  const options = { colorSpaceConversion: "none", premultiplyAlpha: "none" };
  const image = await createImageBitmap(await response.blob(), options);
  const flat = new OffscreenCanvas(image.width, image.height).getContext("2d");
  flat.drawImage(image, 0, 0);
  const { width, height, data } = flat.getImageData(0, 0, image.width, image.height);
  const values = new Uint8Array(width * height);
  for (let i = 0; i < values.length; i += 1) values[i] = data[4 * i];
  return { kind, width, height, values, note: response.headers.get("X-Note") ?? "" };
}

/** Light and dark stripes to the right for one clipped channel, closer for two, crossed for all. */
export function hatched(channels, x, y) {
  const right = (x + y) % PERIOD;
  if (channels === 1) return right < 2 ? 255 : right < 4 ? 0 : -1;
  if (channels === 2) return right % 4 < 2 ? 255 : 0;
  const left = (x - y + 65536 * PERIOD) % PERIOD;
  return right < 2 || left < 2 ? 255 : 0;
}

const noiseColour = (value) => cividis((LOW + (value / 255) * (HIGH - LOW) - LOW) / (CLEAN - LOW));

/** Paints a map over a canvas of the size at which the picture is shown. */
export function paintOverlay(canvas, map, width, height) {
  Object.assign(canvas, { width, height });
  const flat = canvas.getContext("2d");
  const image = flat.createImageData(width, height);
  const paint = map.kind === "clip" ? paintClip : paintNoise;
  for (let y = 0; y < height; y += 1) {
    const row = Math.floor(((y + 0.5) * map.height) / height) * map.width;
    for (let x = 0; x < width; x += 1) {
      const value = map.values[row + Math.floor(((x + 0.5) * map.width) / width)];
      paint(image.data, 4 * (y * width + x), value, x, y);
    }
  }
  flat.putImageData(image, 0, 0);
}

function paintClip(data, at, channels, x, y) {
  const level = channels ? hatched(Math.min(3, channels), x, y) : -1;
  if (level < 0) return;
  data.fill(level, at, at + 3);
  data[at + 3] = 255;
}

const NOISE = Array.from({ length: 256 }, (_, value) => noiseColour(value));

function paintNoise(data, at, value) {
  if (LOW + (value / 255) * (HIGH - LOW) >= CLEAN) return;
  [data[at], data[at + 1], data[at + 2]] = NOISE[value];
  data[at + 3] = 255;
}

const make = (tag, text = "", name = "") => Object.assign(document.createElement(tag), { textContent: text, className: name });

/** What the overlay means, as nodes for the line under the picture. */
export function legendOf(map) {
  return map.kind === "clip" ? clipLegend() : noiseLegend();
}

function clipLegend() {
  return [1, 2, 3].flatMap((channels) => {
    const canvas = Object.assign(document.createElement("canvas"), { className: "swatch" });
    const values = new Uint8Array([channels]);
    paintOverlay(canvas, { kind: "clip", width: 1, height: 1, values }, 32, 16);
    canvas.setAttribute("aria-hidden", "true");
    return [canvas, make("span", ["one channel clipped", "two", "three"][channels - 1])];
  });
}

function noiseLegend() {
  const canvas = Object.assign(document.createElement("canvas"), { className: "scale", width: 120, height: 14 });
  const flat = canvas.getContext("2d");
  for (let x = 0; x < canvas.width; x += 1) {
    flat.fillStyle = `rgb(${cividis(x / (canvas.width - 1)).join()})`;
    flat.fillRect(x, 0, 1, canvas.height);
  }
  canvas.setAttribute("role", "img");
  canvas.setAttribute("aria-label", "Colour scale of signal over noise, dark blue for noisy to yellow for clean");
  const words = `${signed(CLEAN, 1)} stops of signal over noise (40:1)`;
  return [make("span", signed(LOW, 0)), canvas, make("span", words)];
}
