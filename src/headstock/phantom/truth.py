"""The truth of a film: where every landmark falls, and what perfect readings of it give.

In: a `PhantomPatient` and a `FilmSpec`. Out: plain dictionaries (JSON). No
picture is made, so hundreds of films take seconds.
Points in pixels (column, row), zero-based, centre of pixel; points in space LPS, mm. `film_measures`
holds perspective, rotation and tilt as the film does: it is what perfect clicks give. The values
in space beside it are what a scan would give.
Decision: docs/decisions/0111-truth-of-a-film.md
"""

from typing import Any, Final

import numpy as np

from headstock.errors import FrameError
from headstock.frames import Side, medial_column_sign
from headstock.geometry import fit_circle
from headstock.phantom.beam import Beam
from headstock.phantom.femur import AXIS_DEFINITIONS
from headstock.phantom.joint import least_gap_mm
from headstock.phantom.lesion import Body, necrotic_arc_deg
from headstock.phantom.outline2d import interval_on_line, star_radius_px
from headstock.phantom.patient import PhantomHip, PhantomPatient, make_hip_patient
from headstock.phantom.shape import Floats, Surface, innominate_vertices, sacrum_tip_vertex
from headstock.phantom.spec import FilmSpec, PhantomSpec
from headstock.phantom.views import beam_of

__all__ = ["ball_centre_lps_mm", "project_truth", "truth_of_film", "truth_of_patient"]

_LETTER: Final = {Side.LEFT: "L", Side.RIGHT: "R"}
_OUTLINE_DIRECTIONS: Final = 360
_JUNCTION_MM: Final = 1.0  # where the outline leaves the head's circle: the head-neck junction
_RIM_MM: Final = 2.0
_NOTE: Final = (
    "simulated; surfaces from an MPL-2.0 statistical shape model of CT-derived anatomy; cortex, density and lesion "
    "invented; points in mm, LPS; film points in pixels (column, row), zero-based, centre of pixel"
)


def _xyz(point: Floats) -> list[float]:
    return [round(float(v), 3) for v in point]


def _px(point: Floats) -> list[float]:
    return [round(float(v), 4) for v in point]


def ball_centre_lps_mm(patient: PhantomPatient, spec: FilmSpec) -> Floats:
    """Centre (3,) of the marker ball.

    Raises
    ------
    FrameError
        This film has no ball.
    """
    if spec.ball_mm is None:
        raise FrameError("This film has no marker ball, so it has no place. Give `ball_mm` a diameter.")
    beam = beam_of(patient, spec)
    hip = patient.hip
    head = hip.centre_lps_mm
    toward = -spec.ball_toward_source_mm * beam.normal
    if spec.view == "lateral_hip":
        proximal, anterior = spec.ball_at_mm or (4.0, 58.0)
        return np.asarray(head + toward + proximal * beam.along_row - anterior * beam.along_column)
    tip = hip.to_lps(hip.femur.landmarks["greater_trochanter"])
    outward = 1.0 if hip.side is Side.LEFT else -1.0
    # Beside the trochanter, but wholly on the film: a cut ball cannot be measured.
    half_film = 0.5 * spec.columns * spec.pixel_mm / float(beam.magnification(head + toward))
    middle = (beam.source @ beam.along_row - head @ beam.along_row) * outward
    beside = min(abs(tip[0] - head[0]) + 22.0, middle + half_film - 0.5 * spec.ball_mm - 4.0)
    lateral, proximal = spec.ball_at_mm or (beside, -72.0)
    return np.asarray(head + toward + np.array([outward * lateral, 0.0, proximal]))


def sphere_outline_px(beam: Beam, centre: Floats, radius: float, count: int = 180) -> Floats:
    """The outline (count, 2) of a sphere: the circle in which rays touch it, projected. Exact."""
    ray = centre - beam.source
    distance = float(np.linalg.norm(ray))
    toward = ray / distance
    a = np.cross(toward, [0.0, 0.0, 1.0] if abs(toward[2]) < 0.9 else [1.0, 0.0, 0.0])
    a /= np.linalg.norm(a)
    b = np.cross(toward, a)
    middle = centre - radius**2 / distance * toward
    ring = radius * np.sqrt(1.0 - (radius / distance) ** 2)
    angle = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)[:, None]
    return beam.project(middle + ring * (np.cos(angle) * a + np.sin(angle) * b))


