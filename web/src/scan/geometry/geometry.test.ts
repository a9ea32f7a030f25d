import { describe, expect, it } from "vitest";
import { gridOf, stepAlong, toIndex, toLps } from "./grid";
import { AXIAL, circleOf, FRONTAL, letterOf, neckFacing, type PlaneLook, SAGITTAL, slid, toPane, toSpace, zoomed } from "./plane";
import { areaOf, meshOf, section, sectionInPlace, undoMotion, moved, type MeshData } from "./section";
import { thinned } from "./stroke";
import { cross, distance, dot, turnedAbout, type Vec } from "./vec";

const oblique = gridOf({
  origin: [10, -20, 30],
  axes: [
    [0.6, 0, 0.8],
    [0, 1, 0],
    [-0.8, 0, 0.6],
  ],
  spacing: [0.5, 0.7, 1.5],
  slices: 40,
  rows: 50,
  columns: 60,
});

describe("a voxel's place", () => {
  it("goes to space and back on an oblique grid", () => {
    const index: Vec = [3.25, 41, 17.5];
    toIndex(oblique, toLps(oblique, index)).forEach((part, i) => expect(part).toBeCloseTo(index[i] ?? NaN, 10));
  });

  it("steps one column along the first column of the axes, by its spacing", () => {
    const step = distance(toLps(oblique, [1, 0, 0]), toLps(oblique, [0, 0, 0]));
    expect(step).toBeCloseTo(0.5, 12);
    expect(toLps(oblique, [1, 0, 0])[0] - 10).toBeCloseTo(0.3, 12);
  });

  it("takes the spacing of the nearest axis for a step through slices", () => {
    expect(stepAlong(oblique, [0.8, 0, 0.6])).toBe(1.5);
    expect(stepAlong(oblique, [0, -1, 0])).toBe(0.7);
  });
});

describe("planes as they are looked at", () => {
  const look: PlaneLook = { facing: FRONTAL, anchor: [1, 2, 3], pxPerMm: 4, width: 400, height: 300 };

  it("shows the patient's right at the left of axial and frontal pictures, the head at the top, the back at the right of sagittal ones", () => {
    expect(letterOf(AXIAL.right)).toBe("L");
    expect(letterOf(AXIAL.down)).toBe("P");
    expect(letterOf(FRONTAL.right)).toBe("L");
    expect(letterOf(FRONTAL.down)).toBe("F");
    expect(letterOf(SAGITTAL.right)).toBe("P");
    expect(letterOf(SAGITTAL.down)).toBe("F");
  });

  it("writes a second letter from 22.5° on, the larger part first", () => {
    expect(letterOf([Math.cos(0.38), 0, Math.sin(0.38)])).toBe("L");
    expect(letterOf([Math.cos(0.4), 0, Math.sin(0.4)])).toBe("LH");
    expect(letterOf([-0.3, 0.1, -0.9])).toBe("F");
  });

  it("puts medial at the right of the neck plane for either hip, however the server drew its side point", () => {
    for (const [side, sign] of [["right", 1], ["left", -1]] as const) {
      for (const flip of [1, -1]) {
        const facing = neckFacing([[0, 0, 0], [-0.7 * sign, 0.1, -0.7], [flip * sign, 0, -0.4 * flip]], side);
        expect(facing.right[0] * sign).toBeGreaterThan(0);
        expect(dot(facing.right, facing.down)).toBeCloseTo(0, 12);
        expect(facing.down[2]).toBeLessThan(0);
      }
    }
  });

  it("goes from screen to space and back on the slice it shows", () => {
    const point = toSpace(look, [9, -7, 8], [123, 45]);
    expect(dot(point, FRONTAL.normal)).toBeCloseTo(dot([9, -7, 8], FRONTAL.normal), 10);
    const back = toPane(look, point);
    expect(back[0]).toBeCloseTo(123, 10);
    expect(back[1]).toBeCloseTo(45, 10);
  });

  it("keeps what is under the pointer when zoomed, and moves with the hand when slid", () => {
    const under = toSpace(look, look.anchor, [310, 20]);
    const near = toPane(zoomed(look, 1.7, [310, 20]), under);
    expect(near[0]).toBeCloseTo(310, 9);
    expect(near[1]).toBeCloseTo(20, 9);
    expect(toPane(slid(look, 15, -6), under)[0]).toBeCloseTo(325, 9);
    expect(toPane(slid(look, 15, -6), under)[1]).toBeCloseTo(14, 9);
  });

  it("cuts a sphere in the circle of Pythagoras and not beyond its radius", () => {
    expect(circleOf(look, [0, 0, 0], [0, 3, 0], 5)?.r).toBeCloseTo(4 * 4, 10);
    expect(circleOf(look, [0, 0, 0], [0, 5.01, 0], 5)).toBeNull();
  });
});

/** A closed tube of `steps` sides about z, radius 10, from z = 0 to 30. */
function drum(steps: number): MeshData {
  const vertices: number[] = [0, 0, 0, 0, 0, 30];
  const faces: number[] = [];
  for (let i = 0; i < steps; i++) {
    const angle = (2 * Math.PI * i) / steps;
    vertices.push(10 * Math.cos(angle), 10 * Math.sin(angle), 0, 10 * Math.cos(angle), 10 * Math.sin(angle), 30);
    const [a, b] = [2 + 2 * i, 2 + 2 * ((i + 1) % steps)];
    faces.push(a, b, a + 1, b, b + 1, a + 1, 0, b, a, 1, a + 1, b + 1);
  }
  return { vertices: Float32Array.from(vertices), faces: Uint32Array.from(faces), value: null };
}

