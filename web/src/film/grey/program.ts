/** A graphics context that draws one rectangle with one shader: how films and slices are put on the card. */

const VERTEX = `#version 300 es
void main() {
  vec2 corner = vec2(float((gl_VertexID << 1) & 2), float(gl_VertexID & 2));
  gl_Position = vec4(corner * 2.0 - 1.0, 0.0, 1.0);
}`;

/** Drivers that are software; browsers do not always admit to the caveat. */
const SOFTWARE = /swiftshader|llvmpipe|softpipe|software|basic render/i;

function isImitated(gl: WebGL2RenderingContext): boolean {
  const names = gl.getExtension("WEBGL_debug_renderer_info");
  const name: unknown = gl.getParameter(names ? names.UNMASKED_RENDERER_WEBGL : gl.RENDERER);
  return typeof name === "string" && SOFTWARE.test(name);
}

export type Uniforms = Record<string, WebGLUniformLocation | null>;

/**
 * The context of a canvas. `anyCard` also takes a graphics card that is imitated in software.
 *
 * Throws when there is none: an imitated card shows a film at a quarter of
 * the processor's own speed (docs/decisions/0161).
 */
export function cardOf(canvas: HTMLCanvasElement, anyCard: boolean, power?: WebGLPowerPreference): WebGL2RenderingContext {
  const gl = canvas.getContext("webgl2", {
    antialias: false,
    alpha: false,
    depth: false,
    ...(power ? { powerPreference: power } : {}),
    failIfMajorPerformanceCaveat: !anyCard,
  });
  if (!gl) throw new Error("no graphics card here");
  if (!anyCard && isImitated(gl)) throw new Error("the graphics card is imitated in software");
  return gl;
}

/** Compile `fragment`, draw with it from now on, and find its uniforms. Throws the compiler's own words. */
export function useFragment(gl: WebGL2RenderingContext, fragment: string, names: readonly string[]): Uniforms {
  const program = gl.createProgram();
  for (const [type, source] of [
    [gl.VERTEX_SHADER, VERTEX],
    [gl.FRAGMENT_SHADER, fragment],
  ] as const) {
    const shader = gl.createShader(type);
    if (!shader) throw new Error("the graphics context is lost");
    gl.shaderSource(shader, source);
    gl.compileShader(shader);
    if (!gl.getShaderParameter(shader, gl.COMPILE_STATUS)) throw new Error(gl.getShaderInfoLog(shader) ?? "shader");
    gl.attachShader(program, shader);
  }
  gl.linkProgram(program);
  if (!gl.getProgramParameter(program, gl.LINK_STATUS)) throw new Error(gl.getProgramInfoLog(program) ?? "program");
  gl.useProgram(program);
  return Object.fromEntries(names.map((name) => [name, gl.getUniformLocation(program, name)]));
}

/** The texture bound to `target` gives its nearest texel, and its edge beyond. */
export function takeNearest(gl: WebGL2RenderingContext, target: number): void {
  for (const filter of [gl.TEXTURE_MIN_FILTER, gl.TEXTURE_MAG_FILTER]) gl.texParameteri(target, filter, gl.NEAREST);
  for (const wrap of [gl.TEXTURE_WRAP_S, gl.TEXTURE_WRAP_T]) gl.texParameteri(target, wrap, gl.CLAMP_TO_EDGE);
}