def _fitted_circle(points_px: Floats) -> list[float]:
    fit = fit_circle(points_px)
    return [*_px(fit.centre), round(float(fit.radius), 4)]


def _rotated(v: Floats) -> Floats:
    return np.array([-v[1], v[0]])


def _unit(v: Floats) -> Floats:
    return np.asarray(v / np.linalg.norm(v))


def _angle_deg(u: Floats, v: Floats) -> float:
    return float(np.degrees(np.arccos(np.clip(_unit(u) @ _unit(v), -1.0, 1.0))))


class _HipOnFilm:
    """One hip's points, circles and outlines on one film."""

    def __init__(self, patient: PhantomPatient, hip: PhantomHip, beam: Beam, spec: FilmSpec) -> None:
        self.hip, self.beam, self.spec = hip, beam, spec
        self.lateral = spec.view == "lateral_hip"
        self.px_per_mm = float(beam.magnification(hip.centre_lps_mm)) / beam.pixel_mm
        femur, axes = hip.femur, hip.femur.axes
        self.faces = femur.outer.faces
        self.outer_px = beam.project(hip.to_lps(femur.outer.vertices))
        self.canal_px = beam.project(hip.to_lps(femur.canal.vertices))
        self.head = beam.project(hip.centre_lps_mm)
        self.neck_point = beam.project(hip.to_lps(axes.neck_centroid))
        self.shaft = beam.project(hip.to_lps(axes.shaft_points))
        self.up_neck = _unit(self.head - self.neck_point)
        self.up_shaft = _unit(self.shaft[0] - self.shaft[1])
        if self.lateral:
            self.sides = ("anterior", "posterior")
            across = np.array([0.0, -1.0])
        else:
            self.sides = ("superior", "inferior")
            across = np.array([float(-medial_column_sign(hip.side, True)), -1.0])
        # Across the neck, toward superior (AP) or anterior (lateral).
        n = _rotated(self.up_neck)
        self.across_neck = n if n @ across > 0.0 else -n
        medial = np.array([float(medial_column_sign(hip.side, True)), 0.0])
        s = _rotated(self.up_shaft)
        self.medial_of_shaft = s if s @ medial > 0.0 else -s
        self.points: dict[str, Floats] = {}
        self.circles: dict[str, list[float]] = {}
        self.outlines: dict[str, Floats] = {}
        self.mm: dict[str, float] = {}
        self._head()
        self._neck()
        self._shaft()
        if not self.lateral:
            self._pelvic(patient)
            self._trochanters()

    def _head(self) -> None:
        axes = self.hip.femur.axes
        outline = sphere_outline_px(self.beam, self.hip.centre_lps_mm, axes.head.radius)
        self.circles["head"] = _fitted_circle(outline)
        self.points["head_centre"] = self.head
        depth = -(self.hip.femur.outer.vertices @ axes.neck_axis)
        beside = np.linalg.norm(self.hip.femur.outer.vertices + depth[:, None] * axes.neck_axis, axis=1)
        # Head and neck only: the tip of the trochanter can lie as high as the head centre.
        near = (depth < 1.9 * axes.head.radius) & (beside < axes.head.radius + 5.0)
        faces = self.faces[near[self.faces].all(axis=1)]
        # Directions counted from distally along the neck, turning through `across_neck`.
        angle = np.radians(np.linspace(0.0, 360.0, _OUTLINE_DIRECTIONS, endpoint=False))
        directions = -np.cos(angle)[:, None] * self.up_neck + np.sin(angle)[:, None] * self.across_neck
        radius = star_radius_px(self.outer_px, faces, self.head, directions)
        self.outline_directions, self.outline_radius = directions, radius
        circle = self.circles["head"][2]
        first = {}
        for sign, name in ((1, self.sides[0]), (-1, self.sides[1])):
            for k in range(int(_OUTLINE_DIRECTIONS * 100 / 360), 4, -1):
                index = (sign * k) % _OUTLINE_DIRECTIONS
                if abs(radius[index] - circle) > _JUNCTION_MM * self.px_per_mm and k < _OUTLINE_DIRECTIONS * 88 / 360:
                    first[name] = k
                    self.points[f"head_neck_junction_{name}"] = self.head + radius[index] * directions[index]
                    break
        low, high = first.get(self.sides[0], 60), first.get(self.sides[1], 60)
        keep = np.arange(low, _OUTLINE_DIRECTIONS - high + 1)
        self.outlines["head"] = self.head + radius[keep, None] * directions[keep]
        self.mm["collapse_depth_mm"] = 0.0
        if self.hip.femur.collapse_mm > 0.0:
            before = star_radius_px(
                self.beam.project(self.hip.to_lps(self.hip.femur.whole.vertices)), faces, self.head, directions
            )
            sunk = np.flatnonzero(before - radius > 0.2 * self.px_per_mm)
            if len(sunk) > 1:
                self.outlines["collapse"] = self.head + radius[sunk, None] * directions[sunk]
                self.mm["collapse_depth_mm"] = max(float(np.max(circle - radius[sunk])) / self.px_per_mm, 0.0)

    def _neck(self) -> None:
        radius = self.hip.femur.axes.head.radius * self.px_per_mm
        rows = []
        for depth in np.arange(0.7, 1.9, 0.03) * radius:
            span = interval_on_line(self.outer_px, self.faces, self.head - depth * self.up_neck, self.across_neck)
            if span is not None:
                rows.append((depth, *span))
        table = np.array(rows)
        at = self.head - table[:, :1] * self.up_neck
        self.outlines[f"neck_{self.sides[0]}"] = at + table[:, 2:3] * self.across_neck
        self.outlines[f"neck_{self.sides[1]}"] = at + table[:, 1:2] * self.across_neck
        inside = (table[:, 0] > 0.8 * radius) & (table[:, 0] < 1.6 * radius)
        width = np.where(inside, table[:, 2] - table[:, 1], np.inf)
        k = int(width.argmin())
        self.points[f"neck_{self.sides[0]}"] = at[k] + table[k, 2] * self.across_neck
        self.points[f"neck_{self.sides[1]}"] = at[k] + table[k, 1] * self.across_neck
        self.points["neck_axis_point"] = self.neck_point
        self.mm["neck_width_mm"] = float(width[k]) / self.px_per_mm

    def _shaft(self) -> None:
        self.points["shaft_proximal"], self.points["shaft_distal"] = self.shaft[0], self.shaft[1]
        across, first, second = self.medial_of_shaft, "medial", "lateral"
        if self.lateral:
            across, first, second = _rotated(self.up_shaft), "anterior", "posterior"
            across = across if across[1] < 0.0 else -across
        lesser = self.beam.project(self.hip.to_lps(self.hip.femur.landmarks["lesser_trochanter"]))
        level = float((lesser - self.shaft[0]) @ self.up_shaft)  # px proximal of the upper shaft point

        def edges(points_px: Floats, above_lesser_mm: float) -> tuple[Floats, Floats] | None:
            at = self.shaft[0] + (level + above_lesser_mm * self.px_per_mm) * self.up_shaft
            span = interval_on_line(points_px, self.faces, at, across)
            return None if span is None else (at + span[1] * across, at + span[0] * across)

        at_shaft = -level / self.px_per_mm
        wanted = [("shaft_edge", self.outer_px, at_shaft)]
        if not self.lateral:
            wanted += [
                ("canal_20", self.canal_px, 20.0),
                ("calcar", self.canal_px, 0.0),
                ("canal_100", self.canal_px, -100.0),
                ("shaft_100", self.outer_px, -100.0),
            ]
        for name, points_px, above in wanted:
            found = edges(points_px, above)
            if found is not None and self._on_film(*found):
                self.points[f"{name}_{first}"], self.points[f"{name}_{second}"] = found
        narrowest = np.inf
        kept: dict[str, list[Floats]] = {f"{n}_{s}": [] for n in ("shaft", "canal") for s in (first, second)}
        for above in np.arange(-20.0, -130.0, -2.5):
            canal, outer = edges(self.canal_px, above), edges(self.outer_px, above)
            if canal is None or outer is None or not self._on_film(*outer):
                continue
            for name, pair in (("shaft", outer), ("canal", canal)):
                kept[f"{name}_{first}"].append(pair[0])
                kept[f"{name}_{second}"].append(pair[1])
            width = float(np.linalg.norm(canal[0] - canal[1]))
            if width < narrowest and not self.lateral:
                narrowest = width
                self.points["isthmus_medial"], self.points["isthmus_lateral"] = canal
        self.outlines.update({name: np.array(points) for name, points in kept.items() if len(points) > 1})

    def _on_film(self, *points: Floats) -> bool:
        size = np.array([self.beam.columns, self.beam.rows])
        return all(bool((p > -0.5).all() and (p < size - 0.5).all()) for p in points)

    def _trochanters(self) -> None:
        marks = self.hip.femur.landmarks
        self.points["lesser_trochanter"] = self.beam.project(self.hip.to_lps(marks["lesser_trochanter"]))
        off = (self.outer_px - self.shaft[0]) @ self.medial_of_shaft
        depth = -(self.hip.femur.outer.vertices @ self.hip.femur.axes.neck_axis)
        lateral = (off < 2.0 * self.px_per_mm) & (depth > 1.2 * self.hip.femur.axes.head.radius)
        high = np.where(lateral, self.outer_px @ self.up_shaft, -np.inf)
        self.points["greater_trochanter"] = self.outer_px[int(high.argmax())]

    def _pelvic(self, patient: PhantomPatient) -> None:
        side, project = self.hip.side.value, self.beam.project
        marks = patient.landmarks
        self.points["teardrop"] = project(marks[f"{side}.teardrop"])
        self.points["ischium"] = project(marks[f"{side}.ischium"])
        self.points["asis"] = project(marks[f"{side}.asis"])
        # In a mirrored patient the model's left bone lies on the right.
        model_side = self.hip.side.other if patient.spec.mirrored else self.hip.side
        mine = innominate_vertices(model_side.value)
        bone = project(patient.pelvis.vertices[mine])
        self.points["pelvis_top"] = bone[int(bone[:, 1].argmin())]
        joint = sourcil_lps_mm(patient, self.hip)
        if joint is not None:
            self.points["sourcil_medial"], self.points["sourcil_lateral"] = project(joint[0]), project(joint[1])

    def lesion(self, body: Body) -> dict[str, Any]:
        """Outline and arc of one lesion on this film."""
        surface: Surface = body.body
        points = self.beam.project(self.hip.to_lps(surface.vertices))
        centre = self.beam.project(self.hip.to_lps(body.centre))
        angle = np.radians(np.arange(0.0, 360.0, 3.0))
        directions = np.stack([np.cos(angle), np.sin(angle)], axis=1)
        outline = centre + star_radius_px(points, surface.faces, centre, directions)[:, None] * directions
        away = outline - self.head
        reach = np.linalg.norm(away, axis=1)
        on_edge = reach > 0.8 * self.circles["head"][2]
        arc = 0.0
        if on_edge.sum() > 2:
            arc = necrotic_arc_deg(away[on_edge], np.array([1.0, 0.0]), np.array([0.0, 1.0]))
        return {"outline": outline, "arc_deg": arc}


