"""The page that lists every measure with its formula, unit, source and status: docs/measures.md.

In: the registries of this room. Out: Markdown text; a test holds the file against it.
"""

from headstock.anatomy.bands import BANDS
from headstock.anatomy.landmarks import CIRCLES, LANDMARKS, OUTLINES, SD_SOURCE, View
from headstock.anatomy.lesion import EXTENT_FORMULAS
from headstock.anatomy.measures import MEASURES, Measure

__all__ = ["measures_page"]

_HEAD = """# Measures

Every number that headstock reads from films, with its formula and its source. This page is written by
`headstock.anatomy.measures_page` from the registry that computes the numbers; to renew it:

```
python -c "from headstock.anatomy.measures_page import measures_page; print(measures_page(), end='')" > docs/measures.md
```

Names are those of `--json` answers; a sided measure carries `right.` or `left.` in front, the difference of the sides
`right_minus_left.`. Lengths are mm at the hip: distances on the film times the scale at the head; what perspective and
rotation do to them stays in them. Each comes with a 95 % interval from 2,000 draws of all points and of the scale; one
scale error is shared by all lengths of a film. Without a scale lengths are missing, angles and ratios are given.

Status: *published* (read on a public page), *from memory* (published source named, not seen), *derived* (mathematics),
*common practice* (no source). Reference values are shown beside a measure and are never limits; limits live in
`limits.toml`. headstock is not a cleared medical device: the surgeon verifies every number, local rules prevail.
"""


def _views(entry: Measure) -> str:
    return ", ".join(view.words for view in View if view in entry.views)


def _measure(entry: Measure) -> str:
    sided = "each side" + ("" if entry.no_difference else " and right minus left") if entry.sided else "once a film"
    lines = [
        f"### `{entry.name}`",
        "",
        entry.formula,
        "",
        f"- Unit {_unit(entry.unit)}; {sided}; views: {_views(entry)}.",
        f"- Needs: {', '.join(need.replace('_', ' ') for need in entry.needs)}.",
        f"- Source: {entry.source} (*{entry.status}*).",
    ]
    lines += [f"- Reference: {r.says}. {r.source} (*{r.status}*)." for r in entry.references]
    return "\n".join(lines) + "\n"


def _unit(unit: str) -> str:
    return "none (a ratio)" if unit == "1" else unit


def measures_page() -> str:
    """The whole page."""
    parts = [_HEAD, "## On one film\n", *(_measure(entry) for entry in MEASURES.values())]
    parts.append("## Extent of a lesion, from one or two films\n")
    for name, (unit, formula, source) in EXTENT_FORMULAS.items():
        parts.append(f"### `{name}`\n\n{formula}\n\n- Unit {_unit(unit)}.\n- Source: {source}.\n")
    parts.append("## Classes and their edges\n")
    for table in BANDS.values():
        names = ", ".join(entry.name for entry in table.bands)
        parts.append(
            f"### {table.name}\n\nOf the {table.quantity} ({_unit(table.unit)}): {names}. {table.edges}\n\n"
            f"- Source: {table.source} (*{table.status}*).\n"
        )
    parts.append(
        "## Landmarks and how well they are hit\n\nOne standard deviation per image direction, mm at the hip: one "
        f"reader placing the mark twice, and what readers differ by on top of it. {SD_SOURCE.capitalize()}.\n"
    )
    rows = ["| landmark | what it is | one reader, mm | between readers, mm |", "|---|---|---|---|"]
    rows += [
        f"| `{m.name}` | {m.says} | {m.default_sd_mm:g} | {m.between_reader_sd_mm:g} |" for m in LANDMARKS.values()
    ]
    rows += [
        f"| `{c.name}` circle | {c.says} | centre {c.centre_sd_mm:g}, radius {c.radius_sd_mm:g} | "
        f"centre {c.between_centre_sd_mm:g}, radius {c.between_radius_sd_mm:g} |"
        for c in CIRCLES.values()
    ]
    rows += [
        f"| `{o.name}` outline | {o.says} | {o.sd_mm:g} along its normal, as a whole | |" for o in OUTLINES.values()
    ]
    parts.append("\n".join(rows) + "\n")
    return "\n".join(parts)
