"use strict";
// The wipe: one slider and one choice a shot. Without this script, and on paper, the same pictures
// stand side by side.
for (const figure of document.querySelectorAll("[data-wipe]")) {
  const controls = figure.querySelector(".controls");
  const stage = figure.querySelector(".stage");
  if (!controls) continue;
  const slider = controls.querySelector("input[type=range]");
  const choices = [...controls.querySelectorAll("input[type=radio]")];

  const picture = stage.querySelector("img");
  figure.style.setProperty("--ratio", picture.getAttribute("width") / picture.getAttribute("height"));

  const show = () => {
    const chosen = choices.find((choice) => choice.checked).value;
    stage.style.setProperty("--at", `${slider.value}%`);
    stage.dataset.left = Number(slider.value) > 12;
    stage.dataset.right = Number(slider.value) < 88;
    for (const pane of stage.children) {
      pane.classList.toggle("right", pane.dataset.name === chosen);
    }
    const name = choices.find((choice) => choice.checked).parentElement.textContent.trim();
    slider.setAttribute("aria-valuetext", `${slider.value} % as recorded, the rest: ${name}`);
  };
  const follow = (event) => {
    const box = stage.getBoundingClientRect();
    slider.value = Math.round((100 * (event.clientX - box.left)) / box.width);
    show();
  };

  choices[0].checked = true;
  slider.addEventListener("input", show);
  for (const choice of choices) choice.addEventListener("change", show);
  stage.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    event.preventDefault();
    stage.setPointerCapture(event.pointerId);
    slider.focus({ preventScroll: true });
    follow(event);
  });
  stage.addEventListener("pointermove", (event) => {
    if (stage.hasPointerCapture(event.pointerId)) follow(event);
  });
  controls.hidden = false;
  figure.classList.add("live");
  show();
}

// Paper has no hinges: what is folded away on the screen is printed open.
const opened = [];
addEventListener("beforeprint", () => {
  for (const one of document.querySelectorAll("details:not([open])")) {
    one.open = true;
    opened.push(one);
  }
});
addEventListener("afterprint", () => {
  for (const one of opened.splice(0)) one.open = false;
});
