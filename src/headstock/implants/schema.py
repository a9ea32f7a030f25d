"""What a family file may say: read, checked, and turned into families.

In: the parsed TOML of one file. Out: `Family` or `CupFamily`. docs/families.md
describes the form for a hospital that adds its own files; this file is the
check. A number may be written as it is (mm), or as `{ ratio = 0.8, plus_mm = -1 }`
of the size's `nominal_mm`, so that a whole range follows from one line.
"""

from collections.abc import Callable, Iterable, Mapping
from difflib import get_close_matches
from math import isfinite
from typing import Any, Final, Literal, cast

import numpy as np
from numpy.typing import NDArray

from headstock.errors import CatalogueError
from headstock.geometry.mesh import Mesh
from headstock.implants.family import Component, Cup, CupFamily, Family, Head, HeadFamily, Kind, Size
from headstock.implants.levels import CutLevel
from headstock.implants.shape import (
    Outline,
    cap_outline,
    resampled,
    seated_outline,
    seated_outline_from_the_side,
    self_crossing,
)

__all__ = ["CAP_PARAMETERS", "SCHEMA", "SEATED_PARAMETERS", "parse_family"]

SCHEMA: Final = 1
# name: (what it is, default). None: must be given.
CAP_PARAMETERS: Final[dict[str, tuple[str, float | None]]] = {
    "head_diameter_mm": ("outer diameter of the dome", None),
    "seat_top_height_mm": ("flat top of the seat above the dome's centre", None),
    "seat_top_width_mm": ("width of the flat top", None),
    "mouth_height_mm": ("mouth of the cap above (below: negative) the dome's centre", None),
    "mouth_width_mm": ("inner width at the mouth", None),
    "pin_length_mm": ("pin below the flat top", None),
    "pin_width_mm": ("pin at the flat top", None),
    "pin_tip_width_mm": ("pin at its tip", None),
    "reamer_overrun_mm": ("how far the reamer may run past the mouth", 0.0),
}
SEATED_PARAMETERS: Final[dict[str, tuple[str, float | None]]] = {
    "seat_top_width_mm": ("seat at the cut, AP", None),
    "seat_bottom_width_mm": ("seat at its lower end, AP", None),
    "seat_depth_mm": ("seat from the cut to its lower end", None),
    "seat_curve": ("1 a cone, above 1 a bowl, below 1 a trumpet", 1.0),
    "seat_lateral_ratio": ("seat width on the lateral film over that on the AP film", 1.0),
    "tail_length_mm": ("tail below the seat", None),
    "tail_top_width_mm": ("tail where it leaves the seat, around its lobes", None),
    "tail_tip_width_mm": ("tail near its rounded tip", None),
    "tail_lateral_ratio": ("tail width on the lateral film over that on the AP film", 1.0),
    "tail_lobes": ("lobes of the tail's section that stop rotation, 0 for round", 0.0),
    "tail_lobe_depth_mm": ("how far the lobes stand out", 0.0),
    "bend_deg": ("how far the line turns toward medial, along the shaft", 0.0),
    "bend_start_mm": ("where the bend begins, along the line from the cut", 0.0),
    "bend_length_mm": ("over what length it bends", 1.0),
    "head_height_mm": ("head centre above the cut at neck length 0", None),
    "neck_diameter_mm": ("the component's own neck", None),
    "reamer_overrun_mm": ("how far the reamer may run past the seat", 0.0),
}
# What still says something where a solid file gives the shape.
_BESIDE_SOLID: Final = {"seat_depth_mm", "head_height_mm", "neck_diameter_mm", "reamer_overrun_mm", "bend_deg"}
_FREE_SIGN: Final = {"mouth_height_mm", "bend_deg", "head_height_mm", "bend_start_mm", "reamer_overrun_mm"}
_MAY_BE_ZERO: Final = {"tail_lobes", "tail_lobe_depth_mm", "tail_length_mm"}
_FAMILY_KEYS: Final = {
    "schema", "id", "name", "kind", "level", "impinges_on", "canal", "made_by", "note",
    "seat_wall_aim_mm", "valgus_aim_deg", "head_diameters_mm", "neck_lengths_mm", "shape", "sizes",
}  # fmt: skip
_CUP_KEYS: Final = {"schema", "id", "name", "kind", "made_by", "note", "arc_deg", "sizes"}
_OUTLINE_KEYS: Final = {
    "outline_ap_mm",
    "outline_lateral_mm",
    "seat_ap_mm",
    "seat_lateral_mm",
    "pin_ap_mm",
    "pin_lateral_mm",
}
_SOLID_KEYS: Final = {"solid_file", "solid_unit"}
_SIZE_KEYS: Final = {"id", "nominal_mm", "head_diameters_mm", "neck_lengths_mm"} | _OUTLINE_KEYS | _SOLID_KEYS
_HEAD_KEYS: Final = {"schema", "id", "name", "kind", "made_by", "note", "sizes"}
_CUP_SIZE_KEYS: Final = {"id", "outer_mm", "head_diameters_mm", "arc_deg"}
Points = NDArray[np.float64]
ReadSolid = Callable[[str], Mesh]


