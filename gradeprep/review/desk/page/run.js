// Running a shot, and how far it is.

import { post } from "/page/api.js";
import { complain, speak, say } from "/page/announce.js";
import { ran } from "/page/shots.js";
import { desk, on } from "/page/state.js";

const part = (id) => document.getElementById(id);
const WORDS = { done: "done", failed: "failed", stopped: "stopped" };
let running = false;

async function start() {
  if (desk.edits.has(desk.shot)) {
    complain("Save first: a run does what the recipe says, not what this page shows.");
    return;
  }
  try {
    await post("/api/run", { shot: desk.shot });
  } catch (error) {
    complain(error.message);
  }
}

async function stop() {
  try {
    await post("/api/stop", {});
  } catch (error) {
    complain(error.message);
  }
}

function show({ shot, done, total, error, state, line }) {
  if (state === "idle" || !shot) return;
  const was = running;
  running = state === "running";
  part("run").disabled = running;
  part("stop").hidden = !running;
  part("progress-part").hidden = false;
  part("progress-label").textContent = total ? `${shot}: ${done} of ${total} frames` : `${shot}: deciding`;
  part("progress").max = total || 1;
  if (total || !running) part("progress").value = done;
  else part("progress").removeAttribute("value"); // nobody knows yet how far it is
  part("run-line").textContent = error || line || "";
  part("run-line").classList.toggle("bad", Boolean(error));
  ran(shot, running ? (total ? `${done} of ${total}` : "deciding") : WORDS[state]);
  if (was && !running) finished(shot, state, error);
  else if (!was && running) speak(`Running ${shot}.`);
}

function finished(shot, state, error) {
  if (state === "done") say(`${shot} is done.`);
  else complain(error || `${shot} ${WORDS[state]}.`);
}

export function startRun() {
  part("run").addEventListener("click", start);
  part("stop").addEventListener("click", stop);
  on("place", () => (part("report").href = `/api/report?${new URLSearchParams({ shot: desk.shot })}`));
  const events = new EventSource("/api/progress");
  events.addEventListener("message", (event) => show(JSON.parse(event.data)));
}
