"""A theatre sheet frozen with its plan: as plain JSON in the record, its pictures in the vault.

In: `SheetContent`. Out: JSON, and from it the same content again, so that a plan
signed today prints the same sheet in ten years.
"""

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import date, datetime
from typing import Any

from headstock.documents import LegRow, PartRow, SheetContent, SheetFilm, SheetNumber, SheetShape, Signature, Stop
from headstock.frames import Side
from headstock.measured import Measured
from headstock.records import Vault

__all__ = ["freeze", "thaw"]


_OF_PRINTING = ("signature", "superseded")


def freeze(content: SheetContent, vault: Vault) -> dict[str, Any]:
    """Plain JSON; the signature is left out, because it is made over this, and what only a later print can know."""
    return {
        field.name: _plain(getattr(content, field.name), vault)
        for field in fields(content)
        if field.name not in _OF_PRINTING
    }


def _plain(value: Any, vault: Vault) -> Any:
    if isinstance(value, Measured):
        return value.to_json()
    if isinstance(value, Side):
        return value.value
    if isinstance(value, date | datetime):
        return value.isoformat()
    if isinstance(value, bytes):
        return {"vault": vault.put(value)}
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: _plain(getattr(value, field.name), vault) for field in fields(value)}
    if isinstance(value, tuple | list):
        return [_plain(item, vault) for item in value]
    return value


def thaw(
    plain: Mapping[str, Any],
    vault: Vault,
    *,
    signature: Signature | None,
    printed_at: datetime,
    superseded: bool = False,
) -> SheetContent:
    """The content again, signed and printed now; `superseded` when a later version was signed since."""
    values: dict[str, Any] = dict(plain)
    values["side"] = Side(plain["side"])
    for name in ("born", "operation_date"):
        values[name] = None if plain[name] is None else date.fromisoformat(plain[name])
    for name in ("headline", "cutting", "wire", "cup", "bone"):
        values[name] = tuple(_number(row) for row in plain[name])
    values["neck_shapes"] = _shapes(plain["neck_shapes"])
    values["film"] = _film(plain["film"], vault)
    values["lateral"] = None if plain["lateral"] is None else _film(plain["lateral"], vault)
    values["parts"] = tuple(PartRow(**row) for row in plain["parts"])
    values["leg"] = tuple(
        LegRow(
            row["label"],
            _measured(row["now"]),
            _measured(row["change"]),
            _measured(row["result"]),
            row["target_words"],
            row["state"],
        )
        for row in plain["leg"]
    )
    values["overruled"] = tuple((pair[0], pair[1]) for pair in plain["overruled"])
    values["cautions"], values["notes"] = tuple(plain["cautions"]), tuple(plain["notes"])
    values["stops"] = tuple(Stop(row["title"], tuple(row["lines"])) for row in plain["stops"])
    values["printed_at"] = printed_at.replace(microsecond=0)
    return SheetContent(**values, signature=signature, superseded=superseded)


def _measured(row: Mapping[str, Any]) -> Measured:
    return Measured(
        row["value"],
        row["unit"],
        row["source"],
        row["low"],
        row["high"],
        row["kind"],
        row["reason"],
        note=row.get("note"),  # plans signed before there were notes have none
    )


def _number(row: Mapping[str, Any]) -> SheetNumber:
    return SheetNumber(
        row["label"],
        _measured(row["number"]),
        row["decimals"],
        row["signed"],
        row["state"],
        row["limit_words"],
        row["words"],
    )


def _shapes(rows: list[Mapping[str, Any]]) -> tuple[SheetShape, ...]:
    return tuple(
        SheetShape(row["role"], tuple((x, y) for x, y in row["points"]), row["closed"], row["label"]) for row in rows
    )


def _film(row: Mapping[str, Any], vault: Vault) -> SheetFilm:
    return SheetFilm(
        vault.get(row["png"]["vault"]),
        row["width_px"],
        row["height_px"],
        row["caption"],
        _shapes(row["shapes"]),
        row["mm_per_px"],
    )