def parse_family(
    content: Mapping[str, Any], where: str, read_solid: ReadSolid | None = None
) -> Family | CupFamily | HeadFamily:
    """One family from the parsed TOML of its file; `where` names the file in messages.

    `read_solid` gives the surface in a `solid_file`; without it a size that names one is refused.

    Raises
    ------
    CatalogueError
        With the file, the key, what was found and what the schema wants.
    """
    if content.get("schema") != SCHEMA:
        raise CatalogueError(
            f"{where}: schema is {content.get('schema')!r}; this version reads schema {SCHEMA}. "
            "Write `schema = 1` at the top and follow docs/families.md."
        )
    kind = content.get("kind")
    if kind == "cup":
        return _cups(content, where)
    if kind == "head":
        return _heads(content, where)
    if kind not in ("cap", "seated"):
        raise CatalogueError(f"{where}: kind is {kind!r}; it must be “cap”, “seated”, “head” or “cup”.")
    return _family(content, where, cast("Kind", kind), read_solid)


def _family(content: Mapping[str, Any], where: str, kind: Kind, read_solid: ReadSolid | None) -> Family:
    _no_strangers(content, _FAMILY_KEYS, where)
    family_id, name = _text(content, "id", where), _text(content, "name", where)
    level = _choice(content, "level", [level.value for level in CutLevel], where)
    impinges = _choice(content, "impinges_on", ["bone", "component"], where)
    canal = _choice(content, "canal", ["closed", "opened"], where)
    allowed = CAP_PARAMETERS if kind == "cap" else SEATED_PARAMETERS
    shape = content.get("shape", {})
    if not isinstance(shape, Mapping):
        raise CatalogueError(f"{where}: [shape] must be a table of parameters.")
    _no_strangers(shape, set(allowed), f"{where}, [shape]")
    sizes: list[Size] = []
    components: list[Component] = []
    for index, entry in enumerate(_tables(content, "sizes", where)):
        at = f"{where}, size {entry.get('id', index + 1)!r}"
        _no_strangers(entry, _SIZE_KEYS | set(allowed), at)
        nominal = _number(entry, "nominal_mm", at)
        if sizes and nominal <= sizes[-1].nominal_mm:
            raise CatalogueError(
                f"{at}: nominal_mm {nominal:g} does not follow {sizes[-1].nominal_mm:g}. List sizes upward."
            )
        given = {**shape, **{key: entry[key] for key in allowed if key in entry}}
        from_solid = "solid_file" in entry
        polyline = "outline_ap_mm" in entry or from_solid
        needed = {"head_diameter_mm"} if kind == "cap" else {"head_height_mm", "neck_diameter_mm"}
        if from_solid:
            needed = needed | {"seat_depth_mm"}
        values: dict[str, float] = {}
        for key, (_, default) in allowed.items():
            if key in given:
                values[key] = _sized(given[key], key, nominal, at)
            elif default is not None:
                values[key] = default
            elif not polyline or key in needed:
                raise CatalogueError(f"{at}: {key} ({allowed[key][0]}) is missing. Give it here or in [shape].")
        size = Size(_text(entry, "id", at), nominal, values)
        if size.id in {s.id for s in sizes}:
            raise CatalogueError(f"{at}: two sizes carry this id. Name each size once.")
        sizes.append(size)
        heads = _numbers(
            entry if "head_diameters_mm" in entry else content, "head_diameters_mm", at, required=kind != "cap"
        )
        necks = _numbers(
            entry if "neck_lengths_mm" in entry else content, "neck_lengths_mm", at, required=False, signed=True
        )
        try:
            solid = _solid_of(entry, kind, given, read_solid)
            drawn = entry
            if solid is not None:
                from headstock.implants.import_solid import outlines_of

                drawn = {**entry, **outlines_of(solid, values["seat_depth_mm"])}
            components.append(
                _component(
                    family_id,
                    CutLevel(level),
                    kind,
                    size,
                    index,
                    heads or (values["head_diameter_mm"],),
                    necks or (0.0,),
                    drawn,
                    solid,
                )
            )
        except CatalogueError as error:
            raise CatalogueError(f"{at}: {error}") from error
    return Family(
        id=family_id,
        name=name,
        level=CutLevel(level),
        kind=kind,
        impinges_on=cast("Literal['bone', 'component']", impinges),
        canal=cast("Literal['closed', 'opened']", canal),
        made_by=_text(content, "made_by", where),
        seat_wall_aim_mm=_number(content, "seat_wall_aim_mm", where),
        valgus_aim_deg=_number(content, "valgus_aim_deg", where, signed=True) if "valgus_aim_deg" in content else 0.0,
        sizes=tuple(sizes),
        components=tuple(components),
        note=str(content.get("note", "")),
    )