describe("a mesh cut by a plane", () => {
  it("gives one closed ring across a drum, with the area of its regular polygon", () => {
    const steps = 64;
    const lines = section(drum(steps), { point: [0, 0, 12.3], normal: [0, 0, 1] });
    expect(lines).toHaveLength(1);
    expect(lines[0]?.closed).toBe(true);
    const polygon = (steps / 2) * 100 * Math.sin((2 * Math.PI) / steps);
    expect(areaOf(lines[0]?.points ?? [], [0, 0, 1])).toBeCloseTo(polygon, 3);
  });

  it("gives a rectangle of twice the half chord along it", () => {
    const lines = section(drum(256), { point: [0, 6, 0], normal: [0, 1, 0] });
    expect(lines).toHaveLength(1);
    expect(areaOf(lines[0]?.points ?? [], [0, 1, 0])).toBeCloseTo(2 * 8 * 30, 0);
  });

  it("finds nothing where the plane misses", () => {
    expect(section(drum(16), { point: [0, 0, 31], normal: [0, 0, 1] })).toEqual([]);
  });

  it("moves with the part: the same cut of a turned part is the turned cut", () => {
    const axis: Vec = [0.6, 0, 0.8];
    const [x, y, z] = [turnedAbout([1, 0, 0], axis, 40), turnedAbout([0, 1, 0], axis, 40), turnedAbout([0, 0, 1], axis, 40)];
    const matrix = [x[0], y[0], z[0], 5, x[1], y[1], z[1], -3, x[2], y[2], z[2], 7, 0, 0, 0, 1];
    const back = undoMotion(matrix);
    expect(distance(moved(back, moved(matrix, [1, 2, 3])), [1, 2, 3])).toBeLessThan(1e-12);
    const lines = sectionInPlace(drum(64), matrix, { point: moved(matrix, [0, 0, 12]), normal: z });
    expect(areaOf(lines[0]?.points ?? [], z)).toBeCloseTo(32 * 100 * Math.sin((2 * Math.PI) / 64), 3);
  });

  it("reads the wire's form and refuses one cut short", () => {
    const bytes = new ArrayBuffer(8 + 36 + 12 + 12);
    const view = new DataView(bytes);
    view.setUint32(0, 3, true);
    view.setUint32(4, 1, true);
    view.setFloat32(8 + 4, 2.5, true);
    view.setUint32(8 + 36 + 4, 1, true);
    view.setFloat32(8 + 36 + 12, 4.25, true);
    const mesh = meshOf(bytes, true);
    expect([mesh.vertices[1], mesh.faces[1], mesh.value?.[0]]).toEqual([2.5, 1, 4.25]);
    expect(() => meshOf(bytes.slice(0, 60), true)).toThrow(/cut short/);
  });
});

describe("a brush stroke", () => {
  it("keeps the ends and the corner of an L, and drops what lies on its sides", () => {
    const stroke: Vec[] = [...Array(11).keys()].map((i): Vec => [i, 0, 0]).concat([...Array(10).keys()].map((i): Vec => [10, i + 1, 0]));
    expect(thinned(stroke, 0.1)).toEqual([[0, 0, 0], [10, 0, 0], [10, 10, 0]]);
  });

  it("leaves nothing out that lies further from the line than it may", () => {
    const stroke: Vec[] = Array.from({ length: 400 }, (_, i): Vec => [i * 0.2, 8 * Math.sin(i / 25), 3 * Math.cos(i / 40)]);
    const kept = thinned(stroke, 0.25);
    const near = (p: Vec): number => Math.min(...kept.slice(1).map((b, i) => segment(p, kept[i] as Vec, b)));
    expect(Math.max(...stroke.map(near))).toBeLessThanOrEqual(0.25);
    expect(kept.length).toBeLessThan(60);
  });

  it("never sends more points than the server takes", () => {
    const rough: Vec[] = Array.from({ length: 500 }, (_, i): Vec => [i, i % 2 ? 5 : 0, 0]);
    expect(thinned(rough, 0.1, 100).length).toBeLessThanOrEqual(100);
    expect(thinned([[1, 2, 3]], 0.1)).toEqual([[1, 2, 3]]);
  });
});

function segment(p: Vec, a: Vec, b: Vec): number {
  const ab: Vec = [b[0] - a[0], b[1] - a[1], b[2] - a[2]];
  const t = Math.min(1, Math.max(0, dot([p[0] - a[0], p[1] - a[1], p[2] - a[2]], ab) / dot(ab, ab)));
  return distance(p, [a[0] + ab[0] * t, a[1] + ab[1] * t, a[2] + ab[2] * t]);
}

it("turning about an axis is right-handed", () => {
  expect(distance(turnedAbout([1, 0, 0], [0, 0, 1], 90), cross([0, 0, 1], [1, 0, 0]))).toBeLessThan(1e-12);
});