def sourcil_lps_mm(patient: PhantomPatient, hip: PhantomHip) -> tuple[Floats, Floats] | None:
    """Medial and lateral end (3,) of the weight-bearing roof, LPS.

    In the frontal plane through the head centre: lateral, where the bone leaves the joint
    surface by `_RIM_MM`; medial, where the dense roof ends, 38 degrees inward of straight up (as drawn).
    """
    pelvis = patient.pelvis
    near = np.linalg.norm(pelvis.vertices - hip.centre_lps_mm, axis=1) < hip.socket_radius_mm + 12.0
    faces = pelvis.faces[near[pelvis.faces].all(axis=1)]
    height = pelvis.vertices[:, 1] - hip.centre_lps_mm[1]
    outward = 1.0 if hip.side is Side.LEFT else -1.0
    found: list[tuple[float, Floats]] = []
    for face in faces:
        ends = []
        for a, b in ((face[0], face[1]), (face[1], face[2]), (face[2], face[0])):
            if (height[a] > 0.0) != (height[b] > 0.0):
                share = height[a] / (height[a] - height[b])
                ends.append(pelvis.vertices[a] + share * (pelvis.vertices[b] - pelvis.vertices[a]))
        if len(ends) != 2:
            continue
        # The part of the segment that still belongs to the joint surface.
        gap = [float(np.linalg.norm(p - hip.centre_lps_mm)) - hip.socket_radius_mm - _RIM_MM for p in ends]
        if gap[0] > 0.0 and gap[1] > 0.0:
            continue
        if (gap[0] > 0.0) != (gap[1] > 0.0):
            outer, inner = (0, 1) if gap[0] > 0.0 else (1, 0)
            share = gap[outer] / (gap[outer] - gap[inner])
            ends[outer] = ends[outer] + share * (ends[inner] - ends[outer])
        for point in ends:
            away = point - hip.centre_lps_mm
            if away[2] > 0.0:
                found.append((float(np.degrees(np.arctan2(away[0] * outward, away[2]))), point))
    if not found:
        return None
    _, lateral = max(found, key=lambda pair: pair[0])
    turn = np.radians(38.0)
    medial = hip.centre_lps_mm + hip.socket_radius_mm * np.array([-outward * np.sin(turn), 0.0, np.cos(turn)])
    return medial, lateral


