"""Repeat readings through the record: values side by side, within-reader sd, agreement of two readers.

Sources: Bland & Altman, BMJ 1996;313:744 (within-subject sd, coefficient 2.77 sd) and Lancet 1986;1:307 (limits);
the numbers here are worked by hand from the values that come back.
"""

from datetime import UTC, datetime

import numpy as np
import pytest

from headstock.desk.bringing import bring_in
from headstock.desk.desk import open_desk
from headstock.desk.films import confirm_side, set_scale
from headstock.desk.hips import hips_page
from headstock.desk.pages import ReadingIn, ReadingState, ScaleIn, SideLetterIn
from headstock.desk.readings import keep_reading, read_again
from headstock.desk.repeats import repeat_page

from .supplied import HIPS, NAMES, landmarks_of, truth_of

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
SHIFTS = {"Reader A": (0.0, 2.0), "Reader B": (-3.0, 1.0)}  # px that each reading's right trochanter is lower


def _state(truth, shift):
    plain = landmarks_of(truth)
    points = {name: tuple(at) for name, at in plain["points"].items()}
    column, row = points["right.lesser_trochanter"]
    points["right.lesser_trochanter"] = (column, row + shift)
    return ReadingState(points=points, circles={name: tuple(c) for name, c in plain["circles"].items()})


@pytest.fixture(scope="module")
def read_twice_by_two(tmp_path_factory):
    """Three patients, each film read twice by each of two readers."""
    desk = open_desk(tmp_path_factory.mktemp("record"))
    places = []
    for name in NAMES:
        truth = truth_of(name)
        brought = list(bring_in(desk, [HIPS / f"{name}.zip"], who="Reader A", now=NOW))
        line = next(x for x in brought if x.film_id and "AP" in x.says)
        film, hip = line.film_id, line.hip_id
        confirm_side(desk, film, SideLetterIn(seen="both", columns_to_left=True), hip, who="Reader A", now=NOW)
        scale = ScaleIn(kind="typed_magnification", magnification=1.19, settle=True)
        set_scale(desk, film, scale, hip, who="Reader A", now=NOW)
        first = True
        for reader, shifts in SHIFTS.items():
            for shift in shifts:
                if not first:
                    read_again(desk, film, hip, who=reader, now=NOW)
                given = ReadingIn(state=_state(truth, shift), base_step=0, what="all points")
                keep_reading(desk, film, hip, given, who=reader, now=NOW)
                if not first:
                    read_again(desk, film, hip, who=reader, now=NOW)
                first = False
        places.append((film, hip))
    yield desk, places
    desk.close()


def test_every_reading_stands_with_its_reader_and_the_one_in_use_is_marked(read_twice_by_two):
    desk, places = read_twice_by_two
    page = repeat_page(desk, *places[0])
    assert [(r.reader, r.in_use) for r in page.readings] == [
        ("Reader A", True),
        ("Reader A", False),
        ("Reader B", False),
        ("Reader B", False),
    ]
    assert "read 4 times" in page.says


def test_the_within_reader_sd_is_that_of_the_differences_by_hand(read_twice_by_two):
    desk, places = read_twice_by_two
    page = repeat_page(desk, *places[0])
    # A trochanter 1 px lower lengthens its distance by almost one pixel (0.25 mm / 1.19) times the line's cosine.
    for reader, (one, other) in SHIFTS.items():
        row = next(r for r in page.within if r.key == "leg_length_difference_mm" and r.reader == reader)
        by_hand = abs(other - one) * 0.25 / 1.19 / np.sqrt(2)
        assert row.films == 3
        assert row.within_sd.value == pytest.approx(by_hand, rel=0.01)
        assert row.coefficient.value == pytest.approx(1.96 * np.sqrt(2) * by_hand, rel=0.01)
        assert row.within_sd.low < row.within_sd.value < row.within_sd.high


def test_two_readers_differ_by_the_shift_of_their_first_readings(read_twice_by_two):
    desk, places = read_twice_by_two
    page = repeat_page(desk, *places[1])
    row = next(r for r in page.between if r.key == "leg_length_difference_mm")
    assert (row.first, row.second, row.films) == ("Reader A", "Reader B", 3)
    assert row.bias.value == pytest.approx(-3.0 * 0.25 / 1.19, rel=0.01)
    assert row.lower.value <= row.bias.value <= row.upper.value


def test_one_film_alone_gives_a_reason_instead_of_a_number(tmp_path):
    desk = open_desk(tmp_path)
    brought = list(bring_in(desk, [HIPS / "alder.zip"], who="Reader A", now=NOW))
    line = next(x for x in brought if x.film_id and "AP" in x.says)
    confirm_side(
        desk, line.film_id, SideLetterIn(seen="both", columns_to_left=True), line.hip_id, who="Reader A", now=NOW
    )
    for shift in (0.0, 2.0):
        given = ReadingIn(state=_state(truth_of("alder"), shift), base_step=0, what="all points")
        keep_reading(desk, line.film_id, line.hip_id, given, who="Reader A", now=NOW)
        read_again(desk, line.film_id, line.hip_id, who="Reader A", now=NOW)
    page = repeat_page(desk, line.film_id, line.hip_id)
    angle = next(r for r in page.within if r.key == "neck_shaft_angle_deg")
    assert angle.within_sd.kind == "missing"
    assert "at least two" in angle.within_sd.reason
    assert hips_page(desk, find="", today=NOW.date()).hips == 1
    desk.close()
