// Pictures made in the browser: scene-linear half floats go up once a frame, and every decision is
// a redraw. The result is copied to a plain canvas, so that all parts of the page see one kind.

import { get, getJson, sizesOf } from "/page/api.js";
import { program } from "/page/shader.js";
import { desk } from "/page/state.js";

const KEPT = 6; // plates' frames that stay on the graphics card
const SMOOTH_MS = 50; // what one redraw may take while a mark is dragged

/** A painter, or null where the browser has no WebGL2. */
export function lightPainter() {
  const canvas = document.createElement("canvas");
  const gl = canvas.getContext("webgl2", { alpha: false, antialias: false, depth: false });
  return gl ? new LightPainter(canvas, gl) : null;
}

class LightPainter {
  kind = "light";
  lost = false;

  constructor(canvas, gl) {
    this.canvas = canvas;
    this.gl = gl;
    this.views = new Map();
    this.frames = new Map();
    this.cost = 0; // ms for a megapixel, of the last redraw
    this.smooth = gl.getExtension("OES_texture_float_linear") !== null;
    canvas.addEventListener("webglcontextlost", () => (this.lost = true));
  }

  /** Draws one frame into a 2D canvas; resolves to what is seen of the frame. */
  async paint(target, { shot, frame, area, decision, look, quick }) {
    const [view, light] = await this.both(look, { shot, frame, ...area });
    const scale = quick ? this.affordable(light.width * light.height) : 1;
    const width = Math.max(1, Math.round(light.width * scale));
    const height = Math.max(1, Math.round(light.height * scale));
    const began = performance.now();
    this.draw(view, light, decision, width, height);
    Object.assign(target, { width: light.width, height: light.height });
    const flat = target.getContext("2d");
    flat.drawImage(this.canvas, 0, 0, width, height, 0, 0, light.width, light.height);
    this.cost = ((performance.now() - began) * 1e6) / (width * height);
    if (this.lost) throw new Error("the graphics card lost the picture");
    return light.seen;
  }

  /** View and frame; asked for again where the frame was dropped while the view was made. */
  async both(look, asked) {
    for (;;) {
      const [view, light] = await Promise.all([this.view(look), this.light(asked)]);
      if (!light.dropped) return [view, light];
    }
  }

  /** Share of the size at which a redraw keeps up with the hand. */
  affordable(pixels) {
    const ms = (this.cost * pixels) / 1e6;
    return ms > SMOOTH_MS ? Math.max(0.2, Math.sqrt(SMOOTH_MS / ms)) : 1;
  }

  draw(view, light, decision, width, height) {
    const { gl, canvas } = this;
    if (canvas.width !== width || canvas.height !== height) Object.assign(canvas, { width, height });
    gl.viewport(0, 0, width, height);
    gl.useProgram(view.program);
    bind(gl, 0, gl.TEXTURE_2D, light.texture);
    view.tables.forEach(({ target, texture }, i) => bind(gl, i + 1, target, texture));
    const at = view.uniforms;
    const lift = decision.lift ?? { stops: 0, below: 0, softness: 1 };
    gl.uniform2f(at.desk_size, width, height);
    gl.uniform3fv(at.desk_weights, desk.recipe.luminance);
    gl.uniform3fv(at.desk_balance, (decision.balance ?? [0, 0, 0]).map((stops) => 2 ** stops));
    gl.uniform3f(at.desk_lift, lift.stops, lift.below, lift.softness);
    gl.uniform1f(at.desk_pull, decision.pull);
    gl.uniform1i(at.desk_balance_first, decision.balanceFirst ? 1 : 0);
    gl.drawArrays(gl.TRIANGLES, 0, 3);
  }

  /** Program and tables of a view; made once. */
  view(look) {
    return once(this.views, `${look.display}\n${look.view}`, 12, () => this.makeView(look));
  }

  async makeView(look) {
    const { gl } = this;
    const shader = await getJson("/api/shader", look);
    const made = program(gl, shader);
    const tables = await Promise.all(shader.textures.map((table) => this.table(look, table)));
    gl.useProgram(made);
    gl.uniform1i(gl.getUniformLocation(made, "desk_light"), 0);
    shader.textures.forEach(({ sampler }, i) => gl.uniform1i(gl.getUniformLocation(made, sampler), i + 1));
    const names = ["size", "weights", "balance", "lift", "pull", "balance_first"];
    const uniforms = names.map((name) => [`desk_${name}`, gl.getUniformLocation(made, `desk_${name}`)]);
    return { program: made, tables, uniforms: Object.fromEntries(uniforms) };
  }

  async table(look, { id, kind, width, height, depth, channels, linear }) {
    const { gl } = this;
    const values = new Float32Array(await (await get("/api/shader/texture", { ...look, id })).arrayBuffer());
    const target = kind === "3d" ? gl.TEXTURE_3D : gl.TEXTURE_2D;
    const full = !linear || this.smooth; // float32 tables interpolate only with the extension
    const inner = channels === 1 ? (full ? gl.R32F : gl.R16F) : full ? gl.RGB32F : gl.RGB16F;
    const outer = channels === 1 ? gl.RED : gl.RGB;
    const texture = newTexture(gl, target, linear ? gl.LINEAR : gl.NEAREST);
    if (kind === "3d") gl.texImage3D(target, 0, inner, width, height, depth, 0, outer, gl.FLOAT, values);
    else gl.texImage2D(target, 0, inner, width, height, 0, outer, gl.FLOAT, values);
    return { target, texture };
  }

  /** A frame of a shot on the graphics card; fetched once while it is among the last few. */
  light(asked) {
    return once(this.frames, JSON.stringify(asked), KEPT, () => this.fetch(asked), (old) => this.drop(old));
  }

  async fetch(asked) {
    const { gl } = this;
    const response = await get("/api/light", asked);
    const seen = sizesOf(response);
    const { width, height } = seen;
    const halves = new Uint16Array(await response.arrayBuffer());
    const texture = newTexture(gl, gl.TEXTURE_2D, gl.NEAREST);
    gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGBA16F, width, height, 0, gl.RGBA, gl.HALF_FLOAT, halves);
    return { texture, width, height, seen };
  }

  drop(light) {
    light.dropped = true;
    this.gl.deleteTexture(light.texture);
  }

  /** Plates may have changed on disk. */
  forget() {
    for (const made of this.frames.values()) made.then((old) => this.drop(old), () => {});
    this.frames.clear();
  }
}

/** The promise kept under a key, or a new one; failures are not kept, nor more than `most`. */
function once(kept, key, most, make, drop = () => {}) {
  const found = kept.get(key) ?? make();
  kept.delete(key);
  kept.set(key, found);
  found.catch(() => kept.get(key) === found && kept.delete(key));
  if (kept.size > most) {
    const [oldest, old] = kept.entries().next().value;
    kept.delete(oldest);
    old.then(drop, () => {});
  }
  return found;
}

function newTexture(gl, target, filter) {
  const texture = gl.createTexture();
  gl.bindTexture(target, texture);
  for (const which of [gl.TEXTURE_MIN_FILTER, gl.TEXTURE_MAG_FILTER]) gl.texParameteri(target, which, filter);
  for (const axis of [gl.TEXTURE_WRAP_S, gl.TEXTURE_WRAP_T, gl.TEXTURE_WRAP_R]) {
    gl.texParameteri(target, axis, gl.CLAMP_TO_EDGE);
  }
  gl.pixelStorei(gl.UNPACK_ALIGNMENT, 1);
  return texture;
}

function bind(gl, unit, target, texture) {
  gl.activeTexture(gl.TEXTURE0 + unit);
  gl.bindTexture(target, texture);
}
