"""A lesion on the scan beside the same lesion on films: differences and what they mean.

In: a measured `Lesion`, the extent read on films (`headstock.anatomy.lesion.lesion_extent`). Out: rows with both
numbers, their difference and words; the type by weight-bearing portion with the image it was read on. Films show the
shadow of a lesion in two directions, a scan its cuts: types read on film and on MRI differ in 28 of 188 hips (docs of
`osteonecrosis`), so each keeps its modality and neither replaces the other.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from headstock.anatomy.bands import BANDS, place
from headstock.anatomy.osteonecrosis import JicType, combined_angle_classes, type_from_film
from headstock.anatomy.scan.values import Lesion
from headstock.measured import Measured, difference

__all__ = ["ExtentRow", "extent_agreement", "weight_bearing_type"]

# scan's measure, film's measure, label, why they may differ
_PAIRS: Final = (
    (
        "necrotic_arc_coronal_deg",
        "necrotic_arc_ap_deg",
        "Necrotic arc, coronal cut and AP film",
        "a film shows the widest shadow of the lesion, a cut only what lies in it",
    ),
    (
        "necrotic_arc_sagittal_deg",
        "necrotic_arc_lateral_deg",
        "Necrotic arc, sagittal cut and lateral film",
        "a lateral film looks across the neck, not straight across the body",
    ),
    (
        "combined_necrotic_angle_deg",
        "combined_necrotic_angle_deg",
        "Combined necrotic angle",
        "each has classes of its own: small to large on films, grades and risk on cuts",
    ),
    (
        "share_of_head_percent",
        "lesion_share_of_head_percent",
        "Share of the head",
        "on films the volume is built of ellipses from two shadows",
    ),
    (
        "coronal_reach",
        "weight_bearing_share",
        "Reach across the weight-bearing portion",
        "the cut's socket ends stand in for teardrop and outer edge of the roof",
    ),
)


@dataclass(frozen=True, slots=True, eq=False)
class ExtentRow:
    """One measure from scan and film. `agrees`: None when one is missing, else whether the difference's interval "
    "holds 0."""

    key: str
    label: str
    scan: Measured
    film: Measured
    difference: Measured
    agrees: bool | None
    says: str


def extent_agreement(lesion: Lesion, film: Mapping[str, Measured]) -> tuple[ExtentRow, ...]:
    """The extent read on the scan beside the extent read on films, in the same order always."""
    rows = []
    for key, film_key, label, why in _PAIRS:
        if key not in lesion.measures or film_key not in film:
            continue
        scan_value, film_value = lesion.measures[key], film[film_key]
        # Draws of two readings are not of one experiment: the difference is that of independent errors.
        apart = difference(replace(scan_value, draws=None), replace(film_value, draws=None), f"{label}: scan less film")
        if apart.value is None or apart.low is None or apart.high is None:
            rows.append(ExtentRow(key, label, scan_value, film_value, apart, None, apart.reason or "One is missing."))
            continue
        agrees = apart.low <= 0.0 <= apart.high
        says = (
            "Scan and film agree within their intervals."
            if agrees
            else f"Scan and film differ by more than their intervals: {why}."
        )
        rows.append(
            ExtentRow(key, label, scan_value, film_value, apart, agrees, says + _classes(key, lesion, film_value))
        )
    return tuple(rows)


def weight_bearing_type(lesion: Lesion) -> tuple[JicType, tuple[str, ...]] | None:
    """Type A to C2 on the mid-coronal cut, with the other types its interval reaches; None when it is missing.

    `modality` is "mri" for a lesion seen on MR; on CT it stays None, for which no comparison is published.
    """
    reach = lesion.measures.get("coronal_reach")
    found = None if reach is None else type_from_film(reach)
    if found is None:
        return None
    return replace(found[0], modality="mri" if lesion.modality == "MR" else None), found[1]


def _classes(key: str, lesion: Lesion, film_value: Measured) -> str:
    if key == "combined_necrotic_angle_deg":
        on_film = place("kerboul_radiograph", film_value)
        on_cuts = combined_angle_classes(lesion.measures[key], "mri")
        if on_film is None or not on_cuts:
            return ""
        words = ", ".join(f"{BANDS[c.table.name].quantity}: {c.words}" for c in on_cuts)
        return f" On film: {on_film.words}. On cuts: {words}."
    if key == "coronal_reach":
        scan_type, film_type = weight_bearing_type(lesion), type_from_film(film_value)
        if scan_type is None or film_type is None:
            return ""
        same = "the same type" if scan_type[0].type == film_type[0].type else "another type"
        return (
            f" Type {scan_type[0].type} on the scan, {film_type[0].type} on the film: {same}. Types of film and "
            "MRI differ in 28 of 188 hips; each is kept with its image."
        )
    return ""
