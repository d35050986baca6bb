// What the page asks of its server. Every failure becomes an Error whose message is one line that
// can be shown as it is.

const query = (values) => {
  const given = Object.entries(values).filter(([, value]) => value !== undefined && value !== null);
  return given.length ? `?${new URLSearchParams(given)}` : "";
};

async function lineOf(response) {
  const text = await response.text();
  try {
    return JSON.parse(text).error || text;
  } catch {
    return text.trim() || `the desk answered ${response.status}`;
  }
}

async function ask(path, options) {
  let response;
  try {
    response = await fetch(path, options);
  } catch {
    throw new Error("the desk does not answer; is gradeprep desk still running?");
  }
  if (!response.ok) {
    const error = new Error(await lineOf(response));
    error.status = response.status;
    throw error;
  }
  return response;
}

export const get = (path, values = {}) => ask(path + query(values));

export const getJson = async (path, values) => (await get(path, values)).json();

export const post = async (path, body) => {
  const headers = { "Content-Type": "application/json" };
  return (await ask(path, { method: "POST", headers, body: JSON.stringify(body) })).json();
};

/** What is seen of a frame, as the headers of a picture state it. */
export function sizesOf(response) {
  const number = (name) => Number(response.headers.get(`X-${name}`));
  return {
    x: number("Left"),
    y: number("Top"),
    width: number("Width"),
    height: number("Height"),
    plate: { width: number("Plate-Width"), height: number("Plate-Height") },
    aspect: number("Pixel-Aspect"),
  };
}

/** A decision as the server's picture, overlay and tones take it. */
export const asParams = ({ pull, lift, balance }) => ({
  pull,
  lift: lift ? `${lift.stops},${lift.below},${lift.softness}` : undefined,
  balance: balance ? balance.join(",") : undefined,
});