def _component(
    family_id: str,
    level: CutLevel,
    kind: Kind,
    size: Size,
    index: int,
    heads: tuple[float, ...],
    necks: tuple[float, ...],
    entry: Mapping[str, Any],
    solid: Mesh | None,
) -> Component:
    p = size.parameters
    if "outline_ap_mm" in entry:
        ap = _drawn(entry, "ap", kind)
        lateral = _drawn(entry, "lateral", kind) if "outline_lateral_mm" in entry else ap
    elif kind == "cap":
        ap = lateral = cap_outline(**{k: v for k, v in p.items() if k != "reamer_overrun_mm"})
    else:
        line = {
            k: p[k]
            for k in ("bend_deg", "bend_start_mm", "bend_length_mm", "seat_depth_mm", "seat_curve", "tail_length_mm")
        }
        if p["tail_lobe_depth_mm"] * 2 >= p["tail_tip_width_mm"]:
            raise CatalogueError("the tail's lobes are deeper than its tip is wide. Make tail_lobe_depth_mm smaller.")
        widths = ("seat_top_width_mm", "seat_bottom_width_mm"), ("tail_top_width_mm", "tail_tip_width_mm")
        ap = seated_outline(**line, **{k: p[k] for pair in widths for k in pair})
        ratios = dict.fromkeys(widths[0], p["seat_lateral_ratio"]) | dict.fromkeys(widths[1], p["tail_lateral_ratio"])
        lateral = seated_outline_from_the_side(**line, **{k: p[k] * ratio for k, ratio in ratios.items()})
    seat_points = np.vstack(ap.seat_mm)
    tip = (
        ap.in_bone_mm[np.argmin(ap.in_bone_mm[:, 1])]
        if len(ap.in_bone_mm)
        else seat_points[np.argmin(seat_points[:, 1])]
    )
    return Component(
        family_id=family_id,
        size_id=size.id,
        size_index=index,
        level=level,
        kind=kind,
        ap=ap,
        lateral=lateral,
        head_centre_z_mm=-p["seat_top_height_mm"]
        if kind == "cap" and "seat_top_height_mm" in p
        else p.get("head_height_mm", 0.0),
        head_diameters_mm=heads,
        neck_lengths_mm=necks,
        neck_diameter_mm=p.get("neck_diameter_mm"),
        reamer_overrun_mm=p["reamer_overrun_mm"],
        tail_turn_deg=p.get("bend_deg", 0.0),
        lowest_seat_mm=float(-seat_points[:, 1].min()),
        tail_tip_mm=np.array(tip),
        parameters=p,
        solid_mesh=solid,
    )


