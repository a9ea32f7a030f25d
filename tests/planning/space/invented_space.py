"""An invented hip in space, of a ball, a cylinder for a neck, a cylinder for a shaft and a block for a trochanter.

Fields are written from closed forms, not from voxels of a scan. No person's data.
"""

from functools import lru_cache

import numpy as np

from headstock.anatomy.scan.values import Density, ScanHip
from headstock.frames import LPS_TO_HIP, Side
from headstock.geometry.distance import Sampled
from headstock.geometry.grid import Grid
from headstock.implants import Catalogue, CupPlacement, Placement, Pose, SpacePose
from headstock.planning.space.fields import BoneVoxels, SpaceHip

RADIUS, NECK, OFFSET, NSA, VERSION = 24.0, 15.0, 44.0, 130.0, 12.0
CORTEX = 2.0
HEAD_HEIGHT = RADIUS + np.sqrt((RADIUS + 1.0) ** 2 - NECK**2)  # where the neck is 1 mm outside the ball: see the test
_TILT, _TURN = np.radians(NSA - 90.0), np.radians(VERSION)
AXIS = np.array([np.cos(_TILT) * np.cos(_TURN), np.cos(_TILT) * np.sin(_TURN), np.sin(_TILT)])
SHAFT = np.array([0.0, 0.0, 1.0])
# The neck's axis passes the shaft's at `BASE`: both meet there.
MEET = -AXIS * OFFSET / np.cos(_TILT)
BASE_DEPTH = RADIUS + OFFSET / np.cos(_TILT)
ACROSS = -(SHAFT - (SHAFT @ AXIS) * AXIS) / np.linalg.norm(SHAFT - (SHAFT @ AXIS) * AXIS)
FRONT = np.cross(AXIS, ACROSS)
STEP = 1.0


def rod(points, start, axis, radius, first, last):
    """Signed distance to a cylinder about `axis` from `first` to `last` along it; exact beside its wall."""
    shift = points - start
    along = shift @ axis
    beside = np.linalg.norm(shift - along[..., None] * axis, axis=-1) - radius
    return np.maximum(beside, np.maximum(first - along, along - last))


def femur_mm(points, radius=RADIUS, neck=NECK, trochanter=False):
    """Signed distance to the bone's surface; inside an overlap it is that of the deeper part."""
    head = np.linalg.norm(points, axis=-1) - radius
    found = np.minimum(head, rod(points, np.zeros(3), AXIS, neck, -OFFSET / np.cos(_TILT), 0.0))
    found = np.minimum(found, rod(points, MEET, SHAFT, 16.0, -130.0, 0.0))
    if trochanter:
        # A block lateral of the neck, as high as the head's centre.
        found = np.minimum(
            found, rod(points, MEET - 12.0 * np.array([AXIS[0], AXIS[1], 0.0]), SHAFT, 12.0, -30.0, 45.0)
        )
    return found


@lru_cache(maxsize=4)
def shape_on_grid(step, neck, trochanter):
    """First corner, points and signed distance of a grid about the hip."""
    low, high = np.array([-78.0, -45.0, -90.0]), np.array([36.0, 42.0, 62.0])
    shape = np.ceil((high - low) / step).astype(int) + 1
    points = low + step * np.moveaxis(np.indices(shape), 0, -1)
    return low, points, femur_mm(points, neck=neck, trochanter=trochanter)


def ball_mm(points, centre, radius):
    """Signed distance to a ball."""
    return np.linalg.norm(points - centre, axis=-1) - radius


