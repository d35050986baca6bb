// The fragment shader: lift, balance and pull in scene-linear light, then the view as OpenColorIO
// wrote it. The lift is the formula of gradeprep/stages/lift.py, word for word.

const VERTEX = `#version 300 es
void main() {
  vec2 corner = vec2((gl_VertexID << 1) & 2, gl_VertexID & 2);
  gl_Position = vec4(corner * 2.0 - 1.0, 0.0, 1.0);
}`;

const HEAD = `#version 300 es
precision highp float;
precision highp int;
precision highp sampler2D;
precision highp sampler3D;
uniform sampler2D desk_light;
uniform vec2 desk_size;
uniform vec3 desk_weights;
uniform vec3 desk_balance;
uniform vec3 desk_lift;
uniform float desk_pull;
uniform bool desk_balance_first;
out vec4 desk_out;

// GLSL leaves atan(0, 0) undefined; exactly black pixels ask for it.
float desk_atan(float y, float x) { return x == 0.0 && y == 0.0 ? 0.0 : atan(y, x); }
float desk_atan(float x) { return atan(x); }
`;

const MAIN = `
float desk_smootherstep(float x) {
  float t = clamp(x, 0.0, 1.0);
  return t * t * t * (t * (t * 6.0 - 15.0) + 10.0);
}

float desk_lift_stops(vec3 rgb) {
  float luminance = dot(rgb, desk_weights);
  if (luminance <= 0.0) return desk_lift.x;
  float tone = log2(luminance / 0.18) + desk_pull;
  return desk_lift.x * desk_smootherstep((desk_lift.y - tone) / desk_lift.z);
}

void main() {
  ivec2 size = textureSize(desk_light, 0);
  vec2 place = gl_FragCoord.xy / desk_size;
  ivec2 texel = ivec2(vec2(place.x, 1.0 - place.y) * vec2(size));
  vec3 rgb = texelFetch(desk_light, min(texel, size - 1), 0).rgb;
  if (desk_balance_first) rgb *= desk_balance;
  if (desk_lift.x != 0.0) rgb *= exp2(desk_lift_stops(rgb));
  if (!desk_balance_first) rgb *= desk_balance;
  rgb *= exp2(desk_pull);
  vec3 shown = DESK_VIEW(vec4(rgb, 1.0)).rgb;
  desk_out = vec4(mix(shown, vec3(0.0), isnan(shown)), 1.0);
}`;

function compiled(gl, kind, text) {
  const shader = gl.createShader(kind);
  gl.shaderSource(shader, text);
  gl.compileShader(shader);
  if (gl.getShaderParameter(shader, gl.COMPILE_STATUS)) return shader;
  throw new Error(`this view's shader does not compile here: ${gl.getShaderInfoLog(shader)}`);
}

/** Links the program of one view; `view` is what `/api/shader` answers. */
export function program(gl, view) {
  const text = view.glsl.replace(/\batan\s*\(/g, "desk_atan(");
  const main = MAIN.replace("DESK_VIEW", view.function);
  const made = gl.createProgram();
  gl.attachShader(made, compiled(gl, gl.VERTEX_SHADER, VERTEX));
  gl.attachShader(made, compiled(gl, gl.FRAGMENT_SHADER, HEAD + text + main));
  gl.linkProgram(made);
  if (gl.getProgramParameter(made, gl.LINK_STATUS)) return made;
  throw new Error(`this view's shader does not link here: ${gl.getProgramInfoLog(made)}`);
}
