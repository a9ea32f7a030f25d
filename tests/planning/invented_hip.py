"""An invented hip of plain geometry for tests: circle, straight neck edges, trochanters, shaft. No person's data."""

import numpy as np

from headstock.anatomy.filmhip import FilmHip, FilmView, PelvisView
from headstock.frames import Side

RADIUS, NECK_HALF, NSA, OFFSET = 23.5, 16.5, 126.0, 43.0


def circle_points(radius, centre, axis, across, start, end, n=80):
    turn = np.radians(np.linspace(start, end, n))
    return centre + radius * (np.cos(turn)[:, None] * axis + np.sin(turn)[:, None] * across)


def outline_ap(radius=RADIUS, half=NECK_HALF, offset=OFFSET, nsa=NSA):
    """From the lateral shaft over trochanter, neck and head to the medial shaft; head centre at the origin."""
    tilt = np.radians(nsa - 90.0)
    axis, across = np.array([np.cos(tilt), np.sin(tilt)]), np.array([np.sin(tilt), -np.cos(tilt)])
    leave = np.degrees(np.arcsin(half / radius))
    head = circle_points(radius, np.zeros(2), axis, across, -(180.0 - leave), 180.0 - leave)
    # t < 0 is superior/lateral: the head's arc runs from the superior to the inferior junction.
    top = head[0] - axis * 12.0 - across * 1.0
    shaft_half = 15.0
    lateral = [
        [-offset - shaft_half, -150.0],
        [-offset - shaft_half - 1, -60.0],
        [-offset - shaft_half - 7, -30.0],
        [-offset - shaft_half - 6, -12.0],
        [-offset - 10.0, -2.0],
        [-offset + 2.0, -6.0],
    ]
    below = head[-1] - axis * 17.0 + across * 1.0
    medial = [
        [-offset + 24.0, -52.0],
        [-offset + 18.0, -72.0],
        [-offset + shaft_half, -90.0],
        [-offset + shaft_half, -150.0],
    ]
    return np.vstack([lateral, top[None], head, below[None], medial]), axis


def outline_lateral(radius=RADIUS, half=14.5, reach=58.0):
    leave = np.degrees(np.arcsin(half / radius))
    head = circle_points(
        radius, np.zeros(2), np.array([1.0, 0.0]), np.array([0.0, 1.0]), -(180.0 - leave), 180.0 - leave
    )
    return np.vstack(
        [[[-reach - 30, -half - 6], [-reach, -half - 3]], head, [[-reach, half + 3], [-reach - 30, half + 6]]]
    )


def blob(centre, radius, n=60):
    turn = np.linspace(0, 2 * np.pi, n, endpoint=False)
    return np.asarray(centre) + radius * np.column_stack([np.cos(turn), np.sin(turn)])


def make_hip(
    *, lateral=True, lesion=True, pelvis=True, draws=400, seed=5, size=1.0, lesion_radius=9.0, lesion_depth=13.0,
    sds=None,
    leg_difference=-6.0, side=Side.RIGHT, shaft=True, offset=OFFSET, nsa=NSA,
):  # fmt: skip
    """A hip with stated errors: `sds` overrides {centre, radius, angle, scale, outline, rim}, all 0 allowed."""
    sd = {"centre": 0.4, "radius": 0.3, "angle": 1.2, "scale": 0.015, "outline": 0.5, "rim": 1.0} | (sds or {})
    rng = np.random.default_rng(seed)
    n = 1 + draws

    def noise(scale, *shape):
        out = np.zeros((n, *shape))
        out[1:] = rng.normal(0, scale, (draws, *shape)) if scale else 0.0
        return out

    outer, axis = outline_ap(offset=offset, nsa=nsa)
    ratio = 1.0 + noise(sd["scale"])
    turn = np.arctan2(axis[1], axis[0]) + np.radians(noise(sd["angle"]))
    axes = np.column_stack([np.cos(turn), np.sin(turn)])
    shaft_turn = np.pi / 2 + np.radians(noise(sd["angle"] / 3))
    shaft_axis = np.column_stack([np.cos(shaft_turn), np.sin(shaft_turn)])
    across = np.array([axis[1], -axis[0]])
    lesions = ((blob((RADIUS - lesion_depth) * axis - 2.0 * across, lesion_radius) * size),) if lesion else ()

    def at(x, z):
        return np.array([[x, z]]) * size * ratio[:, None] + noise(sd["centre"], 2)

    ap = FilmView(
        view="ap",
        head_centre_mm=noise(sd["centre"], 2),
        head_radius_mm=RADIUS * size * ratio + noise(sd["radius"]),
        neck_axis=axes,
        shaft_point_mm=at(-offset, -100.0) if shaft else None,
        shaft_axis=shaft_axis if shaft else None,
        outer_mm=outer * size,
        outline_sd_mm=sd["outline"],
        canal_mm=None,
        lesions_mm=lesions,
        lesion_rim_sd_mm=sd["rim"],
        scale_ratio=ratio,
    )
    side_view = None
    if lateral:
        turn = np.radians(noise(sd["angle"]))
        ratio_l = 1.0 + noise(sd["scale"])
        side_view = FilmView(
            view="lateral",
            head_centre_mm=noise(sd["centre"], 2),
            head_radius_mm=RADIUS * size * ratio_l + noise(sd["radius"]),
            neck_axis=np.column_stack([np.cos(turn), np.sin(turn)]),
            shaft_point_mm=None,
            shaft_axis=None,
            outer_mm=outline_lateral() * size,
            outline_sd_mm=sd["outline"],
            canal_mm=None,
            lesions_mm=(blob([RADIUS - lesion_depth, 2.0], lesion_radius) * size,) if lesion else (),
            lesion_rim_sd_mm=sd["rim"],
            scale_ratio=ratio_l,
        )
    view = None
    if pelvis:
        view = PelvisView(
            teardrop_mm=at(30.0, -17.0),
            other_teardrop_mm=at(140.0, -17.0),
            lesser_trochanter_mm=at(-offset + 24.0, -52.0),
            other_lesser_trochanter_mm=at(170.0 + offset - 24.0, -52.0 + leg_difference),
            greater_trochanter_mm=at(-offset - 12.0, -2.0),
            sourcil_medial_mm=at(8.0, 25.0),
            sourcil_lateral_mm=at(-20.0, 21.0),
            other_head_centre_mm=at(172.0, 0.0),
            other_femoral_offset_mm=(offset + 1.5) * size * ratio + noise(sd["centre"]),
            leg_length_difference_mm=leg_difference * size * ratio + noise(sd["centre"]),
            femoral_offset_mm=offset * size * ratio + noise(sd["centre"]),
        )
    return FilmHip(side, ap, side_view, view)
