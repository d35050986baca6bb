// Arithmetic of stops. The lift is the one of gradeprep/stages/lift.py: a gain in stops as a
// function of tone, full from `below - softness` down, none above `below`.

export const GREY = 0.18;
export const LIMIT = 40;

const STEEPEST = 1.875;
const LEAST_SLOPE = 1 / 16;

/** Least softness that keeps the lift's curve from flattening the shadows it opens. */
export const leastSoftness = (stops) =>
  Math.max(0.01, Math.ceil((STEEPEST * stops * 1000) / (1 - LEAST_SLOPE)) / 1000);

/** A lift by other stops; the softness grows where the curve would flatten the shadows. */
export const raised = (lift, stops) => ({ ...lift, stops, softness: Math.max(lift.softness, leastSoftness(stops)) });

/** Quintic smootherstep, clamped to 0..1 (Perlin 2002). */
export function smootherstep(x) {
  const t = Math.min(1, Math.max(0, x));
  return t * t * t * (t * (t * 6 - 15) + 10);
}

/** Gain in stops that a lift gives a tone; both on the scale of the normalized picture. */
export const liftAt = (lift, tone) =>
  lift ? lift.stops * smootherstep((lift.below - tone) / lift.softness) : 0;

/** Stops of a frame from keys [[frame, stops], ...]: straight between two, level outside. */
export function between(keys, frame) {
  if (frame <= keys[0][0]) return keys[0][1];
  for (let i = 1; i < keys.length; i += 1) {
    const [[from, start], [to, end]] = [keys[i - 1], keys[i]];
    if (frame <= to) return start + ((end - start) * (frame - from)) / (to - from);
  }
  return keys.at(-1)[1];
}

/** No more digits than a decision means. */
export const rounded = (value, step = 0.0001) => Number((Math.round(value / step) * step).toFixed(6));

export const clamped = (value, low, high) => Math.min(high, Math.max(low, value));

/** "+1.25", "−3.00", "0.00": with a true minus, as a person reads it. */
export function signed(value, digits = 2) {
  const text = Math.abs(value).toFixed(digits);
  if (Number(text) === 0) return text;
  return (value < 0 ? "\u2212" : "+") + text;
}

/** Where the tones of a histogram stand after a lift and a pull; bins as in `/api/tones`. */
export function moved({ low, step, before }, { pull, lift }) {
  const after = new Array(before.length).fill(0);
  before.forEach((share, i) => {
    const tone = low + step * (i + 0.5) + pull;
    const place = (tone + liftAt(lift, tone) - low) / step - 0.5;
    const left = Math.floor(place);
    const part = place - left;
    if (left >= 0 && left < after.length) after[left] += share * (1 - part);
    if (left + 1 >= 0 && left + 1 < after.length) after[left + 1] += share * part;
  });
  return after;
}