def _spot(beam: Beam, point: Floats) -> dict[str, float]:
    column, row = beam.project(point)
    return {
        "col": round(float(column), 2),
        "row": round(float(row), 2),
        "magnification": round(float(beam.magnification(point)), 4),
    }


def _ball(patient: PhantomPatient, spec: FilmSpec, beam: Beam) -> dict[str, Any]:
    assert spec.ball_mm is not None
    centre = ball_centre_lps_mm(patient, spec)
    spot = _spot(beam, centre)
    circle = _fitted_circle(sphere_outline_px(beam, centre, 0.5 * spec.ball_mm))
    return {
        "true_diameter_mm": spec.ball_mm,
        "centre": spot,
        "image_diameter_px": round(spec.ball_mm * float(beam.magnification(centre)) / beam.pixel_mm, 3),
        "fitted_circle_px": circle,
        "magnification": spot["magnification"],
        "toward_source_of_hip_mm": spec.ball_toward_source_mm,
    }


def _vertical_line(a: Floats, b: Floats, p: Floats) -> float:
    """Signed px of `p` below the line a-b, at right angles to it (positive: farther down the film)."""
    along = _unit(b - a) if b[0] > a[0] else _unit(a - b)
    return float((p - a) @ _rotated(along))


def _film_measures(sides: dict[Side, _HipOnFilm], patient: PhantomPatient, mm_per_px: float) -> dict[str, Any]:
    """What perfect clicks on an AP film give, scaled at the head of the hip under study."""
    study = patient.spec.side
    out: dict[str, Any] = {
        "note": (
            "what perfect clicks on this film give: pixel positions below, scaled by the magnification at the head "
            "centre of the hip under study; perspective and pelvic rotation included"
        ),
        "mm_per_pixel_at_head": round(mm_per_px, 6),
    }
    each: dict[str, dict[str, float]] = {}
    drops = {side: hip.points["teardrop"] for side, hip in sides.items()}
    line = _unit(drops[Side.LEFT] - drops[Side.RIGHT])
    for side, hip in sides.items():
        p = hip.points
        up_neck, up_shaft = hip.head - hip.neck_point, hip.shaft[0] - hip.shaft[1]
        values = {
            "neck_shaft_angle_deg": 180.0 - _angle_deg(up_neck, up_shaft),
            "femoral_offset_mm": float((hip.head - hip.shaft[0]) @ hip.medial_of_shaft) * mm_per_px,
            "head_diameter_mm": 2.0 * hip.circles["head"][2] * mm_per_px,
            "neck_width_mm": hip.mm["neck_width_mm"] * hip.px_per_mm * mm_per_px,
            "mpfa_deg": _angle_deg(hip.head - p["greater_trochanter"], -up_shaft),
            "articulo_trochanteric_distance_mm": (
                float((hip.head - p["greater_trochanter"]) @ hip.up_shaft) + hip.circles["head"][2]
            )
            * mm_per_px,
            "collapse_depth_mm": hip.mm["collapse_depth_mm"] * hip.px_per_mm * mm_per_px,
        }
        if "sourcil_lateral" in p:
            # Up is across the line of the teardrops, as the trade measures both angles on a pelvis film.
            out_along = line * (1.0 if side is Side.LEFT else -1.0)
            up = np.array([line[1], -line[0]])
            edge, roof = p["sourcil_lateral"] - hip.head, p["sourcil_lateral"] - p["sourcil_medial"]
            values["centre_edge_angle_deg"] = float(np.degrees(np.arctan2(edge @ out_along, edge @ up)))
            values["toennis_angle_deg"] = float(np.degrees(np.arctan2(roof @ up, roof @ out_along)))
        each[_LETTER[side]] = {name: round(value, 3) for name, value in values.items()}
    out.update({k: each[_LETTER[study]][k] for k in ("neck_shaft_angle_deg", "femoral_offset_mm", "head_diameter_mm")})
    below = {
        _LETTER[side]: round(
            _vertical_line(drops[Side.RIGHT], drops[Side.LEFT], hip.points["lesser_trochanter"]) * mm_per_px, 3
        )
        for side, hip in sides.items()
    }
    out["lesser_trochanter_below_line_mm"] = below
    out["right_minus_left_mm"] = round(below["R"] - below["L"], 3)
    out["line"] = "through the lower ends of both teardrops"
    for side, hip in sides.items():
        height = -_vertical_line(drops[Side.RIGHT], drops[Side.LEFT], hip.head) * mm_per_px
        along = line * (1.0 if side is Side.LEFT else -1.0)
        each[_LETTER[side]]["centre_of_rotation_height_mm"] = round(height, 3)
        each[_LETTER[side]]["centre_of_rotation_lateral_mm"] = round(
            float((hip.head - drops[side]) @ along) * mm_per_px, 3
        )
    out["each_side"] = each
    out["teardrop_line_deg"] = round(float(np.degrees(np.arctan2(-line[1], line[0]))), 3)
    return out


