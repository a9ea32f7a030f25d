/**
 * Grey levels on the graphics card.
 *
 * Integer textures cannot be filtered, so the shader interpolates stored
 * values itself and then looks the grey up, as the processor does. Films
 * larger than one texture are cut into tiles that overlap by a pixel.
 */

import type { Viewport } from "../geometry/viewport";
import type { GreyLevel, Pyramid } from "./pyramid";
import { cardOf, takeNearest, type Uniforms, useFragment } from "./program";
import { type GreyRenderer, SURROUND } from "./renderer";

const FRAGMENT = `#version 300 es
precision highp float;
precision highp int;
precision highp usampler2D;
uniform usampler2D stored;
uniform sampler2D greys;
uniform vec2 canvasHeightAndStep;
uniform vec4 place;  // x, y of level pixel (0,0); device px per level column, row
uniform ivec4 tile;  // first column, first row, columns, rows held by this texture
uniform vec2 size;   // whole level
uniform vec3 surround;
out vec4 colour;

float value(ivec2 at) {
  ivec2 inside = clamp(at, ivec2(0), ivec2(size) - 1) - tile.xy;
  return float(texelFetch(stored, clamp(inside, ivec2(0), tile.zw - 1), 0).r);
}
float grey(float v) {
  int low = int(floor(v));
  int high = min(low + 1, 65535);
  float a = texelFetch(greys, ivec2(low & 255, low >> 8), 0).r;
  float b = texelFetch(greys, ivec2(high & 255, high >> 8), 0).r;
  return mix(a, b, v - float(low));
}
void main() {
  vec2 device = vec2(gl_FragCoord.x, canvasHeightAndStep.x - gl_FragCoord.y);
  vec2 at = (device - place.xy) / place.zw;
  if (any(lessThan(at, vec2(-0.5))) || any(greaterThan(at, size - 0.5))) { colour = vec4(surround, 1.0); return; }
  vec2 base = floor(at);
  vec2 part = at - base;
  ivec2 i = ivec2(base);
  float v = mix(mix(value(i), value(i + ivec2(1, 0)), part.x),
                mix(value(i + ivec2(0, 1)), value(i + ivec2(1, 1)), part.x), part.y);
  float g = grey(v);
  colour = vec4(g, g, g, 1.0);
}`;

/** Above this many pixels a level is left to its half: 64 M × 2 bytes is what small cards hold beside a browser. */
const MOST_PIXELS = 64e6;

interface Tile {
  readonly texture: WebGLTexture;
  /** Own part of the level, without the overlap. */
  readonly own: readonly [number, number, number, number];
  /** What the texture holds. */
  readonly held: readonly [number, number, number, number];
}

export class WebglRenderer implements GreyRenderer {
  readonly kind = "graphics card";
  readonly #canvas: HTMLCanvasElement;
  readonly #gl: WebGL2RenderingContext;
  readonly #uniforms: Uniforms;
  readonly #greys: WebGLTexture;
  readonly #tiles = new Map<number, Tile[]>();
  readonly #edge: number;
  #film: Pyramid | null = null;

