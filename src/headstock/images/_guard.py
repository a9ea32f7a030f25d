"""One refusal for whatever a decoder raises on a damaged file.

Libraries that parse and decode, many written in C, raise every type there is on
input that somebody damaged or made up. To a reader all of them mean one thing.
"""

from collections.abc import Iterator
from contextlib import contextmanager

from headstock.errors import ImageError

__all__ = ["DAMAGED", "refusing"]

DAMAGED = "Its picture is damaged or compressed in a way that cannot be read. Export it again, uncompressed."


@contextmanager
def refusing(words: str = DAMAGED) -> Iterator[None]:
    """Turn any failure inside into `ImageError(words)`; refusals of our own, and interrupts of the program, go on."""
    try:
        yield
    except ImageError:
        raise
    except MemoryError as why:
        raise ImageError("The picture does not fit into this computer's memory. Export it smaller.") from why
    except Exception as why:
        raise ImageError(words) from why
    except BaseException as why:
        # The run-length decoder, written in Rust, panics with a class that is no Exception.
        if type(why).__module__ != "pyo3_runtime":
            raise
        raise ImageError(words) from why