def _solid_of(
    entry: Mapping[str, Any], kind: Kind, given: Mapping[str, Any], read_solid: ReadSolid | None
) -> Mesh | None:
    """The surface a size brings as a file, None without one."""
    if "solid_file" not in entry:
        if "solid_unit" in entry:
            raise CatalogueError("solid_unit is given without a solid_file. Name the file, or leave the unit out.")
        return None
    if kind == "cap":
        raise CatalogueError("a solid_file fits a seated part only. Give a cap by its parameters or its outline.")
    if "outline_ap_mm" in entry or "outline_lateral_mm" in entry:
        raise CatalogueError("both a solid_file and an outline are given; which one is the part? Give one of them.")
    strange = sorted(set(given) - _BESIDE_SOLID)
    if strange:
        raise CatalogueError(f"{', '.join(strange)} cannot stand beside a solid_file, which already fixes the shape.")
    if entry.get("solid_unit") != "mm":
        raise CatalogueError(
            f"solid_unit is {entry.get('solid_unit')!r}. An STL file does not say its unit: export the solid in "
            'millimetres and write solid_unit = "mm".'
        )
    if read_solid is None:
        raise CatalogueError("a solid_file is named, but this family was not read from a folder that could hold it.")
    return read_solid(_text(entry, "solid_file", "solid_file"))


def _drawn(entry: Mapping[str, Any], view: str, kind: Kind) -> Outline:
    """An outline given point by point instead of by parameters."""
    body = _polyline(entry[f"outline_{view}_mm"], f"outline_{view}_mm", least=3)
    if np.allclose(body[0], body[-1]):
        body = body[:-1]
    if self_crossing(body):
        raise CatalogueError(f"outline_{view}_mm crosses itself. Give its points in order around the part.")
    seats = tuple(resampled(_polyline(s, f"seat_{view}_mm")) for s in entry.get(f"seat_{view}_mm", ()))
    if not seats:
        raise CatalogueError(f"seat_{view}_mm is missing: say which stretches of the outline carry load, as polylines.")
    edge = resampled(np.vstack([body, body[:1]]), 0.25)
    for seat in seats:
        gap = np.linalg.norm(seat[:, None, :] - edge[None, :, :], axis=-1).min(axis=1).max()
        if gap > 0.5:
            raise CatalogueError(
                f"a seat of seat_{view}_mm leaves the outline by {gap:.1f} mm. Seats are stretches of the outline."
            )
    if kind == "cap":
        pin = entry.get(f"pin_{view}_mm")
        inside = resampled(_polyline(pin, f"pin_{view}_mm")) if pin is not None else np.empty((0, 2))
    else:
        dense = resampled(np.vstack([body, body[:1]]))
        inside = dense[dense[:, 1] <= 1e-9]
    points = np.vstack(seats)
    left, right = points[points[:, 0] < 0], points[points[:, 0] >= 0]
    if not len(left) or not len(right):
        raise CatalogueError(f"seat_{view}_mm must have a stretch on each side of the axis.")
    ends = np.vstack([left[np.argmin(left[:, 1])], right[np.argmin(right[:, 1])]])
    return Outline(body, inside, seats, ends, np.array([[0.0, -1.0], [0.0, -1.0]]))


def _cups(content: Mapping[str, Any], where: str) -> CupFamily:
    _no_strangers(content, _CUP_KEYS, where)
    family_id = _text(content, "id", where)
    cups: list[Cup] = []
    for index, entry in enumerate(_tables(content, "sizes", where)):
        at = f"{where}, size {entry.get('id', index + 1)!r}"
        _no_strangers(entry, _CUP_SIZE_KEYS, at)
        outer = _number(entry, "outer_mm", at)
        heads = _numbers(entry, "head_diameters_mm", at)
        arc = _number(entry if "arc_deg" in entry else content, "arc_deg", at)
        if not 90.0 <= arc <= 200.0:
            raise CatalogueError(f"{at}: arc_deg is {arc:g}; a bearing covers 90 to 200 degrees.")
        if max(heads) > outer - 3.0:
            raise CatalogueError(
                f"{at}: a head of {max(heads):g} mm leaves a wall under 1.5 mm in a cup of {outer:g} mm."
            )
        if cups and outer <= cups[-1].outer_mm:
            raise CatalogueError(f"{at}: outer_mm {outer:g} does not follow {cups[-1].outer_mm:g}. List sizes upward.")
        cups.append(Cup(family_id, _text(entry, "id", at), index, outer, heads, arc))
    if len({cup.size_id for cup in cups}) < len(cups):
        raise CatalogueError(f"{where}: two cups carry the same id. Name each size once.")
    return CupFamily(
        family_id,
        _text(content, "name", where),
        _text(content, "made_by", where),
        tuple(cups),
        str(content.get("note", "")),
    )


