"""The entries of a patient's and a hip's record that decisions need; nothing else is asked, nothing is compulsory."""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import date, datetime
from typing import Any, Final, Literal

from headstock.anatomy.cautions import Fact, HipFacts
from headstock.desk.desk import Desk
from headstock.desk.pages import FactField, FactIn
from headstock.desk.words import age_years
from headstock.errors import RecordError
from headstock.measured import Measured
from headstock.records import write_line
from headstock.records.people import add_fact, patient
from headstock.records.people import hip as hip_row
from headstock.records.tables import FactRow, HipRecord, Patient

__all__ = ["FACTS", "NO_NUMBER", "FactKind", "fact_fields", "hip_facts", "set_fact"]


@dataclass(frozen=True, slots=True)
class FactKind:
    """One entry: what it is called, how it is given, why it is asked. `low`, `high`: what a person can have."""

    key: str
    label: str
    form: Literal["number", "text", "choice", "yes_no"]
    says: str
    unit: str | None = None
    choices: tuple[str, ...] = ()
    per_patient: bool = True
    low: float | None = None
    high: float | None = None


FACTS: Final[Mapping[str, FactKind]] = {
    fact.key: fact
    for fact in (
        FactKind("cause", "cause", "text", "Decides what is usual at this stage.", per_patient=False),
        FactKind(
            "previous_surgery",
            "previous surgery of this hip",
            "yes_no",
            "Metal, scars and changed bone; a published caution for head-surface parts.",
            per_patient=False,
        ),
        FactKind(
            "weight_kg",
            "weight",
            "number",
            "Loads grow with it; sources disagree on which end is the risk.",
            "kg",
            low=20,
            high=350,
        ),
        FactKind("height_cm", "height", "number", "With the weight: build.", "cm", low=80, high=250),
        FactKind(
            "activity_ucla",
            "activity, UCLA 1 to 10",
            "number",
            "High demand is a published caution.",
            None,
            low=1,
            high=10,
        ),
        FactKind("renal_disease", "kidney disease", "yes_no", "Metal ions leave through the kidneys."),
        FactKind("metal_allergy", "metal allergy", "yes_no", "Speaks against metal bearings."),
        FactKind("pregnancy_wish", "wish for pregnancy", "yes_no", "Metal ions cross the placenta."),
        FactKind("immune_suppression", "immune suppression", "yes_no", "Infection and bone healing."),
        FactKind("infection", "infection now", "yes_no", "No implant while it lasts."),
        FactKind(
            "t_score", "bone density, T-score", "number", "Low density weakens head and neck.", None, low=-8, high=6
        ),
        FactKind(
            "score_before",
            "Oxford hip score before surgery",
            "number",
            "To hold the result against.",
            None,
            per_patient=False,
            low=0,
            high=48,
        ),
        FactKind("pain", "the hip hurts", "yes_no", "Part of the staging systems.", per_patient=False),
        FactKind("consent", "consent given", "yes_no", "Stands on the theatre sheet.", per_patient=False),
        FactKind("patient_name", "name", "text", "Second identifier; asked only where the image does not say it."),
        FactKind(
            "patient_number", "hospital number", "text", "First identifier; asked only where the image is silent."
        ),
    )
}
IDENTITY: Final = ("patient_name", "patient_number")
NO_NUMBER: Final = "NO-NUMBER-"


def lacks_identity(row: Patient) -> bool:
    """True when the images did not say who this is."""
    return row.number.startswith(NO_NUMBER) or not row.name.strip()


def fact_fields(hip: HipRecord, row: Patient, kept: Mapping[str, FactRow]) -> list[FactField]:
    """All entries of a hip, filled or not."""
    del hip
    return [
        FactField(
            key=fact.key,
            label=fact.label,
            unit=fact.unit,
            form=fact.form,
            choices=list(fact.choices) or None,
            value=kept[fact.key].value if fact.key in kept else None,
            on=kept[fact.key].on if fact.key in kept else None,
            source=kept[fact.key].source if fact.key in kept else None,
            per_patient=fact.per_patient,
            says=fact.says,
        )
        for fact in FACTS.values()
        if fact.key not in IDENTITY or lacks_identity(row) or fact.key in kept
    ]


