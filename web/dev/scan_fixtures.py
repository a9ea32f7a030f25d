"""Invented answers about a scan, for work on its pages without a server.

    python dev/scan_fixtures.py ../tests/data/hips/birch.zip FOLDER
    HEADSTOCK_FIXTURES=FOLDER npm run dev

The volumes come from a supplied simulated hip and are too large to keep beside the other fixtures.
Every number is made up; only the shapes of the answers are those of the server.
"""

import io
import json
import sys
import zipfile
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
from scipy import ndimage
from skimage import measure

from headstock.desk import pages, scan_pages

HERE = Path(__file__).parent / "fixtures"
HIP, SCAN = "alder.right", "s1"


def number(
    key: str, label: str, value: float | None, half: float, unit: str, decimals: int = 1, **more: Any
) -> dict[str, Any]:
    """A number as a page takes it."""
    why = {
        "title": label,
        "sentence": "Invented for work on the page.",
        "rows": [{"name": "from", "text": "dev/scan_fixtures.py"}],
    }
    ends = (None, None) if value is None or half == 0 else (value - half, value + half)
    kind = "missing" if value is None else "measured" if half else "by_definition"
    return {
        "key": key,
        "label": label,
        "value": value,
        "low": ends[0],
        "high": ends[1],
        "unit": unit,
        "decimals": decimals,
        "kind": kind,
        "why": why,
    } | more


def mesh_bytes(vertices: np.ndarray, faces: np.ndarray, value: np.ndarray | None = None) -> bytes:
    """A mesh in the form of the wire."""
    head = np.array([len(vertices), len(faces)], "<u4").tobytes()
    body = vertices.astype("<f4").tobytes() + faces.astype("<u4").tobytes()
    return head + body + (b"" if value is None else value.astype("<f4").tobytes())


def revolved(profile: list[tuple[float, float]], steps: int = 48) -> tuple[np.ndarray, np.ndarray]:
    """A profile of (radius, z) turned about z."""
    turn = np.linspace(0, 2 * np.pi, steps, endpoint=False)
    rings = np.array([[r * np.cos(turn), r * np.sin(turn), np.full(steps, z)] for r, z in profile]).transpose(0, 2, 1)
    faces = []
    for i in range(len(profile) - 1):
        for j in range(steps):
            a, b = i * steps + j, i * steps + (j + 1) % steps
            faces += [[a, a + steps, b], [b, a + steps, b + steps]]
    return rings.reshape(-1, 3), np.array(faces)


