"""Published experience with head-surface components: fractures, cysts, ions, neck narrowing, benchmark.

In: counts and values. Out: numbers and classes, with the source in data/published_values.toml.
The surface arthroplasty risk index is a published figure that is shown, never used.
"""

from dataclasses import dataclass
from math import isfinite
from typing import Literal

import numpy as np
from scipy import stats

from headstock.anatomy.bands import table_file
from headstock.errors import TooFewError

__all__ = [
    "ShownFigure",
    "cyst_failure_p",
    "fracture_percent",
    "ion_flag",
    "ion_nmol_per_L",
    "neck_narrowing_percent",
    "relative_risk",
    "revision_benchmark_percent",
    "sari_points",
    "sari_shown",
]


@dataclass(frozen=True, slots=True)
class ShownFigure:
    """A published figure that is shown beside its doubts and enters nothing else."""

    name: str
    value: float
    says: str
    doubts: str
    source: str
    status: str


def fracture_percent(fractures: int, hips: int) -> float:
    """Share of hips whose neck broke, percent."""
    return _share(fractures, hips)


def _share(events: int, hips: int) -> float:
    if hips <= 0 or not 0 <= events <= hips:
        raise TooFewError(f"{events} of {hips} hips is no share. Events lie between zero and the number of hips.")
    return 100.0 * events / hips


def relative_risk(women_pct: float, men_pct: float) -> float:
    """How many times as often in women as in men."""
    if men_pct <= 0 or women_pct < 0:
        raise TooFewError("A relative risk needs a rate above zero in men. Give both rates in percent.")
    return women_pct / men_pct


def cyst_failure_p(a: int, n1: int, b: int, n2: int, test: str) -> float:
    """P value of `a` failures of `n1` against `b` of `n2`.

    `test`: "chi2 uncorrected", "chi2 corrected" (Yates) or "Fisher two-sided".
    """
    _share(a, n1)
    _share(b, n2)
    table = np.array([[a, n1 - a], [b, n2 - b]])
    name = str(test).strip().lower()
    if name.startswith("fisher"):
        return float(stats.fisher_exact(table, alternative="two-sided").pvalue)
    if name.startswith("chi2"):
        if (table.sum(axis=0) == 0).any():
            raise TooFewError("Neither or every hip failed, so the chi-square test has nothing to compare.")
        corrected = "yates" in name or ("corrected" in name and "uncorrected" not in name)
        return float(stats.chi2_contingency(table, correction=corrected).pvalue)
    raise TooFewError(f"No test is called {test!r}. Use chi2 uncorrected, chi2 corrected or Fisher two-sided.")


def ion_nmol_per_L(element: str, ug_per_L: float) -> float:
    """Blood cobalt or chromium from µg/L to nmol/L, by the molar mass."""
    masses = table_file("published_values")["ion"]["molar_mass_g_per_mol"]
    if element not in masses:
        raise TooFewError(f"Blood ions are Co or Cr; found {element!r}.")
    return float(1000.0 * ug_per_L / masses[element])


def ion_flag(co_ug_L: float, cr_ug_L: float, threshold: float) -> Literal["below", "above"]:
    """Above when either ion exceeds the threshold (µg/L); a value equal to it is not above."""
    if not all(isfinite(v) and v >= 0 for v in (co_ug_L, cr_ug_L, threshold)):
        raise TooFewError("Blood ions and their threshold are numbers of µg/L, zero or more.")
    return "above" if max(co_ug_L, cr_ug_L) > threshold else "below"


def neck_narrowing_percent(
    postop_neck_mm: float, postop_component_mm: float, later_neck_mm: float, later_component_mm: float
) -> float:
    """Loss of neck width against the component, percent; image widths serve, the component is the ruler.

    More than 10 % counts as narrowing (Hing et al. 2007).
    """
    if min(postop_neck_mm, postop_component_mm, later_component_mm) <= 0 or later_neck_mm < 0:
        raise TooFewError("Widths of neck and component must be more than zero on both films.")
    before, after = postop_neck_mm / postop_component_mm, later_neck_mm / later_component_mm
    return 100.0 * (1.0 - after / before)


def revision_benchmark_percent(years: float) -> float:
    """Share revised at most, by years after surgery.

    Raises
    ------
    TooFewError
        No benchmark is published for that time.
    """
    rows = table_file("published_values")["benchmark"]
    for row in rows:
        if row["years"] == years:
            return float(row["percent_revised_at_most"])
    known = ", ".join(str(row["years"]) for row in rows)
    raise TooFewError(f"No benchmark at {years:g} years is in the table; there is one at {known}.")


def sari_points(cyst_cm: float, weight_kg: float, previous_surgery: float, ucla: float) -> int:
    """Surface arthroplasty risk index, points. From memory: Beaulé et al. 2004. Shown, never acted on."""
    values = {"cyst_cm": cyst_cm, "weight_kg": weight_kg, "previous_surgery": float(previous_surgery), "ucla": ucla}
    points = 0
    for item in table_file("published_values")["sari"]["item"]:
        value = values[item["fact"]]
        if (value > item["value"]) if item["rule"] == "above" else (value < item["value"]):
            points += int(item["points"])
    return points


def sari_shown(cyst_cm: float, weight_kg: float, previous_surgery: float, ucla: float) -> ShownFigure:
    """The index with what speaks against it."""
    table = table_file("published_values")["sari"]
    points = sari_points(cyst_cm, weight_kg, previous_surgery, ucla)
    return ShownFigure(
        "surface arthroplasty risk index",
        float(points),
        table["says"],
        table["conflict"],
        table["source"],
        table["status"],
    )
