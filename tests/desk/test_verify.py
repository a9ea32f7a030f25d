"""The runner of outside check values: it must fail what is wrong and name what it does not know."""

import pytest

from headstock.desk.topics import TOPICS
from headstock.desk.verify import own_table, parse_input, verify
from headstock.errors import RecordError, TooFewError

HEAD = "id,topic,input,expected,unit,tolerance,source,status\n"


def _one(row, **topics):
    return verify(HEAD + row, topics).results[0]


def test_a_wrong_number_fails_and_shows_by_how_much():
    result = _one("A1,double,x=2,4.2,mm,0.1,hand,derived", double=lambda x: 2 * x)
    assert result.outcome == "fail"
    assert result.difference == pytest.approx(0.2)


def test_a_difference_equal_to_the_printed_tolerance_passes():
    assert _one("A1,double,x=2,4.1,mm,0.1,hand,derived", double=lambda x: 2 * x).outcome == "pass"


def test_a_pair_is_compared_part_by_part():
    assert _one("A1,two,x=1,1;2,mm,0.01,hand,derived", two=lambda x: (x, 2 * x)).outcome == "pass"
    assert _one("A1,two,x=1,2;1,mm,0.01,hand,derived", two=lambda x: (x, 2 * x)).outcome == "fail"
    assert _one("A1,two,x=1,1,mm,0.01,hand,derived", two=lambda x: (x, 2 * x)).outcome == "fail"


def test_a_class_is_compared_as_a_word():
    assert _one("A1,band,x=1,low,class,exact,hand,derived", band=lambda x: "low").outcome == "pass"
    assert _one("A1,band,x=1,low,class,exact,hand,derived", band=lambda x: "lower").outcome == "fail"


def test_unknown_topics_are_counted_and_named_and_do_not_pass():
    report = verify(HEAD + "A1,nobody,x=1,1,mm,1,h,derived\nA2,nobody,x=1,1,mm,1,h,derived", {})
    assert report.unknown_topics == {"nobody": 2}
    assert report.counts["pass"] == 0


def test_a_refusal_is_shown_in_its_own_words():
    def refuse(x):
        raise TooFewError("too few points")

    result = _one("A1,fit,x=1,1,mm,1,h,derived", fit=refuse)
    assert result.outcome == "refused"
    assert "too few points" in result.got


def test_a_table_without_its_columns_is_refused_with_their_names():
    with pytest.raises(RecordError, match="tolerance"):
        verify("id,topic,input,expected,unit,source,status\n")


def test_inputs_hold_numbers_lists_claims_and_words():
    assert parse_input("a=1.5; b=[[1,2],[3,4]]; c=yes; d=chi2 uncorrected") == {
        "a": 1.5,
        "b": [[1, 2], [3, 4]],
        "c": True,
        "d": "chi2 uncorrected",
    }


def test_every_claimed_topic_of_the_own_table_passes():
    """Sources: the `source` column of each row (trade_checks.csv)."""
    report = verify()
    wrong = [(r.id, r.topic, r.expected, r.got) for r in report.results if r.outcome in ("fail", "refused")]
    assert wrong == []
    assert report.counts["pass"] >= 100
    # Planning from films covers these families of topics whole.
    covered = ("geo_", "xr_", "cup_", "rom_", "on_", "res_")
    assert [topic for topic in report.unknown_topics if topic.startswith(covered)] == []


def test_breaking_a_function_breaks_its_rows():
    topics = dict(TOPICS)
    topics["xr_magnification"] = lambda sid_mm, oid_mm: 1.0
    assert verify(own_table(), topics).counts["fail"] == 2