  /**
   * `anyCard` also takes a graphics card that is imitated in software.
   *
   * Throws when there is none: an imitated card shows a film at a quarter of
   * the processor's own speed (docs/decisions/0161).
   */
  constructor(canvas: HTMLCanvasElement, anyCard = false, edge?: number) {
    const gl = cardOf(canvas, anyCard, "low-power");
    this.#canvas = canvas;
    this.#gl = gl;
    this.#edge = Math.min(edge ?? 4096, gl.getParameter(gl.MAX_TEXTURE_SIZE) as number);
    this.#uniforms = useFragment(gl, FRAGMENT, ["stored", "greys", "canvasHeightAndStep", "place", "tile", "size", "surround"]);
    this.#greys = this.#texture();
    gl.uniform1i(this.#uniform("stored"), 0);
    gl.uniform1i(this.#uniform("greys"), 1);
    gl.uniform3f(this.#uniform("surround"), SURROUND[0] / 255, SURROUND[1] / 255, SURROUND[2] / 255);
  }

  #uniform(name: string): WebGLUniformLocation | null {
    return this.#uniforms[name] ?? null;
  }

  #texture(): WebGLTexture {
    const gl = this.#gl;
    const texture = gl.createTexture();
    gl.bindTexture(gl.TEXTURE_2D, texture);
    takeNearest(gl, gl.TEXTURE_2D);
    return texture;
  }

  load(film: Pyramid): void {
    for (const tiles of this.#tiles.values()) for (const tile of tiles) this.#gl.deleteTexture(tile.texture);
    this.#tiles.clear();
    this.#film = film;
  }

  setTable(table: Uint8ClampedArray): void {
    const gl = this.#gl;
    gl.activeTexture(gl.TEXTURE1);
    gl.bindTexture(gl.TEXTURE_2D, this.#greys);
    gl.pixelStorei(gl.UNPACK_ALIGNMENT, 1);
    gl.texImage2D(gl.TEXTURE_2D, 0, gl.R8, 256, 256, 0, gl.RED, gl.UNSIGNED_BYTE, new Uint8Array(table.buffer));
  }

  #tilesOf(index: number, level: GreyLevel): Tile[] {
    const known = this.#tiles.get(index);
    if (known) return known;
    const gl = this.#gl;
    const tiles: Tile[] = [];
    gl.activeTexture(gl.TEXTURE0);
    gl.pixelStorei(gl.UNPACK_ALIGNMENT, 2);
    gl.pixelStorei(gl.UNPACK_ROW_LENGTH, level.cols);
    const inner = Math.max(level.rows, level.cols) <= this.#edge ? this.#edge : this.#edge - 2;
    for (let row = 0; row < level.rows; row += inner) {
      for (let col = 0; col < level.cols; col += inner) {
        const own = [col, row, Math.min(inner, level.cols - col), Math.min(inner, level.rows - row)] as const;
        const left = Math.max(0, col - 1);
        const top = Math.max(0, row - 1);
        const held = [
          left,
          top,
          Math.min(level.cols, col + own[2] + 1) - left,
          Math.min(level.rows, row + own[3] + 1) - top,
        ] as const;
        const texture = this.#texture();
        gl.pixelStorei(gl.UNPACK_SKIP_PIXELS, held[0]);
        gl.pixelStorei(gl.UNPACK_SKIP_ROWS, held[1]);
        gl.texImage2D(gl.TEXTURE_2D, 0, gl.R16UI, held[2], held[3], 0, gl.RED_INTEGER, gl.UNSIGNED_SHORT, level.data);
        tiles.push({ texture, own, held });
      }
    }
    gl.pixelStorei(gl.UNPACK_ROW_LENGTH, 0);
    gl.pixelStorei(gl.UNPACK_SKIP_PIXELS, 0);
    gl.pixelStorei(gl.UNPACK_SKIP_ROWS, 0);
    this.#tiles.set(index, tiles);
    return tiles;
  }

  draw(view: Viewport, ratio: number): void {
    const gl = this.#gl;
    const film = this.#film;
    if (!film || gl.isContextLost()) return;
    let index = film.levelFor(view.zoom * ratio * Math.min(1, view.rowFactor));
    let level = film.level(index);
    while (level.rows * level.cols > MOST_PIXELS) level = film.level(++index);
    const height = this.#canvas.height;
    const step = level.step;
    const perColumn = view.zoom * ratio * step;
    const perRow = perColumn * view.rowFactor;
    // Level pixel 0 is centred on film column (step − 1) / 2.
    const x = view.x * ratio + (view.zoom * ratio * (step - 1)) / 2;
    const y = view.y * ratio + (view.zoom * ratio * view.rowFactor * (step - 1)) / 2;
    gl.viewport(0, 0, this.#canvas.width, height);
    gl.uniform2f(this.#uniform("canvasHeightAndStep"), height, step);
    gl.uniform4f(this.#uniform("place"), x, y, perColumn, perRow);
    gl.uniform2f(this.#uniform("size"), level.cols, level.rows);
    gl.disable(gl.SCISSOR_TEST);
    gl.clearColor(SURROUND[0] / 255, SURROUND[1] / 255, SURROUND[2] / 255, 1);
    gl.clear(gl.COLOR_BUFFER_BIT);
    gl.enable(gl.SCISSOR_TEST);
    const tiles = this.#tilesOf(index, level);
    gl.activeTexture(gl.TEXTURE1);
    gl.bindTexture(gl.TEXTURE_2D, this.#greys);
    gl.activeTexture(gl.TEXTURE0);
    for (const { texture, own, held } of tiles) {
      const left = Math.round(x + (own[0] - 0.5) * perColumn);
      const right = Math.round(x + (own[0] + own[2] - 0.5) * perColumn);
      const top = Math.round(y + (own[1] - 0.5) * perRow);
      const bottom = Math.round(y + (own[1] + own[3] - 0.5) * perRow);
      if (right <= 0 || bottom <= 0 || left >= this.#canvas.width || top >= height) continue;
      gl.scissor(left, height - bottom, right - left, bottom - top);
      gl.bindTexture(gl.TEXTURE_2D, texture);
      gl.uniform4i(this.#uniform("tile"), held[0], held[1], held[2], held[3]);
      gl.drawArrays(gl.TRIANGLES, 0, 3);
    }
  }

  dispose(): void {
    this.load(this.#film as Pyramid);
    this.#gl.getExtension("WEBGL_lose_context")?.loseContext();
  }
}