def make_space(
    *, lesion=None, rim=0.8, draws=200, seed=3, side=Side.LEFT, sds=None, trochanter=False, shaft=True, film=None,
    pelvis=None, calibrated=True, step=STEP, turn=None, neck=NECK, edge=0.0,
):  # fmt: skip
    """A hip with stated errors: `sds` overrides {edge, centre, radius, axis, shaft, rim, height}, all 0 allowed.

    `lesion`: (centre, radius) of a ball of dead bone, hip frame; its rim lies `rim` mm to either side. `pelvis`: a
    function of points. `turn` (3, 3): the patient lies turned so in the scanner. `edge`: the surface read so far out.
    """
    sd = {"edge": 0.2, "centre": 0.3, "radius": 0.2, "axis": 0.8, "shaft": 0.4, "rim": 0.3, "height": 0.5} | (sds or {})
    rng = np.random.default_rng(seed)
    n = 1 + draws

    def noise(scale, *shape):
        out = np.zeros((n, *shape))
        out[1:] = rng.normal(0, scale, (draws, *shape)) if scale else 0.0
        return out

    def unit(vectors):
        return vectors / np.linalg.norm(vectors, axis=1, keepdims=True)

    low, points, femur = shape_on_grid(step, neck, trochanter)
    femur = femur - edge

    def field(values, distance=True):
        return Sampled(np.ascontiguousarray(values, np.float32), low, step, distance=distance)

    rims = None
    if lesion is not None:
        best = ball_mm(points, *lesion)
        rims = field(best + rim), field(best - rim)
    grey = np.where(femur > -CORTEX, 1000.0, 250.0)
    if lesion is not None:
        grey = np.where(best < 0, 20.0, grey)
    grey = np.where(femur > 0, 40.0, grey)
    at = femur < step
    inside = points[at]
    edges = noise(sd["edge"])
    to_lps = LPS_TO_HIP[side].T if turn is None else turn @ LPS_TO_HIP[side].T
    centre = np.array([80.0, 20.0, -70.0]) * (1.0 if side is Side.LEFT else np.array([-1.0, 1.0, 1.0]))
    hip = ScanHip(
        side=side,
        centre_lps_mm=centre,
        to_lps=to_lps,
        head_centre=noise(sd["centre"], 3),
        head_radius=RADIUS + edges + noise(sd["radius"]),
        neck_axis=unit(AXIS + np.radians(noise(sd["axis"], 3))),
        neck_point=np.tile(-40.0 * AXIS, (n, 1)),
        shaft_axis=unit(SHAFT + np.radians(noise(sd["shaft"], 3))) if shaft else None,
        shaft_point=np.tile(MEET - 80.0 * SHAFT, (n, 1)) + noise(sd["centre"], 3) if shaft else None,
        head_height=HEAD_HEIGHT + noise(sd["height"]),
        base_depth=BASE_DEPTH + noise(sd["centre"]) if shaft else None,
        edge=edges,
        measures={},
        frame_words="x along the condyles",
    )
    large = np.full(len(inside), 1e3, np.float32)
    t = 0.5 + noise(sd["rim"])
    return SpaceHip(
        hip=hip,
        rows=n,
        step_mm=step,
        femur=field(femur),
        inner=field(femur + CORTEX),
        canal=None,
        pelvis=None if pelvis is None else field(pelvis(points)),
        hu=field(grey, distance=False),
        lesion_inner=None if rims is None else rims[0],
        lesion_outer=None if rims is None else rims[1],
        voxels=BoneVoxels(
            step_mm=step,
            points=inside.astype(np.float32),
            femur_mm=femur[at].astype(np.float32),
            hu=grey[at].astype(np.float32),
            tissue=np.ones(len(inside), np.uint8),
            lesion_inner_mm=large if rims is None else rims[0].values[at],
            lesion_outer_mm=large if rims is None else rims[1].values[at],
            depth_mm=(RADIUS - inside @ AXIS).astype(np.float32),
        ),
        edge=edges,
        t=t,
        density=Density(0.0008 * (1.0 + noise(0.02)), noise(0.0), "typed")
        if calibrated
        else Density(None, None, "none"),
        scan_grid=Grid(np.full(3, -500.0), np.eye(3), np.ones(3), (1000, 1000, 1000)),
        pelvis_mesh=None,
        film=film,
    )


PEG = """
schema = 1
id = "peg"
name = "Peg"
kind = "seated"
level = "mid_head"
impinges_on = "bone"
canal = "closed"
made_by = "invented for tests"
seat_wall_aim_mm = 4.0
head_diameters_mm = [46.0, 48.5, 51.0]
neck_lengths_mm = [0.0, 4.0]
[shape]
seat_top_width_mm = 16.0
seat_bottom_width_mm = 16.0
seat_depth_mm = 12.0
tail_length_mm = 10.0
tail_top_width_mm = 8.0
tail_tip_width_mm = 8.0
head_height_mm = 5.0
neck_diameter_mm = 20.0
[[sizes]]
id = "1"
nominal_mm = 16.0
[[sizes]]
id = "2"
nominal_mm = 20.0
seat_top_width_mm = 20.0
seat_bottom_width_mm = 20.0
"""
"""A round peg: a cylinder of 16 mm, 12 mm deep, with a round tail; closed forms are easy on it."""


def catalogue():
    """The families that come along, and the peg."""
    own = Catalogue.load()
    peg = Catalogue.from_texts({"peg.toml": PEG})
    return Catalogue({**own.families, **peg.families}, own.cup_families, own.head_families)


def angles(axis):
    """Frontal and forward angle of a direction."""
    return float(np.degrees(np.arctan2(axis[2], axis[0]))), float(np.degrees(np.arcsin(axis[1])))


def placed(family, size, depth_mm, *, head=48.5, neck=0.0, medial=0.0, front=0.0, axis=AXIS, roll=0.0, cup=True):
    """A placement with its cut at a depth on the neck axis, moved medially and forward."""
    origin = (RADIUS - depth_mm) * AXIS + medial * ACROSS + front * FRONT
    frontal, forward = angles(axis)
    pose = SpacePose(*(float(v) for v in origin), frontal, forward, roll)
    own = CupPlacement("large-head-cup", "5", 0.0, 0.0, 40.0, 15.0) if cup else None
    return Placement(family, size, head, neck, Pose(0.0, 0.0, 0.0), own).in_space(pose)
