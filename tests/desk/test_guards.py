"""Each safety guard, by its name in docs/hazards.md: what it stops, what it says to do, and what it lets through."""

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from headstock.desk import guards
from headstock.desk.guards import FilmSide, Identity
from headstock.documents import SheetNumber
from headstock.errors import GuardError
from headstock.frames import Side
from headstock.measured import Measured, count, exact, missing, normal

KNOWN = Identity("H-12", "Verhaege^Ilan", date(1992, 3, 14), "M")


def _film(**changes) -> FilmSide:
    values = {
        "words": "lateral film of 9 Nov 2026",
        "film_id": "f1",
        "is_pelvis": False,
        "header": "silent",
        "letter": "right",
    }
    return FilmSide(**(values | changes))


def _pelvis(**changes) -> FilmSide:
    values = {"is_pelvis": True, "letter": "both", "columns_to_left": True, "header_columns_to_left": True}
    return _film(words="AP pelvis film", **(values | changes))


# ---- wrong patient


@pytest.mark.parametrize(
    ("found", "word"),
    [
        (Identity("H-12", "Verhaege^Jan", date(1992, 3, 14), "M"), "name"),
        (Identity("H-12", "Verhaege^Ilan", date(1992, 3, 15), "M"), "date of birth"),
        (Identity("H-12", "Verhaege^Ilan", date(1992, 3, 14), "F"), "sex"),
    ],
)
def test_wrong_patient_stops_a_number_that_carries_two_people_and_names_what_differs_only(found, word):
    with pytest.raises(GuardError, match=f"another {word}.*not taken in.*Compare the two") as stop:
        guards.wrong_patient(KNOWN, found)
    assert stop.value.guard == "wrong patient"
    assert "Verhaege" not in str(stop.value)
    assert "1992" not in str(stop.value)


@pytest.mark.parametrize(
    "found",
    [
        KNOWN,
        Identity("H-12"),  # silent entries agree with anything
        Identity("H-12", "VERHAEGE^ILAN", None, "m"),
        Identity("H-12", "Verhaege Ilan", date(1992, 3, 14)),
        Identity("H-12", "Verhaege^Ilan^Maria^Dr"),  # middle names and titles come and go between systems
        Identity("H-12", "Verhaége^Ilan"),  # one accent is writing, not another person
    ],
)
def test_wrong_patient_lets_the_same_person_through_however_it_is_written(found):
    guards.wrong_patient(KNOWN, found)


@pytest.mark.parametrize("identity", [Identity("", "Name"), Identity("H-1", ""), Identity("H-1", " ^ ")])
def test_wrong_patient_stops_a_sheet_without_two_identifiers(identity):
    with pytest.raises(GuardError, match="no two identifiers"):
        guards.two_identifiers(identity)
    guards.two_identifiers(KNOWN)


# ---- wrong side


def test_wrong_side_header_against_plan_stops_and_says_both():
    with pytest.raises(GuardError, match=r"plan says right.*header.*says left.*stay closed.*do not assume") as stop:
        guards.wrong_side(Side.RIGHT, [_film(header="left")])
    assert stop.value.guard == "wrong side"


def test_wrong_side_letter_against_plan_stops_even_when_the_header_agrees():
    with pytest.raises(GuardError, match=r"letter on the lateral film.*says left"):
        guards.wrong_side(Side.RIGHT, [_film(header="right", letter="left")])


def test_wrong_side_a_silent_header_is_never_consent():
    with pytest.raises(GuardError, match="Nobody has yet confirmed the side letter"):
        guards.wrong_side(Side.RIGHT, [_film(letter=None)])
    with pytest.raises(GuardError, match="Nobody has yet confirmed"):
        guards.wrong_side(Side.RIGHT, [_film(header="right", letter=None)])
    with pytest.raises(GuardError, match="Nothing on the lateral film"):
        guards.wrong_side(Side.RIGHT, [_film(letter="silent")])


def test_wrong_side_a_film_without_letter_passes_on_a_header_that_speaks():
    guards.wrong_side(Side.RIGHT, [_film(header="right", letter="silent")], "right")


@pytest.mark.parametrize("typed", ["left", "", "  ", "rihgt", "R"])
def test_wrong_side_typed_side_must_be_the_word(typed):
    with pytest.raises(GuardError, match="The plan says right"):
        guards.wrong_side(Side.RIGHT, [_film()], typed)


@pytest.mark.parametrize("typed", ["right", "Right", " RIGHT "])
def test_wrong_side_typed_side_is_read_as_a_word(typed):
    guards.wrong_side(Side.RIGHT, [_film(), _pelvis()], typed)


def test_wrong_side_a_pelvis_turned_over_is_seen_by_letter_against_header():
    with pytest.raises(GuardError, match="opposite sides of the picture"):
        guards.wrong_side(Side.RIGHT, [_pelvis(columns_to_left=False)])
    guards.wrong_side(Side.RIGHT, [_pelvis(columns_to_left=False, header_columns_to_left=None)])