def _keyed(sides: dict[Side, _HipOnFilm], patient: PhantomPatient, beam: Beam, spec: FilmSpec) -> dict[str, Any]:
    """Points, circles and outlines under the keys of a reading (`right.head_centre` ...)."""
    points: dict[str, list[float]] = {}
    circles: dict[str, list[float]] = {}
    outlines: dict[str, list[list[float]]] = {}
    for side, hip in sides.items():
        points.update({f"{side}.{name}": _px(p) for name, p in hip.points.items()})
        circles.update({f"{side}.{name}": c for name, c in hip.circles.items()})
        outlines.update({f"{side}.{name}": [_px(p) for p in line] for name, line in hip.outlines.items()})
        for k, body in enumerate(hip.hip.bodies):
            name = f"{side}.lesion" if k == 0 else f"{side}.lesion_{k + 1}"
            outlines[name] = [_px(p) for p in hip.lesion(body)["outline"]]
    if spec.view != "lateral_hip":
        tubercles = 0.5 * (patient.landmarks["left.pubic_tubercle"] + patient.landmarks["right.pubic_tubercle"])
        points["pubic_symphysis"] = _px(beam.project(tubercles))
        points["sacrum_midline"] = _px(beam.project(patient.pelvis.vertices[sacrum_tip_vertex()]))
    return {"points": points, "circles": circles, "outlines": outlines}


