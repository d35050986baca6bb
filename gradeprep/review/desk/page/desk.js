// Brings the parts together.

import { getJson } from "/page/api.js";
import { complain } from "/page/announce.js";
import { startCloseUp } from "/page/closeup.js";
import { startDecision } from "/page/decision.js";
import { startKeys } from "/page/keys.js";
import { startRegion } from "/page/region.js";
import { startRuler } from "/page/ruler.js";
import { startRun } from "/page/run.js";
import { startSave } from "/page/save.js";
import { startShots } from "/page/shots.js";
import { changed, current, desk, goTo, on, stepFrame, take } from "/page/state.js";
import { show, watch } from "/page/typed.js";
import { startView, wipeTo } from "/page/view.js";

export { capture, painterKind } from "/page/view.js";

const part = (id) => document.getElementById(id);

function fill(select, values, chosen) {
  select.replaceChildren(...values.map((value) => new Option(value)));
  select.value = chosen;
}

function onRecipe() {
  const { recipe, config, working, looks, show_look: showLook } = desk.recipe;
  part("recipe-name").textContent = recipe;
  part("recipe-colour").textContent = [working, config, showLook].filter(Boolean).join(", ");
  part("recipe-name").title = part("recipe-colour").textContent;
  fill(part("display"), looks.map((look) => look.display), desk.look.display);
  fillViews();
}

function fillViews() {
  const views = desk.recipe.looks.find((look) => look.display === desk.look.display)?.views ?? [];
  if (!views.includes(desk.look.view)) desk.look.view = views[0];
  fill(part("view"), views, desk.look.view);
}

function startLook() {
  part("display").addEventListener("change", (event) => {
    desk.look.display = event.target.value;
    fillViews();
    changed("look");
  });
  part("view").addEventListener("change", (event) => {
    desk.look.view = event.target.value;
    changed("look");
  });
  part("theme").addEventListener("change", (event) => {
    document.documentElement.dataset.theme = event.target.value;
  });
}

function onPlace() {
  const { numbers, frames } = current();
  document.title = `${desk.shot} ${desk.frame}, ${desk.recipe.recipe}, desk`;
  show(part("frame"), desk.frame);
  Object.assign(part("frame-range"), { max: Math.max(0, numbers.length - 1), value: numbers.indexOf(desk.frame) });
  part("frame-range").setAttribute("aria-valuetext", `${desk.frame} of ${frames}`);
  part("frame-back").disabled = desk.frame === numbers[0];
  part("frame-on").disabled = desk.frame === numbers.at(-1);
  fillCompared();
}

function fillCompared() {
  const select = part("compare-with");
  const others = desk.recipe.shots.filter((shot) => shot.name !== desk.shot);
  select.replaceChildren(new Option("the plate as shot", ""), ...others.map((shot) => new Option(shot.name)));
  if (!others.some((shot) => shot.name === desk.compare.with)) desk.compare.with = current().reference ?? "";
  select.value = desk.compare.with;
}

function startFrames() {
  watch(part("frame"));
  part("frame-back").addEventListener("click", () => stepFrame(-1));
  part("frame-on").addEventListener("click", () => stepFrame(1));
  part("frame").addEventListener("change", () => goTo(desk.shot, part("frame").valueAsNumber || undefined));
  part("frame-range").addEventListener("input", () => goTo(desk.shot, current().numbers[Number(part("frame-range").value)]));
}

function startCompare() {
  part("compare").addEventListener("change", (event) => {
    desk.compare.how = event.target.value;
    part("compare-more").hidden = desk.compare.how === "alone";
    part("wipe-more").hidden = desk.compare.how !== "wipe";
    changed("compare");
  });
  part("compare-with").addEventListener("change", (event) => {
    desk.compare.with = event.target.value;
    changed("compare");
  });
  part("wipe").addEventListener("input", wipeTo);
  part("overlay").addEventListener("change", (event) => {
    desk.overlay = event.target.value;
    changed("overlay");
  });
}

async function start() {
  [startView, startRuler, startDecision, startShots, startRegion, startSave, startRun, startKeys].forEach((part) => part());
  [startLook, startFrames, startCompare, startCloseUp].forEach((part) => part());
  on("recipe", onRecipe);
  on("place", onPlace);
  try {
    take(await getJson("/api/recipe"));
  } catch (error) {
    complain(error.message);
  }
}

start();
