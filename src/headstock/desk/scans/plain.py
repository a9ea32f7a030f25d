"""Scans and outlines as the record keeps them: plain JSON and compressed arrays, and back."""

import io
from collections.abc import Mapping
from dataclasses import fields
from datetime import date
from typing import Any

import numpy as np

from headstock.anatomy.scan.segmentation import Segmentation
from headstock.errors import RecordError
from headstock.frames import Side
from headstock.geometry.grid import Grid
from headstock.images.scan import Finding, ScanHeader

__all__ = [
    "findings_from_json",
    "findings_to_json",
    "grid_from_json",
    "grid_to_json",
    "outlines_bytes",
    "outlines_from_bytes",
    "scan_header_from_json",
    "scan_header_to_json",
]


def scan_header_to_json(header: ScanHeader) -> dict[str, Any]:
    """Plain fields; dates as ISO text."""
    plain = {field.name: getattr(header, field.name) for field in fields(header)}
    return {name: value.isoformat() if isinstance(value, date) else value for name, value in plain.items()}


def scan_header_from_json(plain: Mapping[str, Any]) -> ScanHeader:
    """The header that `scan_header_to_json` wrote; fields of a later version are left out."""
    known = {field.name for field in fields(ScanHeader)}
    values = {name: value for name, value in plain.items() if name in known}
    for name in ("birth_date", "taken"):
        if values.get(name):
            values[name] = date.fromisoformat(values[name])
    if values.get("side"):
        values["side"] = Side(values["side"])
    return ScanHeader(**values)


def grid_to_json(grid: Grid) -> dict[str, Any]:
    """Plain fields."""
    return {
        "origin_mm": grid.origin_mm.tolist(),
        "axes": grid.axes.tolist(),
        "spacing_mm": grid.spacing_mm.tolist(),
        "shape": list(grid.shape),
    }


def grid_from_json(plain: Mapping[str, Any]) -> Grid:
    """The grid that `grid_to_json` wrote."""
    slices, rows, columns = (int(n) for n in plain["shape"])
    return Grid(
        np.array(plain["origin_mm"], np.float64),
        np.array(plain["axes"], np.float64),
        np.array(plain["spacing_mm"], np.float64),
        (slices, rows, columns),
    )


def findings_to_json(findings: tuple[Finding, ...]) -> list[dict[str, Any]]:
    """Plain fields."""
    return [{"code": one.code, "weight": one.weight, "says": one.says} for one in findings]


def findings_from_json(plain: list[Any]) -> tuple[Finding, ...]:
    """The findings that `findings_to_json` wrote."""
    return tuple(Finding(one["code"], one["weight"], one["says"]) for one in plain)


_DISTANCE_STEP_MM = 1 / 256  # distances are kept in steps of this: far finer than any surface is known
_FARTHEST_MM = 120.0


def outlines_bytes(found: Segmentation) -> bytes:
    """A segmentation as one compressed file for the vault."""
    import json

    head = {
        "grid": grid_to_json(found.grid),
        "side": found.side.value,
        "edge_sd_mm": found.edge_sd_mm,
        "seed_lps_mm": found.seed_lps_mm.tolist(),
        "findings": findings_to_json(found.findings),
    }
    distance = np.clip(found.femur_mm, -_FARTHEST_MM, _FARTHEST_MM) / _DISTANCE_STEP_MM
    out = io.BytesIO()
    np.savez_compressed(
        out,
        head=np.frombuffer(json.dumps(head).encode(), np.uint8),
        bones=found.bones,
        tissue=found.tissue,
        femur=np.round(distance).astype(np.int16),
    )
    return out.getvalue()


def outlines_from_bytes(data: bytes) -> Segmentation:
    """The segmentation that `outlines_bytes` wrote.

    Raises
    ------
    RecordError
        These are not outlines.
    """
    import json

    try:
        with np.load(io.BytesIO(data), allow_pickle=False) as kept:
            head = json.loads(kept["head"].tobytes().decode())
            distance = kept["femur"].astype(np.float32) * np.float32(_DISTANCE_STEP_MM)
            return Segmentation(
                grid_from_json(head["grid"]),
                Side(head["side"]),
                kept["bones"],
                kept["tissue"],
                distance,
                float(head["edge_sd_mm"]),
                np.array(head["seed_lps_mm"], np.float64),
                findings_from_json(head["findings"]),
            )
    except (KeyError, ValueError, OSError) as error:
        raise RecordError(
            f"The kept outlines of this scan cannot be read ({type(error).__name__}). Find the bone again; corrections "
            "made before stay in the record."
        ) from None