def truth_of_patient(patient: PhantomPatient) -> dict[str, Any]:
    """What a perfect reading in space gives, under the names of the supplied cases."""
    spec = patient.spec
    hip = patient.hip
    axes = hip.femur.axes
    across_spines = patient.landmarks["left.asis"] - patient.landmarks["right.asis"]
    x = _unit(across_spines)
    up = patient.pelvic_axes[2]
    up = _unit(up - (up @ x) * x)
    lesser = {s: h.to_lps(h.femur.landmarks["lesser_trochanter"]) for s, h in patient.hips.items()}
    greater = {s: h.to_lps(h.femur.landmarks["greater_trochanter"]) for s, h in patient.hips.items()}
    neck, shaft = hip.direction_lps(axes.neck_axis), hip.direction_lps(axes.shaft_axis)
    shaft_points = hip.to_lps(axes.shaft_points)
    flat_neck, flat_shaft = neck[[0, 2]], shaft[[0, 2]]
    across = _rotated(_unit(flat_shaft))
    truth: dict[str, Any] = {
        "case": spec.name,
        "side": hip.side.value,
        "note": _NOTE,
        "head_fit": (
            f"least-squares sphere through the head of the surface model, before collapse; rms {axes.head.rms:.2f} mm"
        ),
        "axis_definitions": AXIS_DEFINITIONS,
        "head_diameter_mm": round(2.0 * axes.head.radius, 3),
        "head_centre_lps_mm": _xyz(hip.centre_lps_mm),
        "neck_axis_lps": [round(float(v), 5) for v in neck],
        "neck_centroid_lps_mm": _xyz(hip.to_lps(axes.neck_centroid)),
        "smallest_neck_section_mm2": round(axes.neck_section_mm2, 1),
        "shaft_axis_lps": [round(float(v), 5) for v in shaft],
        "shaft_points_lps_mm": [_xyz(p) for p in shaft_points],
        "neck_shaft_angle_deg": round(axes.neck_shaft_angle_deg, 3),
        "femoral_offset_mm": round(axes.femoral_offset_mm, 3),
        "parallel_projection_neck_shaft_angle_deg": round(180.0 - _angle_deg(flat_neck, flat_shaft), 3),
        "parallel_projection_femoral_offset_mm": round(
            abs(float((hip.centre_lps_mm - shaft_points[0])[[0, 2]] @ across)), 3
        ),
        "lesser_trochanter_lps_mm": {_LETTER[s]: _xyz(p) for s, p in lesser.items()},
        "greater_trochanter_lps_mm": {_LETTER[s]: _xyz(p) for s, p in greater.items()},
        "head_centres_lps_mm": {_LETTER[s]: _xyz(h.centre_lps_mm) for s, h in patient.hips.items()},
        "head_diameters_mm": {_LETTER[s]: round(2.0 * h.femur.axes.head.radius, 3) for s, h in patient.hips.items()},
        "neck_shaft_angles_deg": {
            _LETTER[s]: round(h.femur.axes.neck_shaft_angle_deg, 3) for s, h in patient.hips.items()
        },
        "femoral_offsets_mm": {_LETTER[s]: round(h.femur.axes.femoral_offset_mm, 3) for s, h in patient.hips.items()},
        "ischial_tuberosity_lps_mm": {_LETTER[s]: _xyz(patient.landmarks[f"{s}.ischium"]) for s in Side},
        "teardrop_lps_mm": {_LETTER[s]: _xyz(patient.landmarks[f"{s}.teardrop"]) for s in Side},
        "lowest_medial_acetabulum_lps_mm": {
            _LETTER[s]: _xyz(patient.landmarks[f"{s}.lowest_medial_acetabulum"]) for s in Side
        },
        "leg_length_difference_right_minus_left_mm": round(float((lesser[Side.LEFT] - lesser[Side.RIGHT]) @ up), 3),
        "leg_length_note": (
            "height of the lesser trochanters in the pelvic frame whose transverse axis joins the anterior superior "
            "iliac spines: left minus right; negative = right leg shorter"
        ),
        "joint_space_mm": hip.spec.joint_space_mm,
        "least_joint_gap_mm": _least_gap_mm(patient),
        "collapse_depth_mm": hip.femur.collapse_mm,
        "lesions": [_lesion_truth(hip, body) for body in hip.bodies],
    }
    truth["lesion"] = truth["lesions"][0] if truth["lesions"] else None
    return truth


