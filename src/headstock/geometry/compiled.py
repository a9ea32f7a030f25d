"""A function as machine code that holds no lock; kept beside its own file where that folder may be written to."""

from collections.abc import Callable
from typing import Any

__all__ = ["compiled"]


def compiled(function: Callable[..., Any]) -> Callable[..., Any]:
    """The function compiled by numba at its first call, for the types it is called with."""
    import numba  # here because its import costs more than a small film

    try:
        return numba.njit(cache=True, nogil=True)(function)  # type: ignore[no-any-return]
    except RuntimeError:  # no folder to keep the compiled code in
        return numba.njit(nogil=True)(function)  # type: ignore[no-any-return]