def _heads(content: Mapping[str, Any], where: str) -> HeadFamily:
    _no_strangers(content, _HEAD_KEYS, where)
    family_id = _text(content, "id", where)
    heads: list[Head] = []
    for index, entry in enumerate(_tables(content, "sizes", where)):
        at = f"{where}, size {entry.get('id', index + 1)!r}"
        _no_strangers(entry, {"id", "diameter_mm"}, at)
        diameter = _number(entry, "diameter_mm", at)
        if heads and diameter <= heads[-1].diameter_mm:
            raise CatalogueError(
                f"{at}: diameter_mm {diameter:g} does not follow {heads[-1].diameter_mm:g}. List sizes upward."
            )
        heads.append(Head(family_id, _text(entry, "id", at), index, diameter))
    if len({head.size_id for head in heads}) < len(heads):
        raise CatalogueError(f"{where}: two heads carry the same id. Name each size once.")
    name, made_by = _text(content, "name", where), _text(content, "made_by", where)
    return HeadFamily(family_id, name, made_by, tuple(heads), str(content.get("note", "")))


def _no_strangers(content: Mapping[str, Any], allowed: Iterable[str], where: str) -> None:
    for key in content:
        if key not in set(allowed):
            near = get_close_matches(key, list(allowed), 1)
            hint = f" Did you mean “{near[0]}”?" if near else ""
            raise CatalogueError(f"{where}: “{key}” is not part of the schema.{hint} See docs/families.md.")


def _text(content: Mapping[str, Any], key: str, where: str) -> str:
    value = content.get(key)
    if not isinstance(value, str) or not value.strip():
        raise CatalogueError(f"{where}: “{key}” must be a text; found {value!r}.")
    return value


def _choice(content: Mapping[str, Any], key: str, allowed: list[str], where: str) -> str:
    value = content.get(key)
    if value not in allowed:
        raise CatalogueError(f"{where}: {key} is {value!r}; it must be one of {', '.join(allowed)}.")
    return str(value)


def _number(content: Mapping[str, Any], key: str, where: str, *, signed: bool = False) -> float:
    value = content.get(key)
    if (
        isinstance(value, bool)
        or not isinstance(value, int | float)
        or not isfinite(value)
        or (value <= 0 and not signed)
    ):
        raise CatalogueError(f"{where}: {key} must be a {'' if signed else 'positive '}number; found {value!r}.")
    return float(value)


def _numbers(
    content: Mapping[str, Any], key: str, where: str, *, required: bool = True, signed: bool = False
) -> tuple[float, ...]:
    values = content.get(key)
    if values is None and not required:
        return ()
    if not isinstance(values, list) or not values:
        raise CatalogueError(f"{where}: {key} must be a list of numbers; found {values!r}.")
    read = tuple(_number({key: value}, key, where, signed=signed) for value in values)
    if list(read) != sorted(set(read)):
        raise CatalogueError(f"{where}: {key} must rise without repeats; found {list(read)}.")
    return read


def _sized(value: Any, key: str, nominal_mm: float, where: str) -> float:
    if isinstance(value, Mapping):
        _no_strangers(value, {"ratio", "plus_mm"}, f"{where}, {key}")
        ratio = _number(value, "ratio", f"{where}, {key}", signed=True)
        value = ratio * nominal_mm + (
            _number(value, "plus_mm", f"{where}, {key}", signed=True) if "plus_mm" in value else 0.0
        )
    number = _number({key: value}, key, where, signed=True)
    if key not in _FREE_SIGN and (number < 0 or (number == 0 and key not in _MAY_BE_ZERO)):
        raise CatalogueError(f"{where}: {key} comes out as {number:g}; it must be positive.")
    return number


def _tables(content: Mapping[str, Any], key: str, where: str) -> list[Mapping[str, Any]]:
    tables = content.get(key)
    if not isinstance(tables, list) or not tables or not all(isinstance(t, Mapping) for t in tables):
        raise CatalogueError(f"{where}: at least one [[{key}]] table is needed.")
    return tables


def _polyline(value: Any, key: str, least: int = 2) -> Points:
    try:
        points = np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise CatalogueError(f"{key} must be a list of [x, z] points in mm.") from error
    if points.ndim != 2 or points.shape[1] != 2 or len(points) < least or not np.all(np.isfinite(points)):
        raise CatalogueError(
            f"{key} must be a list of at least {least} [x, z] points in mm; its shape is {points.shape}."
        )
    return points
