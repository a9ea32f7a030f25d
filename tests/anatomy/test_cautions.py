"""The record that decisions need: what it refuses, and the cautions it raises without ever summing them."""

import dataclasses
import inspect
import json
from datetime import date

import pytest

from headstock.anatomy import cautions as room
from headstock.anatomy.bands import table_file
from headstock.anatomy.cautions import LEVELS, Fact, HipFacts, cautions, risk_index_shown
from headstock.anatomy.head_surface import ShownFigure
from headstock.errors import FrameError, TooFewError
from headstock.measured import Measured

DAY = date(2026, 11, 2)


def fact(value: bool | float | str) -> Fact:
    return Fact(value, DAY, "clinic letter")


def raised(facts: HipFacts, level: str | None = None, **measures: float) -> set[str]:
    given = {name: Measured(value, "mm", "test", value, value) for name, value in measures.items()}
    return {c.fact for c in cautions(facts, level, given)} - {"always"}


def test_an_empty_record_raises_nothing_about_the_patient() -> None:
    assert raised(HipFacts()) == set()


@pytest.mark.parametrize(
    ("facts", "names"),
    [
        (HipFacts(renal_disease=fact(True)), {"renal_disease"}),
        (HipFacts(renal_disease=fact(False)), set()),
        (HipFacts(t_score=fact(-2.5)), {"t_score"}),
        (HipFacts(weight_kg=fact(81.9)), {"weight_kg"}),
        (HipFacts(weight_kg=fact(82.0)), set()),
        (HipFacts(weight_kg=fact(110.0), height_cm=fact(175.0)), {"bmi_kg_m2"}),
        (HipFacts(age_years=fact(61.0), sex=fact("M")), {"age_years"}),
        (HipFacts(age_years=fact(60.0), sex=fact("M")), set()),
        (HipFacts(age_years=fact(61.0)), set()),
        (HipFacts(age_years=fact(56.0), sex=fact("F")), {"age_years", "sex"}),
        (HipFacts(limb_difference_cm=fact(2.1)), {"limb_difference_cm"}),
        (HipFacts(cause=fact("Osteonecrosis after steroids")), {"cause"}),
        (HipFacts(cyst_cm=fact(1.1)), {"cyst_cm"}),
        (HipFacts(activity_ucla=fact(7.0)), {"activity_ucla"}),
    ],
)
def test_each_fact_raises_its_own_caution_on_the_head_surface(facts: HipFacts, names: set[str]) -> None:
    assert raised(facts, "head_surface") == names


def test_osteoporosis_is_a_stronger_word_than_a_low_score() -> None:
    low = cautions(HipFacts(t_score=fact(-1.5)), "head_surface")
    worse = cautions(HipFacts(t_score=fact(-3.0)), "head_surface")
    assert len([c for c in low if c.fact == "t_score"]) == 1
    assert len([c for c in worse if c.fact == "t_score"]) == 2
    assert [c.fact for c in cautions(HipFacts(t_score=fact(-1.5)), "high_neck")] == []


def test_a_caution_speaks_only_of_its_cut_levels() -> None:
    pregnant = HipFacts(pregnancy_wish=fact(True))
    assert raised(pregnant, "head_surface") == {"pregnancy_wish"}
    assert raised(pregnant, "low_neck") == set()
    assert [c.applies_to for c in cautions(pregnant) if c.fact == "pregnancy_wish"] == [("head_surface", "mid_head")]
    with pytest.raises(FrameError, match="No cut level"):
        cautions(pregnant, "neck")


def test_every_caution_has_a_source_and_status_and_says_when_its_fact_was_noted() -> None:
    full = HipFacts(renal_disease=fact(True), infection=fact(True), immune_suppression=fact(True))
    for caution in cautions(full):
        assert caution.source
        assert caution.status in ("published", "from memory", "common practice")
        assert set(caution.applies_to) <= set(LEVELS)
        if caution.fact != "always":
            assert caution.dated == DAY


def test_contradicting_sources_are_both_shown() -> None:
    light_and_short = HipFacts(weight_kg=fact(78.0), height_cm=fact(155.0))
    texts = {c.fact: c.text for c in cautions(light_and_short, "head_surface")}
    assert "contradict" in texts["weight_kg"]
    assert "contradict" in texts["bmi_kg_m2"]


def test_a_measured_head_stands_in_for_one_that_was_not_recorded() -> None:
    man = HipFacts(sex=fact("M"))
    assert raised(man, "head_surface", head_diameter_mm=49.0) == {"head_diameter_mm"}
    assert raised(man, "head_surface", head_diameter_mm=50.0) == set()
    recorded = dataclasses.replace(man, head_diameter_mm=fact(52.0))
    assert raised(recorded, "head_surface", head_diameter_mm=49.0) == set()


def test_the_risk_index_is_shown_with_its_doubts_and_never_without_all_its_facts() -> None:
    facts = HipFacts(cyst_cm=fact(1.5), weight_kg=fact(75.0), previous_surgery=fact(True), activity_ucla=fact(8.0))
    shown = risk_index_shown(facts)
    assert isinstance(shown, ShownFigure)
    assert shown.value == 6
    assert shown.status == "from memory"
    assert "contradict" in shown.doubts
    some = risk_index_shown(dataclasses.replace(facts, weight_kg=None))
    assert isinstance(some, Measured)
    assert some.reason == "The record lacks weight_kg."


def test_no_caution_function_returns_a_number() -> None:
    # Cautions are words: nothing in this module may hand out a count or a sum of them.
    for name in room.__all__:
        thing = getattr(room, name)
        if inspect.isfunction(thing):
            assert "float" not in str(inspect.signature(thing).return_annotation)
            assert "int" not in str(inspect.signature(thing).return_annotation)


def test_the_record_reads_back_from_json() -> None:
    facts = HipFacts(weight_kg=fact(80.0), cause=fact("trauma"), consent=fact(True), scores={"oxford": fact(22.0)})
    again = HipFacts.from_json(json.loads(json.dumps(facts.to_json())))
    assert again.to_json() == facts.to_json()
    assert again.scores["oxford"].value == 22.0


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"weight_kg": fact(800.0)}, "only 20 to 350"),
        ({"weight_kg": fact("80")}, "only 20 to 350"),
        ({"weight_kg": fact(True)}, "only 20 to 350"),
        ({"renal_disease": fact(1.0)}, "yes or no"),
        ({"sex": fact("W")}, "M, F or X"),
        ({"cause": fact(3.0)}, "it is a word"),
        ({"scores": {"oxford": fact("good")}}, "kept as numbers"),
    ],
)
def test_what_cannot_be_true_is_refused(change: dict[str, Fact], words: str) -> None:
    with pytest.raises(FrameError, match=words):
        HipFacts(**change)  # type: ignore[arg-type]


def test_a_fact_needs_its_source_and_its_date() -> None:
    with pytest.raises(TooFewError, match="without a source"):
        Fact(True, DAY, " ")
    with pytest.raises(FrameError, match="date"):
        Fact.from_json({"value": 1, "date": "2 Nov", "source": "x"})
    with pytest.raises(FrameError, match="no fact called"):
        HipFacts.from_json({"shoe_size": {}})


def test_every_rule_of_the_table_names_a_fact_that_exists() -> None:
    known = {f.name for f in dataclasses.fields(HipFacts)} | {"bmi_kg_m2", "always", "lesion_share_of_head_percent"}
    assert {row["fact"] for row in table_file("cautions")["caution"]} <= known
