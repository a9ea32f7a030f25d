"""How much one file and one import may ask for.

Technical bounds that keep a damaged or hostile file from exhausting the
machine; they are not clinical limits.
"""

from dataclasses import dataclass

from headstock.errors import ImageError

__all__ = ["ImportLimits", "ReadLimits"]


@dataclass(frozen=True, slots=True)
class ReadLimits:
    """Bounds on one image. The largest film detectors joined into a long-leg film stay below 100 megapixels."""

    megapixels: float = 100.0
    inflated_bytes: int = 1 << 30

    def check_size(self, rows: int, cols: int) -> None:
        """Refuse a picture larger than the bound.

        Raises
        ------
        ImageError
            Too many pixels.
        """
        if rows * cols > self.megapixels * 1e6:
            raise ImageError(
                f"The picture has {rows} by {cols} pixels ({rows * cols / 1e6:.0f} megapixels); up to "
                f"{self.megapixels:g} are read. Export it at a lower resolution."
            )


@dataclass(frozen=True, slots=True)
class ImportLimits:
    """Bounds on one import: bytes of one file, of everything unpacked, number of files, zips within zips."""

    file_bytes: int = 2 << 30
    unpacked_bytes: int = 32 << 30
    files: int = 100_000
    zip_depth: int = 2
    reading: ReadLimits = ReadLimits()