def set_fact(desk: Desk, hip_id: str, key: str, given: FactIn, *, who: str, now: datetime) -> None:
    """Keep an entry with its date and source; the older ones stay in the record.

    Raises
    ------
    RecordError
        No such entry, or a value it cannot have.
    """
    fact = FACTS.get(key)
    if fact is None:
        raise RecordError(f"The record has no entry “{key[:40]}”. Known: {', '.join(FACTS)}.")
    value = checked(fact, given.value)
    on: date = given.on or now.date()
    if on > now.date():
        raise RecordError(f"“{fact.label}” is dated in the future. Correct the date.")
    with desk.store.writing() as session:
        hip = hip_row(session, hip_id)
        source = given.source.strip() or f"typed by {who}"
        add_fact(
            session, hip, key=key, value=value, per_patient=fact.per_patient, on=on, source=source, by=who, now=now
        )
        if key in IDENTITY:
            _identify(patient(session, hip.patient_id), key, value)
        # The trail says that an entry changed, not to what: it holds no person's data.
        write_line(session, at=now, who=who, action="fact kept", subject=hip.id, key=key)


def checked(fact: FactKind, value: Any) -> Any:
    """The value if this entry can have it.

    Raises
    ------
    RecordError
        It cannot.
    """
    if value is None:
        return None
    if fact.form == "yes_no":
        if not isinstance(value, bool):
            raise RecordError(f"“{fact.label}” is yes or no.")
        return value
    if fact.form == "number":
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise RecordError(f"“{fact.label}” is a number{f' in {fact.unit}' if fact.unit else ''}.")
        if (fact.low is not None and value < fact.low) or (fact.high is not None and value > fact.high):
            raise RecordError(
                f"“{fact.label}” of {value:g}{f' {fact.unit}' if fact.unit else ''} cannot be: it lies between "
                f"{fact.low:g} and {fact.high:g}. Check the number and its unit."
            )
        return float(value)
    if fact.form == "choice" and value not in fact.choices:
        raise RecordError(f"“{fact.label}” is one of {', '.join(fact.choices)}.")
    return str(value)[:200]


def _identify(row: Patient, key: str, value: Any) -> None:
    """An identifier typed where the image gave none; one that the image gave is never overwritten."""
    text = str(value or "").strip()
    if key == "patient_name" and not row.name.strip():
        row.name = text
    elif key == "patient_number" and row.number.startswith(NO_NUMBER) and text:
        row.number = text
    else:
        raise RecordError("The image itself says who this is; that is not overwritten here. Correct it at the source.")


def hip_facts(who: Patient, kept: Mapping[str, FactRow], measures: Mapping[str, Measured], today: date) -> HipFacts:
    """The record's entries as the anatomy room reads them."""
    known = {field.name for field in fields(HipFacts)}
    values: dict[str, Any] = {}
    for key, row in kept.items():
        if key in known and key in FACTS and row.value is not None:
            values[key] = Fact(row.value, row.on or today, row.source or f"typed by {row.by}")
    born = age_years(who.born, today)
    if born is not None and born >= 5:
        values["age_years"] = Fact(float(born), today, "birth date of the image")
    sex = (who.sex or "").strip().upper()[:1]
    if sex in ("M", "F"):
        values["sex"] = Fact(sex, today, "the image's header")
    length = measures.get("leg_length_difference_mm")
    if length is not None and length.value is not None:
        values["limb_difference_cm"] = Fact(min(abs(length.value) / 10.0, 15.0), today, "AP pelvis film")
    score = kept.get("score_before")
    if score is not None and score.value is not None:
        values["scores"] = {"Oxford hip score": Fact(float(score.value), score.on or today, score.source or "typed")}
    return HipFacts(**values)
