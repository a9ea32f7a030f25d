/** Slices on the graphics card: the volume as one 3D texture, interpolated as the processor does, greys from the same table. */

import { cardOf, takeNearest, type Uniforms, useFragment } from "../../film/grey/program";
import { SURROUND } from "../../film/grey/renderer";
import type { Grid } from "../geometry/grid";
import { paintSlice, type Steps } from "./reslice";

export interface SliceRenderer {
  readonly kind: "graphics card" | "processor";
  setTable(table: Uint8ClampedArray): void;
  /** Draw onto a 2D canvas of `width` × `height` device pixels. */
  draw(onto: CanvasRenderingContext2D, steps: Steps, width: number, height: number): void;
  dispose(): void;
}

export class ProcessorSlices implements SliceRenderer {
  readonly kind = "processor";
  #table: Uint8ClampedArray | null = null;
  #image: ImageData | null = null;

  constructor(
    readonly grey: Int16Array,
    readonly grid: Grid,
  ) {}

  setTable(table: Uint8ClampedArray): void {
    this.#table = table;
  }

  draw(onto: CanvasRenderingContext2D, steps: Steps, width: number, height: number): void {
    if (!this.#table || width === 0 || height === 0) return;
    if (this.#image?.width !== width || this.#image.height !== height) this.#image = onto.createImageData(width, height);
    paintSlice(this.grey, this.grid, this.#table, steps, new Uint32Array(this.#image.data.buffer), width, height);
    onto.putImageData(this.#image, 0, 0);
  }

  dispose(): void {
    this.#image = null;
  }
}

const FRAGMENT = `#version 300 es
precision highp float;
precision highp int;
precision highp isampler3D;
uniform isampler3D stored;
uniform sampler2D greys;
uniform float canvasHeight;
uniform vec3 first;
uniform vec3 right;
uniform vec3 down;
uniform vec3 surround;
out vec4 colour;

float value(ivec3 at) { return float(texelFetch(stored, at, 0).r); }
float grey(float v) {
  int low = clamp(int(floor(v)), 0, 65535);
  int high = min(low + 1, 65535);
  float a = texelFetch(greys, ivec2(low & 255, low >> 8), 0).r;
  float b = texelFetch(greys, ivec2(high & 255, high >> 8), 0).r;
  return mix(a, b, v - float(low));
}
void main() {
  vec2 pixel = vec2(gl_FragCoord.x - 0.5, canvasHeight - gl_FragCoord.y - 0.5);
  vec3 at = first + right * pixel.x + down * pixel.y;
  vec3 most = vec3(textureSize(stored, 0)) - 1.0;
  if (any(lessThan(at, vec3(-0.5))) || any(greaterThan(at, most + 0.5))) { colour = vec4(surround, 1.0); return; }
  at = clamp(at, vec3(0.0), most);
  ivec3 i = min(ivec3(floor(at)), max(ivec3(most) - 1, ivec3(0)));
  vec3 t = at - vec3(i);
  ivec3 o = min(ivec3(1), ivec3(most));
  float near = mix(mix(value(i), value(i + ivec3(o.x, 0, 0)), t.x), mix(value(i + ivec3(0, o.y, 0)), value(i + ivec3(o.x, o.y, 0)), t.x), t.y);
  float far = mix(mix(value(i + ivec3(0, 0, o.z)), value(i + ivec3(o.x, 0, o.z)), t.x), mix(value(i + ivec3(0, o.y, o.z)), value(i + o), t.x), t.y);
  float g = grey(mix(near, far, t.z) + 32768.0);
  colour = vec4(g, g, g, 1.0);
}`;

/** One context for all panes: the volume lies on the card once, each pane copies its picture. */
export class CardSlices implements SliceRenderer {
  readonly kind = "graphics card";
  readonly #canvas: HTMLCanvasElement;
  readonly #gl: WebGL2RenderingContext;
  readonly #at: Uniforms;
  readonly #greys: WebGLTexture;

  /** Throws where there is no graphics card, where it is imitated, or where the volume is larger than it holds. */
  constructor(grey: Int16Array, grid: Grid, lost: () => void, anyCard = false) {
    this.#canvas = document.createElement("canvas");
    const gl = cardOf(this.#canvas, anyCard);
    if (Math.max(grid.columns, grid.rows, grid.slices) > (gl.getParameter(gl.MAX_3D_TEXTURE_SIZE) as number)) throw new Error("the volume is larger than the card holds");
    this.#gl = gl;
    this.#canvas.addEventListener("webglcontextlost", (event) => {
      event.preventDefault();
      lost();
    });
    this.#at = useFragment(gl, FRAGMENT, ["stored", "greys", "canvasHeight", "first", "right", "down", "surround"]);
    gl.activeTexture(gl.TEXTURE0);
    gl.bindTexture(gl.TEXTURE_3D, gl.createTexture());
    takeNearest(gl, gl.TEXTURE_3D);
    gl.pixelStorei(gl.UNPACK_ALIGNMENT, 2);
    gl.texImage3D(gl.TEXTURE_3D, 0, gl.R16I, grid.columns, grid.rows, grid.slices, 0, gl.RED_INTEGER, gl.SHORT, grey);
    if (gl.getError() !== gl.NO_ERROR) throw new Error("the card did not take the volume");
    this.#greys = gl.createTexture();
    gl.activeTexture(gl.TEXTURE1);
    gl.bindTexture(gl.TEXTURE_2D, this.#greys);
    takeNearest(gl, gl.TEXTURE_2D);
    gl.uniform1i(this.#at["stored"] ?? null, 0);
    gl.uniform1i(this.#at["greys"] ?? null, 1);
    gl.uniform3f(this.#at["surround"] ?? null, SURROUND[0] / 255, SURROUND[1] / 255, SURROUND[2] / 255);
  }

  setTable(table: Uint8ClampedArray): void {
    const gl = this.#gl;
    gl.activeTexture(gl.TEXTURE1);
    gl.pixelStorei(gl.UNPACK_ALIGNMENT, 1);
    gl.texImage2D(gl.TEXTURE_2D, 0, gl.R8, 256, 256, 0, gl.RED, gl.UNSIGNED_BYTE, new Uint8Array(table));
  }

  draw(onto: CanvasRenderingContext2D, steps: Steps, width: number, height: number): void {
    const gl = this.#gl;
    if (gl.isContextLost() || width === 0 || height === 0) return;
    if (this.#canvas.width !== width || this.#canvas.height !== height) {
      this.#canvas.width = width;
      this.#canvas.height = height;
    }
    gl.viewport(0, 0, width, height);
    gl.uniform1f(this.#at["canvasHeight"] ?? null, height);
    gl.uniform3f(this.#at["first"] ?? null, ...steps.first);
    gl.uniform3f(this.#at["right"] ?? null, ...steps.right);
    gl.uniform3f(this.#at["down"] ?? null, ...steps.down);
    gl.drawArrays(gl.TRIANGLES, 0, 3);
    onto.drawImage(this.#canvas, 0, 0);
  }

  dispose(): void {
    this.#gl.getExtension("WEBGL_lose_context")?.loseContext();
  }
}

/** `?draw=card` or `?draw=processor` chooses by hand, as for films. */
export function slicesOf(grey: Int16Array, grid: Grid, lost: () => void, plain = false): SliceRenderer {
  const asked = new URLSearchParams(window.location.search).get("draw");
  if (!plain && asked !== "processor") {
    try {
      return new CardSlices(grey, grid, lost, asked === "card");
    } catch {
      // The processor goes on.
    }
  }
  return new ProcessorSlices(grey, grid);
}
