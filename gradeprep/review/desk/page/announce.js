// One place for words that appear: the visible line under the picture, and the quiet region that
// screen readers speak.

const status = document.getElementById("status");
const said = document.getElementById("said");

/** Shows a line and has it spoken. */
export function say(line) {
  status.textContent = line;
  status.classList.remove("bad");
}

/** The same for what went wrong. */
export function complain(line) {
  status.textContent = line;
  status.classList.add("bad");
}

/** Has a line spoken that the page shows already in another way. */
export function speak(line) {
  said.textContent = line;
}