def _least_gap_mm(patient: PhantomPatient) -> float | None:
    """Least distance between the bones of the hip under study, facet to facet; None once the joint is replaced."""
    hip = patient.hip
    return None if hip.replaced else round(least_gap_mm(hip.surface_lps(hip.femur.outer), patient.pelvis), 3)


def _lesion_truth(hip: PhantomHip, body: Body) -> dict[str, Any]:
    radius = hip.femur.axes.head.radius
    volume = body.body.volume_mm3()
    head_mm3 = 4.0 / 3.0 * np.pi * radius**3
    out: dict[str, Any] = {
        "kind": body.kind,
        "centre_lps_mm": _xyz(hip.to_lps(body.centre)),
        "volume_mm3": round(volume, 1),
        "percent_of_head_sphere": round(100.0 * volume / head_mm3, 2),
    }
    if body.kind == "dead_sector" and hip.spec.sector is not None:
        out.update(
            half_angle_deg=hip.spec.sector.half_angle_deg,
            depth_mm=hip.spec.sector.depth_mm,
            collapse_mm=hip.spec.sector.collapse_mm,
        )
    return out


def truth_of_film(patient: PhantomPatient, spec: FilmSpec) -> dict[str, Any]:
    """The patient's truth with that of one film: `film` (AP) or `lateral_film`, and what perfect clicks give."""
    beam = beam_of(patient, spec)
    lateral = spec.view == "lateral_hip"
    study = patient.spec.side
    shown = {study: patient.hip} if lateral or spec.view == "ap_hip" else patient.hips
    sides = {side: _HipOnFilm(patient, hip, beam, spec) for side, hip in shown.items()}
    truth = truth_of_patient(patient)
    film: dict[str, Any] = {
        "view": spec.view,
        "rows": spec.rows,
        "columns": spec.columns,
        "pixel_mm_at_detector": spec.pixel_mm,
        "source_detector_mm": spec.source_detector_mm,
        "hip_to_detector_mm": spec.hip_to_detector_mm,
        "magnification_at_head": round(float(beam.magnification(patient.hip.centre_lps_mm)), 6),
        **_keyed(sides, patient, beam, spec),
        "necrotic_arcs_deg": [round(sides[study].lesion(b)["arc_deg"], 2) for b in patient.hip.bodies],
        "collapse_depth_on_film_mm": round(sides[study].mm["collapse_depth_mm"], 3),
    }
    if spec.ball_mm is not None:
        film["marker_ball"] = _ball(patient, spec, beam)
    if lateral:
        film["head_centre"] = _spot(beam, patient.hip.centre_lps_mm)
        truth["lateral_film"] = film
        return truth
    mm_per_px = 1.0 / sides[study].px_per_mm
    if len(sides) == 2:
        truth["film_measures"] = _film_measures(sides, patient, mm_per_px)
    for name, points in (
        ("head_centre", {s: h.centre_lps_mm for s, h in patient.hips.items()}),
        ("lesser_trochanter", {s: h.to_lps(h.femur.landmarks["lesser_trochanter"]) for s, h in patient.hips.items()}),
        ("greater_trochanter", {s: h.to_lps(h.femur.landmarks["greater_trochanter"]) for s, h in patient.hips.items()}),
        ("ischial_tuberosity", {s: patient.landmarks[f"{s}.ischium"] for s in Side}),
        ("teardrop", {s: patient.landmarks[f"{s}.teardrop"] for s in Side}),
        ("lowest_medial_acetabulum", {s: patient.landmarks[f"{s}.lowest_medial_acetabulum"] for s in Side}),
    ):
        film[name] = {_LETTER[s]: _spot(beam, p) for s, p in points.items()}
    hip = patient.hip
    film["shaft_points"] = [_spot(beam, p) for p in hip.to_lps(hip.femur.axes.shaft_points)]
    film["neck_centroid"] = _spot(beam, hip.to_lps(hip.femur.axes.neck_centroid))
    truth["film"] = film
    return truth


def project_truth(spec: PhantomSpec, film: FilmSpec | None = None) -> dict[str, Any]:
    """The truth of a film of this phantom without drawing it (about 0.4 s for a new patient on one slow core)."""
    return truth_of_film(make_hip_patient(spec), film or FilmSpec())
