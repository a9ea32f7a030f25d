"""An invented sheet with everything on it."""

from datetime import UTC, date, datetime

import numpy as np

from headstock.documents import (
    LegRow,
    PartRow,
    SheetContent,
    SheetFilm,
    SheetNumber,
    SheetShape,
    Signature,
    Stop,
    film_png,
)
from headstock.frames import Side
from headstock.measured import exact, missing, normal


def _n(label, value, sd, unit="mm", decimals=1, signed=False, state=None):
    return SheetNumber(label, normal(value, sd, unit, "invented"), decimals, signed, state)


def sample(*, signed=True, side=Side.RIGHT, overruled=1, cautions=2):
    rows, cols = np.mgrid[0:570, 0:600]
    grey = np.clip(0.35 + 0.25 * np.sin(rows / 60) * np.cos(cols / 70), 0, 1)
    bone = tuple((float(np.sign(x) * (9 + abs(x) / 2)), float(y)) for x, y in ((-1, 80), (-1, 55), (-1, 45)))
    dome = tuple(
        (float(24 * np.cos(a)), float(24 - 24 * np.sin(a))) for a in np.linspace(np.pi * 1.1, -np.pi * 0.1, 50)
    )
    outline = (*bone, *dome, (10.0, 45.0), (10.0, 55.0), (10.0, 80.0))
    cone = (
        (-11.0, 29.0),
        (11.0, 29.0),
        (8.0, 48.0),
        (4.0, 48.0),
        (3.0, 74.0),
        (0.0, 77.0),
        (-3.0, 74.0),
        (-4.0, 48.0),
        (-8.0, 48.0),
    )
    shapes = (
        SheetShape("bone", outline, True),
        SheetShape(
            "dead", tuple((float(9 * np.cos(a) - 3), float(14 + 8 * np.sin(a))) for a in np.linspace(0, 6.2, 30)), True
        ),
        SheetShape("component", cone, True),
        SheetShape("seat_sound", ((-11.0, 29.0), (-8.0, 48.0))),
        SheetShape("seat_unsound", ((11.0, 29.0), (8.0, 48.0))),
        SheetShape("axis", ((0.0, -4.0), (0.0, 80.0))),
        SheetShape("cut", ((-36.0, 29.0), (36.0, 29.0))),
    )
    film = SheetFilm(
        film_png(grey), 600, 570, "film 9 Nov 2026, 16 days old",
        (SheetShape("component", ((200.0, 200.0), (300.0, 240.0), (260.0, 360.0), (180.0, 320.0)), True),
         SheetShape("cut", ((150.0, 180.0), (350.0, 260.0)))),
        0.21,
    )  # fmt: skip
    return SheetContent(
        side=side,
        patient_name="Ada Demonstration",
        patient_number="SIM-0007",
        born=date(1992, 3, 14),
        operation_date=date(2026, 12, 10),
        level_words="Mid-head",
        component_words="mid-head part, size 3",
        headline=(
            _n("cut, below the head's pole", 29.0, 0.8),
            _n("leg length that remains", 2.3, 0.9, signed=True, state="within"),
            _n("offset that remains", 0.9, 0.9, signed=True, state="within"),
            _n("reserve of length", 5.0, 1.0, signed=True),
        ),
        neck_shapes=shapes,
        neck_caption="from the film, neck axis upright",
        film=film,
        lateral=film,
        parts=(
            PartRow("mid-head part", "2", "3", "4"),
            PartRow("head, mm", "46", "48", "50"),
            PartRow("cup, mm", "54", "56", "none"),
        ),
        pairing="Head 48 runs in cup 56: same bearing size.",
        cutting=(
            _n("below greater trochanter tip", 14.6, 0.9),
            _n("above lesser trochanter", 47.2, 1),
            _n("plane to the neck axis", 90, 1, "deg", 0),
        ),
        wire=(
            _n("entry from the summit, toward lateral", 4.2, 0.7),
            _n("to the shaft", 127.2, 1.3, "deg"),
            _n("entry, toward the front", 0.4, 0.8, signed=True),
            SheetNumber("out front of the neck axis", missing("deg", "no lateral", "needs a lateral film")),
        ),
        cup=(
            _n("inclination", 40, 2, "deg", 0, state="near"),
            _n("version", 15, 3, "deg", 0),
            _n("depth to the teardrop", 3.0, 0.8),
        ),
        leg=(
            LegRow(
                "leg length",
                normal(-8.0, 1.2, "mm", "x"),
                normal(6.5, 0.7, "mm", "x"),
                normal(-1.5, 1.4, "mm", "x"),
                "target 0 mm",
                "near",
            ),
            LegRow(
                "offset",
                normal(-2.0, 1.2, "mm", "x"),
                normal(2.9, 0.7, "mm", "x"),
                normal(0.9, 1.4, "mm", "x"),
                "target 0 mm",
                "within",
            ),
        ),
        bone=(
            _n("seat on sound bone", 94, 2, "%", 0, state="within"),
            _n("least wall, medial", 3.1, 0.2, state="within"),
            _n("distance to a notch", 2.4, 0.6, state="near"),
            SheetNumber("canal", exact(0, "count", "family", "by_family"), 0, state="outside", words="opened"),
        ),
        fall_back="Soft or dead bone at the seat after the cut: go to high neck, 40.0 mm, stem size 2. "
        "Have it in the room.",
        overruled=tuple(
            (f"Flexion before contact {104 + i} deg is near its limit", "Front of the neck to be trimmed, 2 mm.")
            for i in range(overruled)
        ),
        scale="Marker ball 25.0 mm; 0.2106 mm per pixel at the hip, 0.2041 to 0.2171. "
        "Header estimate 2.4 % apart, settled by Dr Demonstration.",
        cautions=tuple(
            f"Caution {i}: weight under 82 kg, listed by one score; a "
            "later series lists high body mass. Shown, not summed (source named)."
            for i in range(cautions)
        ),
        stops=(
            Stop("Before sleep", ("name, birth date, consent", f"{side.value} hip marked")),
            Stop(
                "Before the skin",
                (
                    f"{side.value} hip, said aloud",
                    "this sheet and the film on screen",
                    "parts and their neighbours in the room",
                ),
            ),
            Stop("Before leaving", ("cut and sizes as done, written down", "counts right, film ordered")),
        ),
        version=3,
        printed_at=datetime(2026, 11, 25, 10, 32, tzinfo=UTC),
        product="headstock 0.1.0",
        signature=Signature(
            "Dr A. Demonstration", datetime(2026, 11, 25, 10, 31, tzinfo=UTC), "5e1c88a042f7b3d95e1c88a042f7b3d9"
        )
        if signed
        else None,
        notes=(
            "Depth runs from the pole of the fitted head circle along the neck axis.",
            "Longer and larger are positive; the interval is 95 %.",
        ),
    )
