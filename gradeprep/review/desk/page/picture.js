// Pictures made by the server, for browsers without WebGL2: the same arithmetic, one image a
// decision.

import { get, told } from "/page/api.js";
import { shotNamed } from "/page/state.js";

export const picturePainter = () => new PicturePainter();

class PicturePainter {
  kind = "picture";
  lost = false;

  /** Draws one frame into a 2D canvas; resolves to the plate's size in pixels. */
  async paint(target, { shot, frame, side, decision, look, quick }) {
    const asked = { shot, frame, side: quick ? Math.ceil(side / 2) : side, ...look, ...told(decision) };
    const image = await createImageBitmap(await (await get("/api/picture", asked)).blob());
    Object.assign(target, { width: image.width, height: image.height });
    target.getContext("2d").drawImage(image, 0, 0);
    image.close();
    const [width, height] = shotNamed(shot).size;
    return { width, height };
  }

  /** Nothing is kept here. */
  forget() {}
}
