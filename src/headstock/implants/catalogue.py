"""All families that may be planned with: those that come with headstock, and a hospital's own."""

import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path, PurePath

from headstock.errors import CatalogueError
from headstock.geometry.mesh import Mesh
from headstock.implants.family import Component, Cup, CupFamily, Family, Head, HeadFamily
from headstock.implants.import_solid import inside_folder, read_solid
from headstock.implants.levels import CutLevel
from headstock.implants.placement import Placement
from headstock.implants.schema import parse_family

__all__ = ["Catalogue"]

_OWN = Path(__file__).parent / "families"


def _solid_in(folder: Path, name: str) -> Mesh:
    return read_solid(PurePath(name).name, inside_folder(folder, name).read_bytes())


@dataclass(frozen=True, slots=True, eq=False)
class Catalogue:
    """Families by id. Built from texts (pure) or from folders of TOML files."""

    families: dict[str, Family]
    cup_families: dict[str, CupFamily]
    head_families: dict[str, HeadFamily] = field(default_factory=dict)

    @classmethod
    def from_texts(
        cls, texts: Mapping[str, str], read_solids: Mapping[str, Callable[[str], Mesh]] | None = None
    ) -> "Catalogue":
        """From file name → TOML text; `read_solids`: for each file name, how its solid files are read.

        Raises
        ------
        CatalogueError
            A text is not TOML, breaks the schema, or repeats an id; a solid file that cannot be used.
        """
        families: dict[str, Family] = {}
        cups: dict[str, CupFamily] = {}
        heads: dict[str, HeadFamily] = {}
        for name, text in texts.items():
            try:
                content = tomllib.loads(text)
            except tomllib.TOMLDecodeError as error:
                raise CatalogueError(f"{name}: not readable as TOML ({error}). Correct that line.") from error
            family = parse_family(content, name, (read_solids or {}).get(name))
            if family.id in families or family.id in cups or family.id in heads:
                raise CatalogueError(
                    f"{name}: the id “{family.id}” is taken by another file. Give this family its own id."
                )
            if isinstance(family, CupFamily):
                cups[family.id] = family
            elif isinstance(family, HeadFamily):
                heads[family.id] = family
            else:
                families[family.id] = family
        return cls(families, cups, heads)

    @classmethod
    def load(cls, folders: Iterable[str | Path] = (), *, own: bool = True) -> "Catalogue":
        """The families that come with headstock (`own`) and every `*.toml` of the folders.

        Raises
        ------
        CatalogueError
            As `from_texts`; or a folder that is not there.
        """
        texts: dict[str, str] = {}
        solids: dict[str, Callable[[str], Mesh]] = {}
        for folder in [*([_OWN] if own else []), *(Path(f) for f in folders)]:
            if not folder.is_dir():
                raise CatalogueError(
                    f"There is no folder of families named “{folder.name}”. Check the setting, or leave it out."
                )
            for file in sorted(folder.glob("*.toml")):
                label = file.name if file.name not in texts else f"{folder.name}/{file.name}"
                try:
                    texts[label] = file.read_text(encoding="utf-8")
                except UnicodeDecodeError as error:
                    raise CatalogueError(f"{label}: not UTF-8 text. Save it as UTF-8.") from error
                solids[label] = partial(_solid_in, folder)
        return cls.from_texts(texts, solids)

    def at_level(self, level: CutLevel) -> tuple[Family, ...]:
        """Families of a cut level, by id."""
        return tuple(f for _, f in sorted(self.families.items()) if f.level is level)

    def family(self, family_id: str) -> Family:
        """A femoral family.

        Raises
        ------
        CatalogueError
            There is none of that id.
        """
        if family_id not in self.families:
            raise CatalogueError(
                f"There is no family “{family_id}”. Known: {', '.join(sorted(self.families))}. "
                "Load the file that holds it."
            )
        return self.families[family_id]

    def component(self, placement: Placement) -> Component:
        """The femoral component of a placement, its head and neck length checked.

        Raises
        ------
        CatalogueError
            The family, size, head or neck length does not exist together.
        """
        component = self.family(placement.family).component(placement.size)
        for value, allowed, what in (
            (placement.head_diameter_mm, component.head_diameters_mm, "head"),
            (placement.neck_length_mm, component.neck_lengths_mm, "neck length"),
        ):
            if not any(abs(value - a) < 1e-6 for a in allowed):
                raise CatalogueError(
                    f"Size “{placement.size}” of “{placement.family}” has no {what} of {value:g} mm. "
                    f"It has {', '.join(f'{a:g}' for a in allowed)}."
                )
        return component

    def cup(self, family_id: str, size_id: str) -> Cup:
        """A cup.

        Raises
        ------
        CatalogueError
            There is no such family or size.
        """
        if family_id not in self.cup_families:
            raise CatalogueError(
                f"There is no cup family “{family_id}”. Known: {', '.join(sorted(self.cup_families))}. "
                "Load the file that holds it."
            )
        return self.cup_families[family_id].cup(size_id)

    def heads_for(self, component: Component) -> tuple[Head, ...]:
        """Heads that a component takes, smallest first; empty for a cap, whose dome is its head."""
        if component.kind == "cap":
            return ()
        fitting = [
            head
            for family in self.head_families.values()
            for head in family.heads
            if any(abs(head.diameter_mm - d) < 1e-6 for d in component.head_diameters_mm)
        ]
        return tuple(sorted(fitting, key=lambda head: (head.diameter_mm, head.family_id)))

    def cups_for_head(self, head_diameter_mm: float) -> tuple[Cup, ...]:
        """Cups that take a head, smallest first."""
        fitting = [
            cup
            for family in self.cup_families.values()
            for cup in family.cups
            if any(abs(head_diameter_mm - d) < 1e-6 for d in cup.head_diameters_mm)
        ]
        return tuple(sorted(fitting, key=lambda cup: (cup.outer_mm, cup.family_id)))
