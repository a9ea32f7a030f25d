/**
 * Bone, component and what stands between, in space. The only file that needs three.js, loaded when a picture
 * in space is first wanted.
 *
 * Drawn when asked, never in a loop. Cut surfaces are closed with flat caps by the stencil buffer: bone flat,
 * dead bone dark, steel flat, as in the drawings.
 */

import * as THREE from "three";
import type { SpaceView } from "../../api/schema";
import { type MeshData, section, sectionInPlace } from "../geometry/section";
import { along, scale, type Vec } from "../geometry/vec";
import { axesOf, type Base, type Camera } from "./camera";
import { wallColours } from "./walls";

export interface SpaceParts {
  readonly femur?: MeshData;
  readonly pelvis?: MeshData;
  readonly lesion?: MeshData;
  readonly lesionOuter?: MeshData;
  readonly component?: MeshData;
  /** Instead of the femur's own values: the wall that a placement leaves at each of its vertices. */
  readonly walls?: Float32Array | null;
  readonly view?: SpaceView | null;
}

export interface SpaceStyle {
  /** Ground, as CSS takes it. */
  readonly ground: string;
  readonly dark: boolean;
  readonly walls: boolean;
  readonly pelvis: boolean;
}

/** A half-space that is taken away: what lies beyond `point` along `normal`. */
export interface Away {
  readonly point: Vec;
  readonly normal: Vec;
}

const BONE = "#efe5cd";
const DEAD = "#6d5a33";
const RIM = "#a8905c";
const STEEL = "#93a4ac";
const OUTSIDE = "#c2293f";
const INK = "#15201f";
const MARK = "#57308f";

interface Solid {
  readonly geometry: THREE.BufferGeometry;
  readonly material: THREE.MeshStandardMaterial | THREE.MeshLambertMaterial;
  readonly cap: string;
  /** Which planes take it away. */
  readonly planes: readonly THREE.Plane[];
  readonly mesh: MeshData;
  /** Line around a cut surface. */
  readonly line: string;
  readonly matrix?: THREE.Matrix4;
}

export class SpaceScene {
  readonly #renderer: THREE.WebGLRenderer;
  readonly #camera = new THREE.OrthographicCamera(-1, 1, 1, -1, -1000, 2000);
  readonly #lights: THREE.DirectionalLight[] = [];
  #scene = new THREE.Scene();
  readonly #geometries = new WeakMap<MeshData, THREE.BufferGeometry>();

  /** Throws where there is no WebGL at all. */
  constructor(canvas: HTMLCanvasElement) {
    this.#renderer = new THREE.WebGLRenderer({ canvas, antialias: true, stencil: true, preserveDrawingBuffer: true });
    this.#renderer.localClippingEnabled = true;
    this.#renderer.outputColorSpace = THREE.SRGBColorSpace;
  }

