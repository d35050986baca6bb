// Saving into the recipe, taking a save back, and what happens when somebody else changed it.

import { getJson, post } from "/page/api.js";
import { complain, say } from "/page/announce.js";
import { desk, discard, meterOf, on, take } from "/page/state.js";
import { drawAnew } from "/page/view.js";

const part = (id) => document.getElementById(id);
const [SOON_MS, WATCH_MS] = [700, 5000];
let busy = false;

export async function save() {
  if (busy || !desk.edits.size) return;
  const count = desk.edits.size;
  await sending(async () => {
    const shots = Object.fromEntries(desk.edits);
    take(await post("/api/save", { revision: desk.recipe.revision, shots }), { saved: true });
    say(`Saved ${count === 1 ? "one shot" : `${count} shots`} into ${desk.recipe.recipe}.`);
  });
}

export const undo = () =>
  sending(async () => {
    take(await post("/api/undo", { revision: desk.recipe.revision }));
    say(`Took the last save out of ${desk.recipe.recipe} again.`);
  });

export const reload = () =>
  sending(async () => {
    part("conflict").close();
    const now = await getJson("/api/recipe"); // another page of this desk may have saved, no more
    take(now.changed ? await post("/api/reload", {}) : now);
    drawAnew();
    say(`Read ${desk.recipe.recipe} again.`);
  });

/** One request at a time; a conflict opens its dialog, other faults are shown. */
async function sending(work) {
  busy = true;
  buttons();
  try {
    await work();
  } catch (error) {
    if (error.status === 409) showConflict(error.message);
    else complain(error.message);
  }
  busy = false;
  buttons();
}

function showConflict(line) {
  part("conflict-text").textContent = line;
  if (!part("conflict").open) part("conflict").showModal();
  complain(line);
}

function buttons() {
  const count = desk.edits.size;
  part("save").disabled = busy || !count;
  part("save").textContent = count > 1 ? `Save ${count} shots` : "Save";
  part("discard").disabled = busy || !desk.edits.has(desk.shot);
  part("undo").disabled = busy || !desk.recipe?.undo;
}

/** Looks whether the recipe is still the one that is shown here, and what meters said meanwhile. */
export async function watch() {
  try {
    const now = await getJson("/api/recipe");
    if (busy) return;
    const other = now.revision !== desk.recipe.revision;
    warn(now.changed ? "was changed on disk" : other ? "was saved on another page" : "");
    if (!other && JSON.stringify(now.shots) !== desk.recorded) take(now);
  } catch (error) {
    complain(error.message);
  }
}

/** Often while a meter still reads, now and then otherwise. */
async function watchOn() {
  const waiting = desk.recorded && JSON.parse(desk.recorded).some((shot) => meterOf(shot) && !shot.stages.pull.resolved && !shot.error);
  await new Promise((done) => setTimeout(done, waiting ? SOON_MS : WATCH_MS));
  if (!busy && !document.hidden && desk.recipe) await watch();
  watchOn();
}

function warn(what) {
  const line = `${desk.recipe.recipe} ${what} since it was read here. Nothing here is lost, and nothing is written over it.`;
  part("warning").hidden = !what;
  if (what && part("warning-text").textContent !== line) part("warning-text").textContent = line;
}

export function startSave() {
  part("save").addEventListener("click", save);
  part("undo").addEventListener("click", undo);
  part("discard").addEventListener("click", () => discard());
  for (const id of ["warning-reload", "conflict-reload"]) {
    part(id).addEventListener("click", () => reload().then(watch));
  }
  part("conflict-close").addEventListener("click", () => part("conflict").close());
  on("recipe decision place", buttons);
  watchOn();
  addEventListener("focus", () => !busy && desk.recipe && watch());
  addEventListener("beforeunload", (event) => desk.edits.size && event.preventDefault());
}