def main(source: Path, folder: Path) -> None:
    """Write every answer into the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    with zipfile.ZipFile(source) as z:
        truth = json.loads(z.read("truth.json"))
        slices = [pydicom.dcmread(io.BytesIO(z.read(n))) for n in z.namelist() if n.startswith("ct/")]
        labels_in = np.load(io.BytesIO(z.read("labels.npz")))
    slices.sort(key=lambda s: float(s.ImagePositionPatient[2]))
    grey = np.stack([s.pixel_array * float(s.RescaleSlope) + float(s.RescaleIntercept) for s in slices]).astype("<i2")
    origin = np.array(slices[0].ImagePositionPatient, float)
    spacing = [
        float(slices[0].PixelSpacing[1]),
        float(slices[0].PixelSpacing[0]),
        float(slices[1].ImagePositionPatient[2]) - origin[2],
    ]
    shape = grey.shape
    centre, radius = np.array(truth["head_centre_lps_mm"]), truth["head_diameter_mm"] / 2
    neck, shaft = np.array(truth["neck_axis_lps"]), np.array(truth["shaft_axis_lps"])
    neck = neck / np.linalg.norm(neck)
    lesion = np.array(truth["lesion"]["centre_lps_mm"])
    zyx = np.indices(shape).reshape(3, -1)
    lps = origin + (zyx[::-1].T * spacing)
    from_lesion = np.linalg.norm(lps - lesion, axis=1).reshape(shape)
    labels = np.where(labels_in["femur"], 1, np.where(labels_in["pelvis"], 2, 0)).astype(np.uint8)
    r = truth["lesion"]["radius_mm"]
    labels[(labels == 1) & (from_lesion < r + 2.5)] = 4
    labels[(labels == 4) & (from_lesion < r)] = 3
    (folder / f"scans.{SCAN}.grey.bin").write_bytes(grey.tobytes())
    (folder / f"scans.{SCAN}.labels.bin").write_bytes(labels.tobytes())
    for part, mask in {
        "femur": np.isin(labels, [1, 3, 4]),
        "pelvis": labels == 2,
        "lesion": labels == 3,
        "lesion_outer": np.isin(labels, [3, 4]),
    }.items():
        soft = ndimage.gaussian_filter(np.pad(mask.astype(np.float32), 1), 0.7)
        points, faces, _, _ = measure.marching_cubes(soft, 0.5, step_size=1)
        points = origin + (points - 1)[:, ::-1] * spacing
        faces = faces[:, ::-1]
        value = 2.0 + 1.8 * np.sin(points[:, 2] / 9) + 1.5 * np.cos(points[:, 1] / 7) if part == "femur" else None
        (folder / f"scans.{SCAN}.mesh.{part}.bin").write_bytes(mesh_bytes(points, faces, value))
    solid = revolved([(0.01, 0), (15.5, 0), (10, -19), (4.4, -20), (3.4, -40), (0.01, -43)])
    (folder / "solids.cone.3.bin").write_bytes(mesh_bytes(*solid))

    person = json.loads((HERE / f"hips.{HIP}.json").read_text())["person"]
    side = "right"
    card = {
        "scan_id": SCAN,
        "modality": "CT",
        "taken": "2026-11-16",
        "age_days": 9,
        "words": "CT, 1.0 mm slices, 180 slices",
        "state": "read",
        "says": "read; outlines corrected",
        "side": side,
        "used_here": True,
    }
    segmentation = {
        "state": "found",
        "job_id": None,
        "says": "Outlines found by the program; not corrected.",
        "step": 1,
        "can_undo": False,
        "can_redo": False,
        "saved_at": "2026-11-17T09:42:00Z",
        "last_edit": None,
    }
    shaft_points = [
        list(
            map(
                float,
                centre - shaft * k + (np.array(truth["shaft_points_lps_mm"][0]) - (centre - shaft * 90)),
            )
        )
        for k in (0, 130)
    ]
    page = {
        "scan_id": SCAN,
        "hip_id": HIP,
        "side": side,
        "person": person,
        "card": card,
        "finding": "Dead bone of 13.7 cm³ lies in the upper front of the head; sound bone starts 27.0 mm down.",
        "header": [{"name": "taken", "text": "16 Nov 2026"}, {"name": "slices", "text": "180 of 1.0 mm, even"}],
        "findings": [
            {
                "code": "localizer",
                "weight": "note",
                "says": "One localizer slice under the same series number was left out.",
            },
            {
                "code": "incomplete",
                "weight": "warn",
                "says": "The condyles are not in this scan: version has no value here.",
            },
        ],
        "plannable": True,
        "grid": {
            "origin": list(origin),
            "axes": np.eye(3).tolist(),
            "spacing": spacing,
            "slices": shape[0],
            "rows": shape[1],
            "columns": shape[2],
        },
        "window": [350, 1600],
        "side_confirmed": False,
        "side_says": "The header says right. Confirm it from the picture.",
        "segmentation": segmentation,
        "calibration": {
            "state": "none",
            "words": "Uncalibrated: no rods and no typed calibration. Only ratios within the scan are shown.",
            "slope": None,
            "offset": None,
        },
        "lesions": [
            {
                "number": 1,
                "kind": "dead",
                "volume": number("lesion_volume_cm3", "dead bone", 13.7, 3.2, "cm3"),
                "centre": list(lesion),
            }
        ],
        "numbers": [
            number("head_diameter_mm", "head diameter", 2 * radius, 0.6, "mm"),
            number("neck_shaft_angle_deg", "neck-shaft angle", truth["neck_shaft_angle_deg"], 1.4, "deg"),
            number("femoral_offset_mm", "femoral offset", truth["femoral_offset_mm"], 1.1, "mm"),
            number("neck_diameter_mm", "least neck diameter", 30.7, 0.8, "mm"),
            number("head_neck_ratio", "head-neck ratio", 1.48, 0.04, "", 2),
            number("version_deg", "version", None, 0, "deg", 0, reason="Not in this scan: the condyles are missing."),
            number("lesion_share_percent", "share of the head", 25, 6, "%", 0),
            number("weight_bearing_percent", "weight-bearing share", 41, 8, "%", 0),
            number("combined_angle_deg", "combined necrotic angle", 212, 14, "deg", 0),
        ],
        "markers": [
            {"key": "head", "label": "head sphere", "kind": "sphere", "points": [list(centre)], "radius_mm": radius},
            {
                "key": "neck",
                "label": "neck axis",
                "kind": "line",
                "points": [list(centre + neck * radius), list(centre - neck * 70)],
            },
            {"key": "shaft", "label": "shaft axis", "kind": "line", "points": shaft_points},
        ],
        "neck_plane": [list(centre), list(centre - neck * 30), list(centre - shaft * 30)],
        "meshes": [
            {"part": p, "path": f"/api/scans/{SCAN}/mesh/{p}?hip={HIP}&v=1", "value": "wall" if p == "femur" else None}
            for p in ("femur", "pelvis", "lesion", "lesion_outer")
        ],
        "volume_version": "1",
    }
    write(folder / f"scans.{SCAN}.json", scan_pages.ScanPage, page)
    write(
        folder / f"scans.{SCAN}.edits.json",
        scan_pages.EditKept,
        {
            "segmentation": segmentation | {"step": 2, "can_undo": True, "last_edit": "brush"},
            "box": [[80, 40, 40], [90, 60, 60]],
            "volume_version": "1",
        },
    )

    # The neck frame: depth from the pole, x across in the neck plane, medial +.
    across = -shaft - np.dot(-shaft, neck) * neck
    across /= np.linalg.norm(across)
    pole = centre + neck * radius
    xs, ds = np.arange(-45, 45, 0.4), np.arange(-6, 82, 0.4)
    plane = pole + ds[:, None, None] * -neck + xs[None, :, None] * across
    index = ((plane - origin) / spacing)[..., ::-1].transpose(2, 0, 1)
    soft = [
        ndimage.map_coordinates(ndimage.gaussian_filter(np.isin(labels, which).astype(np.float32), 0.8), index, order=1)
        for which in ([1, 3, 4], [3], [3, 4], [2])
    ]

    def shapes(image: np.ndarray, role: str) -> list[dict[str, Any]]:
        return [
            {
                "role": role,
                "points": [
                    [float(xs[0] + c * 0.4), float(ds[0] + d * 0.4)] for d, c in measure.approximate_polygon(line, 0.3)
                ],
                "closed": role != "pelvis",
            }
            for line in measure.find_contours(np.pad(image, 1)[1:-1, 1:-1], 0.5)
            if len(line) > 20
        ]

    drawing = {
        "frame": "neck",
        "shapes": shapes(soft[3], "pelvis")
        + shapes(soft[0], "bone")
        + shapes(soft[2], "uncertain")
        + shapes(soft[1], "dead"),
    }
    value = ndimage.map_coordinates(grey, index, order=1)
    from PIL import Image

    Image.fromarray(np.clip((value + 300) / 1700 * 255, 0, 255).astype(np.uint8)).save(
        folder / f"scans.{SCAN}.neck.png"
    )
    rows = []
    for depth in np.arange(0, 76, 1.0):
        u, v = np.meshgrid(np.arange(-40, 40, 0.8), np.arange(-40, 40, 0.8))
        front = np.cross(neck, across)
        at = pole - depth * neck + u[..., None] * across + v[..., None] * front
        found = ndimage.map_coordinates(labels, ((at - origin) / spacing)[..., ::-1].transpose(2, 0, 1), order=0)
        area, best, inner, outer = (float(np.isin(found, k).sum() * 0.64) for k in ([1, 3, 4], [1, 4], [1, 3, 4], [1]))
        inner = float(np.isin(found, [1, 4]).sum() * 0.64)
        best = (inner + outer) / 2
        density = 0.62 - 0.003 * depth if area > 60 else None
        rows.append(
            {
                "depth_mm": depth,
                "section_mm2": [area, area * 0.98, area * 1.02],
                "sound_mm2": [best, outer * 0.97, inner * 1.02],
                "sound_inner_mm2": inner,
                "sound_outer_mm2": outer,
                "density": density and [density, density - 0.05, density + 0.05],
                "wall_mm": [2 + depth / 60, 1.6 + depth / 60, 2.4 + depth / 60] if depth > 3 else None,
                "least_wall_mm": [1.1 + depth / 90, 0.8 + depth / 90, 1.5 + depth / 90] if depth > 3 else None,
                "joined": depth > 52,
            }
        )

    def sign(state: str, low: float, words: str) -> dict[str, Any]:
        return {
            "state": state,
            "low": low,
            "high": None,
            "words": words,
            "source": "invented",
            "status": "from_memory",
        }

    levels = []
    for name, word, depth, sound, wall, kept in (
        ("head_surface", "Head surface", 5.0, 31, 1.4, 94),
        ("mid_head", "Mid-head", 29.0, 98, 3.1, 51),
        ("high_neck", "High neck", 40.0, 99, 2.2, 27),
        ("low_neck", "Low neck", 58.0, 99, 2.6, 0),
    ):
        lines = [
            {
                "group": "Seat",
                "number": number("section_sound_percent", "section sound", sound, 2 if sound > 50 else 14, "%", 0),
                "limit": sign("outside" if sound < 50 else "within", 80, "at least 80 %"),
            },
            {
                "group": "Seat",
                "number": number("least_wall_mm", "least wall", wall, 0.4, "mm"),
                "limit": sign("outside" if wall < 1.5 else "near" if wall < 2.5 else "within", 2, "at least 2 mm"),
            },
            {
                "group": "Bone",
                "number": number("head_kept_percent", "head kept", kept, 2 if kept else 0, "%", 0),
                "limit": None,
            },
        ]
        width = 15.5
        part = {
            "frame": "neck",
            "shapes": [
                {
                    "role": "component",
                    "points": [
                        [-width, depth],
                        [width, depth],
                        [10, depth + 19],
                        [4.4, depth + 20],
                        [3.4, depth + 40],
                        [0, depth + 43],
                        [-3.4, depth + 40],
                        [-4.4, depth + 20],
                        [-10, depth + 19],
                    ],
                    "closed": True,
                },
                {"role": "seat_sound", "points": [[-14.3, depth + 4], [-10, depth + 19]], "closed": False},
                {"role": "seat_unsound", "points": [[-width, depth], [-14.3, depth + 4]], "closed": False},
                {"role": "seat_sound", "points": [[width, depth], [10, depth + 19]], "closed": False},
                {"role": "cut", "points": [[-24, depth], [24, depth]], "closed": False},
            ],
        }
        levels.append(
            {
                "level": name,
                "word": word,
                "depth": number("cut_depth_mm", "cut", depth, 0, "mm"),
                "range_mm": [max(0, depth - 9), depth + 12],
                "lines": lines,
                "component": None if name == "head_surface" else "cone, size 3",
                "reason": "No component of this level stands on enough sound bone." if name == "head_surface" else None,
                "drawing": None if name == "head_surface" else part,
            }
        )
    stock = {
        "hip_id": HIP,
        "scan_id": SCAN,
        "person": person,
        "side": side,
        "finding": "Sound bone starts 27.0 mm below the top of the head.",
        "says": "CT of 16 Nov 2026, 1.0 mm slices; uncalibrated. Outlines found by the program.",
        "sound_from": number("sound_bone_from_mm", "sound bone starts", 27.0, 1.3, "mm"),
        "lesion_volume": number("lesion_volume_cm3", "dead bone", 13.7, 3.2, "cm3"),
        "lesion_share": number("lesion_share_percent", "of the head", 25, 6, "%", 0),
        "density_unit": "g/cm3",
        "density_words": "g/cm³, rods in the scan",
        "rows": rows,
        "levels": levels,
        "chosen": "mid_head",
        "drawing": drawing,
        "picture": f"/api/scans/{SCAN}/neck?hip={HIP}",
        "picture_mm": [float(xs[0]), float(xs[-1]), float(ds[0]), float(ds[-1])],
        "numbers": page["numbers"][:4],
        "findings": page["findings"],
        "ms": 41.0,
    }
    write(folder / f"hips.{HIP}.stock.json", scan_pages.StockPage, stock)
    for level in levels:
        write(folder / f"post.hips.{HIP}.stock.cut.{level['level']}.json", scan_pages.CutLevelOut, level)
    write(
        folder / f"hips.{HIP}.agreement.json",
        scan_pages.AgreementPage,
        {
            "hip_id": HIP,
            "says": "The film's numbers agree with the scan's once projection and rotation are counted.",
            "rows": [
                {
                    "key": k,
                    "label": label,
                    "scan": number(k, label, a, 1.0, unit),
                    "film": number(k, label, b, 1.9, unit),
                    "difference": number(k, label, b - a, 2.1, unit, signed=True),
                    "explained": number(k, label, (b - a) * 0.7, 1.2, unit, signed=True),
                    "says": says,
                }
                for k, label, a, b, unit, says in (
                    ("head_diameter_mm", "head diameter", 46.8, 47.6, "mm", "scale"),
                    ("neck_shaft_angle_deg", "neck-shaft angle", 125.0, 128.1, "deg", "hip turned outward"),
                    ("femoral_offset_mm", "femoral offset", 42.8, 40.9, "mm", "hip turned outward"),
                )
            ],
        },
    )
    write(
        folder / f"hips.{HIP}.planned-film.json",
        scan_pages.PlannedFilmOut,
        {
            "planned": f"/api/scans/{SCAN}/neck?hip={HIP}",
            "film": f"/api/scans/{SCAN}/neck?hip={HIP}",
            "words": "The scan projected as the film was taken, with the component in place.",
            "taken": "2026-11-09",
        },
    )

    hip = json.loads((HERE / f"hips.{HIP}.json").read_text())
    for film in hip["films"]:
        film.setdefault("used_here", True)
    hip["scans"] = [card]
    stations = {s["key"]: s for s in hip["stations"]}
    extra = [
        {"key": "scan", "title": "Scan", "note": "16 Nov", "state": "done", "open": True, "scan_id": SCAN},
        {"key": "stock", "title": "Stock", "note": "17 Nov", "state": "done", "open": True, "scan_id": SCAN},
    ]
    hip["stations"] = [
        stations["film"],
        stations["reading"],
        *extra,
        *(s for k, s in stations.items() if k not in ("film", "reading")),
    ]
    write(folder / f"hips.{HIP}.json", pages.HipPage, hip)

    comparison = json.loads((HERE / f"hips.{HIP}.comparison.json").read_text())
    medial = 1.0 if centre[0] < 0 else -1.0
    z = neck
    x = across
    matrix = np.eye(4)
    for appraisal, level in zip(comparison["levels"], levels, strict=False):
        depth = level["depth"]["value"]
        where = pole - depth * neck
        matrix[:3] = np.column_stack([x, np.cross(z, x), z, where])
        turn = np.linspace(0, 2 * np.pi, 40)
        seat = [
            [
                *map(float, where + matrix[:3, 0] * (12 * np.cos(t)) + matrix[:3, 1] * (12 * np.sin(t)) - z * 10),
                1.0 if np.sin(t) < 0.6 else 0.0,
                3.0 + 2 * np.cos(t),
            ]
            for t in turn
        ]
        axes = [[medial, 0, 0], [0, -1, 0], [0, 0, 1]]
        hipm = np.array(axes)
        p, a = hipm @ (where - centre), hipm @ z
        appraisal["placement"]["space"] = {
            "x_mm": float(p[0]),
            "y_mm": float(p[1]),
            "z_mm": float(p[2]),
            "frontal_deg": float(np.degrees(np.arctan2(a[2], a[0]))),
            "forward_deg": float(np.degrees(np.arcsin(a[1]))),
            "roll_deg": 0.0,
        }
        appraisal["space"] = {
            "component": "cone/3",
            "component_to_lps": [float(v) for v in matrix.ravel()],
            "hip_axes": axes,
            "cut_point": list(where),
            "cut_normal": list(neck),
            "wire": [list(pole), list(where - neck * 60)],
            "head_centre": list(centre),
            "head_radius_mm": 23.5,
            "cup_centre": list(centre),
            "cup_radius_mm": 27.0,
            "cup_axis": list(neck),
            "least_wall_at": seat[3][:3],
            "seat": seat,
        }
    write(folder / f"hips.{HIP}.comparison.json", pages.Comparison, comparison)
    mid = comparison["levels"][1]
    write(
        folder / f"hips.{HIP}.placement.json",
        pages.PlacementPage,
        {
            "hip_id": HIP,
            "film_id": None,
            "lateral_film_id": None,
            "scan_id": SCAN,
            "appraisal": mid,
            "sizes": [{"family": "cone", "size": str(k), "words": f"cone, size {k}"} for k in range(1, 6)],
            "cup_sizes": [{"family": "cup", "size": str(k), "words": f"cup {k}"} for k in (52, 54, 56)],
            "heads": [46.0, 47.0, 48.0],
            "neck_lengths": [],
            "step": 1,
            "can_undo": True,
            "can_redo": False,
            "saved_at": None,
            "target_leg_mm": 0,
            "target_offset_mm": 0,
        },
    )
    write(folder / f"hips.{HIP}.appraise.json", pages.Appraisal, mid)
    (folder / "jobs.read.json").write_text(
        json.dumps(
            {
                "job_id": "read",
                "what": "Reading the scan",
                "state": "runs",
                "share": 0.4,
                "says": "parting femur and pelvis",
                "lines": [],
                "hip_ids": [HIP],
            }
        )
    )
    (folder / f"scans.{SCAN}.read.json").write_text((folder / "jobs.read.json").read_text())
    unread = page | {
        "scan_id": "s0",
        "finding": "This scan has not been read yet.",
        "card": card | {"scan_id": "s0", "state": "not_read"},
        "segmentation": segmentation | {"state": "none", "step": 0},
        "lesions": [],
        "numbers": [],
        "markers": [],
        "neck_plane": None,
        "meshes": [],
    }
    write(folder / "scans.s0.json", scan_pages.ScanPage, unread)
    (folder / "scans.s0.grey.bin").write_bytes(grey.tobytes())
    (folder / "scans.s0.labels.bin").write_bytes(bytes(grey.size))
    (folder / "scans.s0.read.json").write_text((folder / "jobs.read.json").read_text())


def write(path: Path, model: type[pages.Model], value: dict[str, Any]) -> None:
    """Write an answer that the model accepts."""

    def plain(of: Any) -> Any:
        return (
            of.isoformat()
            if isinstance(of, date | datetime)
            else of.item()
            if isinstance(of, np.generic)
            else of.tolist()
        )

    path.write_text(model.model_validate_json(json.dumps(value, default=plain)).model_dump_json())


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
