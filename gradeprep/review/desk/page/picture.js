// Pictures made by the server, for browsers without WebGL2: the same arithmetic, one image a
// decision.

import { get, sizesOf, asParams } from "/page/api.js";

export const picturePainter = () => new PicturePainter();

class PicturePainter {
  kind = "picture";
  lost = false;

  /** Draws one frame into a 2D canvas; resolves to what is seen of the frame. */
  async paint(target, { shot, frame, area, decision, look, quick }) {
    const asked = { shot, frame, ...area, ...look, ...asParams(decision) };
    if (quick && area.side) asked.side = Math.ceil(area.side / 2);
    const response = await get("/api/picture", asked);
    const image = await createImageBitmap(await response.blob());
    Object.assign(target, { width: image.width, height: image.height });
    target.getContext("2d").drawImage(image, 0, 0);
    image.close();
    return sizesOf(response);
  }

  /** Nothing is kept here. */
  forget() {}
}