def test_wrong_side_a_pelvis_on_which_nothing_says_where_right_lies_stops():
    with pytest.raises(GuardError, match="on which side of the picture"):
        guards.wrong_side(Side.RIGHT, [_pelvis(columns_to_left=None, header_columns_to_left=None)])


@given(header=st.sampled_from(["left", "right", "silent"]), letter=st.sampled_from(["left", "right", "silent", None]))
def test_wrong_side_holds_alike_for_the_mirrored_hip(header, letter):
    mirror = {"left": "right", "right": "left"}

    def stops(side, film):
        try:
            guards.wrong_side(side, [film])
        except GuardError:
            return True
        return False

    plain, turned = (
        _film(header=header, letter=letter),
        _film(header=mirror.get(header, header), letter=mirror.get(letter, letter)),
    )
    assert stops(Side.RIGHT, plain) == stops(Side.LEFT, turned)
    # No film passes for both sides.
    assert stops(Side.RIGHT, plain) or stops(Side.LEFT, plain)


# ---- no scale, implausible scale


def test_no_scale_stops_and_names_the_ways_out():
    with pytest.raises(GuardError, match=r"no scale.*Mark the ball or ruler") as stop:
        guards.no_scale("AP film", False)
    assert stop.value.guard == "no scale"
    with pytest.raises(GuardError, match="contradict each other"):
        guards.no_scale("AP film", True, settled=False)
    guards.no_scale("AP film", True)


@pytest.mark.parametrize("magnification", [1.02, 1.26, 1.6])
def test_implausible_scale_stops_outside_the_band(magnification):
    with pytest.raises(GuardError, match=r"1\.10 to 1\.25 is plausible"):
        guards.implausible_scale("AP film", magnification, 1.10, 1.25)


@pytest.mark.parametrize("magnification", [None, 1.10, 1.18, 1.25])
def test_implausible_scale_lets_the_band_and_the_unknown_through(magnification):
    guards.implausible_scale("AP film", magnification, 1.10, 1.25)


# ---- stale images


def test_stale_images_are_counted_to_the_operation_not_to_today():
    taken, operation = date(2026, 11, 9), date(2027, 5, 9)  # 181 days apart
    with pytest.raises(GuardError, match=r"181 days old on 9 May 2027; the limit is 180 days.*new film") as stop:
        guards.stale_images("AP film", taken, operation, 180)
    assert stop.value.guard == "stale images"
    guards.stale_images("AP film", taken, date(2027, 5, 8), 180)  # exactly 180: the bound itself is within
    guards.stale_images("AP film", taken, operation, None)


def test_stale_images_an_undated_film_or_a_date_before_it_stops():
    with pytest.raises(GuardError, match="has no date"):
        guards.stale_images("AP film", None, date(2027, 1, 1), None)
    with pytest.raises(GuardError, match="before the AP film was taken"):
        guards.stale_images("AP film", date(2026, 11, 9), date(2026, 11, 8), 180)


# ---- family, limits, numbers


def test_family_unsuitable_stops_with_its_reasons():
    with pytest.raises(GuardError, match="does not suit this hip at mid-head: it is made for the high neck level"):
        guards.family_unsuitable("Stem", "mid-head", ["it is made for the high neck level"])
    guards.family_unsuitable("Stem", "mid-head", [])


@pytest.mark.parametrize(
    "reasons",
    [{}, {"wall": "  "}, {"wall": "ok"}, {"wall": "... - ?"}, {"wall": "\u200b" * 9}, {"other": "a long reason"}],
)
def test_limit_overruled_without_a_reason_stops(reasons):
    with pytest.raises(GuardError, match=r"least wall, at least 2 mm.*not without saying why"):
        guards.limit_overruled_without_reason({"wall": "least wall, at least 2 mm"}, reasons)


def test_limit_overruled_with_a_reason_passes_and_no_limit_wants_none():
    guards.limit_overruled_without_reason({"wall": "least wall"}, {"wall": "thin but sound"})
    guards.limit_overruled_without_reason({}, {})


def test_number_shown_without_interval_cannot_be_built_printed_or_passed():
    with pytest.raises(Exception, match="needs a finite interval"):
        Measured(3.0, "mm", "somewhere")
    fine = {
        "a": normal(1.0, 0.1, "mm", "x"),
        "b": exact(2.0, "mm", "x"),
        "c": count(2, "x"),
        "d": missing("mm", "x", "why"),
    }
    guards.number_without_interval(fine)
    for name, number in fine.items():
        SheetNumber(name, number)
    # A number whose interval was lost on the way, as a damaged record could bring it.
    lost = normal(1.0, 0.1, "mm", "x")
    object.__setattr__(lost, "low", None)
    with pytest.raises(GuardError, match="“a” has a value but no interval") as stop:
        guards.number_without_interval({"a": lost})
    assert stop.value.guard == "number shown without interval"
    with pytest.raises(GuardError, match="no interval"):
        SheetNumber("a", lost)