  #geometryOf(mesh: MeshData): THREE.BufferGeometry {
    const known = this.#geometries.get(mesh);
    if (known) return known;
    const geometry = new THREE.BufferGeometry();
    geometry.setAttribute("position", new THREE.BufferAttribute(mesh.vertices, 3));
    geometry.setIndex(new THREE.BufferAttribute(mesh.faces, 1));
    geometry.computeVertexNormals();
    this.#geometries.set(mesh, geometry);
    return geometry;
  }

  /** Build what is shown. `away` cuts everything; the placement's own cut takes bone only. */
  show(parts: SpaceParts, style: SpaceStyle, away: Away | null): void {
    const scene = new THREE.Scene();
    scene.background = new THREE.Color(style.ground);
    scene.add(new THREE.HemisphereLight(0xffffff, style.dark ? 0x4a4a4a : 0x9a948a, 1.35));
    this.#lights.length = 0;
    for (const strength of [1.7, 0.5]) {
      const light = new THREE.DirectionalLight(0xffffff, strength);
      this.#lights.push(light);
      scene.add(light, light.target);
    }
    const free = away ? [planeOf(away)] : [];
    const view = parts.view ?? null;
    const cut = view ? [planeOf({ point: view.cut_point, normal: view.cut_normal })] : [];
    let order = 1;
    const add = (solid: Solid): void => {
      order = this.#addSolid(scene, solid, order);
    };
    if (parts.femur) {
      const values = parts.walls ?? parts.femur.value;
      // Walls of another surface than the one drawn would stand at the wrong places.
      const walls = style.walls && values !== null && values.length * 3 === parts.femur.vertices.length;
      if (walls) paint(this.#geometryOf(parts.femur), values);
      const material = new THREE.MeshLambertMaterial({ color: walls ? 0xffffff : BONE, vertexColors: walls });
      add({ mesh: parts.femur, geometry: this.#geometryOf(parts.femur), material, cap: BONE, line: DEAD, planes: [...free, ...cut] });
    }
    if (parts.lesionOuter && parts.lesion) {
      const material = new THREE.PointsMaterial({ color: RIM, size: 1.6, sizeAttenuation: false, clippingPlanes: [...free, ...cut] });
      scene.add(new THREE.Points(this.#geometryOf(parts.lesionOuter), material));
    }
    if (parts.lesion) add({ mesh: parts.lesion, line: INK, geometry: this.#geometryOf(parts.lesion), material: new THREE.MeshLambertMaterial({ color: DEAD }), cap: DEAD, planes: [...free, ...cut] });
    if (parts.pelvis && style.pelvis) {
      const material = new THREE.PointsMaterial({ color: style.dark ? "#8b9794" : "#9aa5a2", size: 1.25, sizeAttenuation: false, clippingPlanes: free });
      const dots = this.#geometryOf(parts.pelvis).clone();
      const index: number[] = [];
      for (let i = 0; i < parts.pelvis.vertices.length / 3; i += 5) index.push(i);
      dots.setIndex(index);
      scene.add(new THREE.Points(dots, material));
    }
    if (view && parts.component) {
      const matrix = new THREE.Matrix4().set(...(view.component_to_lps as Parameters<THREE.Matrix4["set"]>));
      add({ mesh: parts.component, line: INK, geometry: this.#geometryOf(parts.component), material: new THREE.MeshLambertMaterial({ color: STEEL }), cap: STEEL, planes: free, matrix });
    }
    if (view) this.#addAround(scene, view, free, style);
    this.#dispose(this.#scene);
    this.#scene = scene;
  }

  #addAround(scene: THREE.Scene, view: SpaceView, free: THREE.Plane[], style: SpaceStyle): void {
    const glass = (opacity: number): THREE.MeshLambertMaterial => new THREE.MeshLambertMaterial({ color: STEEL, transparent: true, opacity, depthWrite: false, side: THREE.DoubleSide, clippingPlanes: free });
    const put = (object: THREE.Object3D): void => {
      object.renderOrder = 500;
      scene.add(object);
    };
    if (view.head_centre && view.head_radius_mm) {
      const ball = new THREE.Mesh(new THREE.SphereGeometry(view.head_radius_mm, 48, 32), glass(0.22));
      ball.position.set(...view.head_centre);
      put(ball);
    }
    if (view.cup_centre && view.cup_radius_mm && view.cup_axis) {
      const shell = new THREE.Mesh(new THREE.SphereGeometry(view.cup_radius_mm, 48, 24, 0, 2 * Math.PI, 0, Math.PI / 2), glass(0.16));
      shell.position.set(...view.cup_centre);
      // The shell opens along its axis: its dome lies on the other side.
      shell.quaternion.setFromUnitVectors(new THREE.Vector3(0, 1, 0), new THREE.Vector3(...view.cup_axis).normalize().negate());
      put(shell);
    }
    const [from, to] = view.wire;
    if (from && to) put(new THREE.Line(new THREE.BufferGeometry().setFromPoints([new THREE.Vector3(...from), new THREE.Vector3(...to)]), new THREE.LineBasicMaterial({ color: style.dark ? "#c9a9ff" : MARK })));
    // Drawn over everything: they lie on steel that lies in bone.
    for (const [states, colour] of [
      [[1], style.dark ? "#e9eeec" : INK],
      [[0, -1], style.dark ? "#ff7d6e" : OUTSIDE],
    ] as const) {
      const points = view.seat.filter((point) => (states as readonly number[]).includes(Math.round(point[3]))).map((point) => new THREE.Vector3(point[0], point[1], point[2]));
      if (points.length > 0) put(new THREE.Points(new THREE.BufferGeometry().setFromPoints(points), new THREE.PointsMaterial({ color: colour, size: 2.6, sizeAttenuation: false, depthTest: false, clippingPlanes: free })));
    }
    if (view.least_wall_at) {
      const spot = new THREE.Points(new THREE.BufferGeometry().setFromPoints([new THREE.Vector3(...view.least_wall_at)]), new THREE.PointsMaterial({ color: style.dark ? "#f0cb6a" : "#8a5b00", size: 9, sizeAttenuation: false, depthTest: false }));
      put(spot);
      spot.renderOrder = 501;
    }
  }

  /** A closed surface and, for each plane that cuts it, a cap where the plane goes through it. */
  #addSolid(scene: THREE.Scene, solid: Solid, first: number): number {
    let order = first;
    const { geometry, material, planes } = solid;
    const put = (object: THREE.Mesh): void => {
      if (solid.matrix) {
        object.matrixAutoUpdate = false;
        object.matrix.copy(solid.matrix);
      }
      scene.add(object);
    };
    for (const plane of planes) {
      for (const [side, way] of [
        [THREE.BackSide, THREE.IncrementWrapStencilOp],
        [THREE.FrontSide, THREE.DecrementWrapStencilOp],
      ] as const) {
        const count = new THREE.Mesh(
          geometry,
          new THREE.MeshBasicMaterial({ side, depthWrite: false, depthTest: false, colorWrite: false, stencilWrite: true, stencilFunc: THREE.AlwaysStencilFunc, stencilFail: way, stencilZFail: way, stencilZPass: way, clippingPlanes: [plane] }),
        );
        count.renderOrder = order;
        put(count);
      }
      const cap = new THREE.Mesh(
        new THREE.PlaneGeometry(600, 600),
        new THREE.MeshBasicMaterial({ color: shaded(solid.cap), side: THREE.DoubleSide, clippingPlanes: planes.filter((other) => other !== plane), stencilWrite: true, stencilRef: 0, stencilFunc: THREE.NotEqualStencilFunc, stencilFail: THREE.ReplaceStencilOp, stencilZFail: THREE.ReplaceStencilOp, stencilZPass: THREE.ReplaceStencilOp }),
      );
      const on = new THREE.Vector3();
      plane.coplanarPoint(on);
      cap.position.copy(on);
      cap.lookAt(on.clone().sub(plane.normal));
      cap.onAfterRender = (renderer) => renderer.clearStencil();
      cap.renderOrder = order + 0.5;
      scene.add(cap);
      this.#addLine(scene, solid, plane, order + 0.6);
      order += 1;
    }
    material.clippingPlanes = [...planes];
    material.side = planes.length > 0 ? THREE.DoubleSide : THREE.FrontSide;
    const whole = new THREE.Mesh(geometry, material);
    whole.renderOrder = order;
    put(whole);
    return order + 1;
  }

  /** The line around a cut surface, a hair in front of it. */
  #addLine(scene: THREE.Scene, solid: Solid, plane: THREE.Plane, order: number): void {
    const on = new THREE.Vector3();
    plane.coplanarPoint(on);
    const out = plane.normal.clone().negate();
    const cut = { point: [on.x, on.y, on.z] as const, normal: [out.x, out.y, out.z] as const };
    const lines = solid.matrix ? sectionInPlace(solid.mesh, solid.matrix.clone().transpose().elements, cut) : section(solid.mesh, cut);
    const material = new THREE.LineBasicMaterial({ color: solid.line, clippingPlanes: solid.planes.filter((other) => other !== plane) });
    for (const { points, closed } of lines) {
      const line = new THREE.Line(new THREE.BufferGeometry().setFromPoints([...points, ...(closed ? points.slice(0, 1) : [])].map((p) => new THREE.Vector3(...p).addScaledVector(out, 0.05))), material);
      line.renderOrder = order;
      scene.add(line);
    }
  }

  /** Draw into `width` × `height` CSS px, `centre` in the middle. */
  draw(base: Base, camera: Camera, centre: Vec, width: number, height: number, ratio: number): void {
    if (width === 0 || height === 0) return;
    const { right, up, toward } = axesOf(base, camera);
    this.#renderer.setPixelRatio(ratio);
    this.#renderer.setSize(width, height, false);
    const half = camera.height_mm / 2;
    const wide = (half * width) / height;
    const lens = this.#camera;
    [lens.left, lens.right, lens.top, lens.bottom] = [-wide, wide, half, -half];
    const middle = along(along(centre, right, -camera.slide[0]), up, -camera.slide[1]);
    const eye = along(middle, toward, 500);
    lens.position.set(...eye);
    lens.up.set(...up);
    lens.lookAt(...middle);
    [lens.near, lens.far] = [1, 1000];
    lens.updateProjectionMatrix();
    const lights: readonly Vec[] = [along(along(scale(toward, 1), up, 0.7), right, -0.6), along(scale(toward, 0.5), right, 1)];
    this.#lights.forEach((light, i) => {
      light.position.set(...along(middle, lights[i] ?? toward, 400));
      light.target.position.set(...middle);
      light.target.updateMatrixWorld();
    });
    this.#renderer.render(this.#scene, lens);
  }

  #dispose(scene: THREE.Scene): void {
    scene.traverse((object) => {
      const material = (object as THREE.Mesh).material as THREE.Material | undefined;
      material?.dispose();
    });
  }

  dispose(): void {
    this.#dispose(this.#scene);
    this.#renderer.dispose();
    this.#renderer.forceContextLoss();
  }
}

/** Colour a surface by its values, in place: a new attribute would leave the old one on the graphics card. */
function paint(geometry: THREE.BufferGeometry, values: Float32Array): void {
  const colours = wallColours(values);
  const known = geometry.getAttribute("color") as THREE.BufferAttribute | undefined;
  if (!known) return void geometry.setAttribute("color", new THREE.BufferAttribute(colours, 3));
  known.array.set(colours);
  known.needsUpdate = true;
}

/** three.js keeps what lies on the positive side; `away` names what goes. */
function planeOf(away: Away): THREE.Plane {
  const normal = new THREE.Vector3(...away.normal).normalize().negate();
  return new THREE.Plane().setFromNormalAndCoplanarPoint(normal, new THREE.Vector3(...away.point));
}

const shaded = (colour: string): THREE.Color => new THREE.Color(colour);
