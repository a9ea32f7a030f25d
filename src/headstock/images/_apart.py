"""Decode frames in a process of its own, where a crash of the decoder is a refusal and nothing more.

Decision: docs/decisions/0103-one-decoder-runs-apart.md
"""

import json
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from headstock.errors import ImageError
from headstock.images._guard import DAMAGED

__all__ = ["frames_apart"]

_CHILD: Final = Path(__file__).with_name("_gdcm_child.py")
_LONGEST_S: Final = 60.0  # a 100-megapixel frame takes some 5 s


def frames_apart(
    frames: Sequence[bytes],
    *,
    rows: int,
    columns: int,
    samples: int,
    bits_allocated: int,
    bits_stored: int,
    signed: bool,
    photometric: str,
    transfer_syntax: str,
) -> list[NDArray[Any]]:
    """Samples of compressed frames of one form, each (rows, columns) or (rows, columns, samples).

    One process decodes them all: starting it costs more than a slice.

    Raises
    ------
    ImageError
        The decoder refused one of them, crashed, took too long, or gave another number of samples.
    """
    form = {
        "rows": rows,
        "columns": columns,
        "samples": samples,
        "bits_allocated": bits_allocated,
        "bits_stored": bits_stored,
        "signed": int(signed),
        "photometric": photometric,
        "transfer_syntax": transfer_syntax,
        "frames": [len(frame) for frame in frames],
    }
    try:
        ran = subprocess.run(
            [sys.executable, "-I", str(_CHILD)],
            input=json.dumps(form).encode() + b"\n" + b"".join(frames),
            capture_output=True,
            timeout=_LONGEST_S,
            check=True,
        )
    except (subprocess.SubprocessError, OSError) as why:
        raise ImageError(DAMAGED) from why
    dtype = np.dtype(f"<{'i' if signed else 'u'}{bits_allocated // 8}")
    shape = (rows, columns) if samples == 1 else (rows, columns, samples)
    expected = rows * columns * samples * dtype.itemsize
    # Each frame's samples follow their own length, which may be odd and padded.
    found, at = [], 0
    for _ in frames:
        length = int.from_bytes(ran.stdout[at : at + 8], "little")
        if length not in (expected, expected + 1) or len(ran.stdout) < at + 8 + length:
            raise ImageError(DAMAGED)
        found.append(np.frombuffer(ran.stdout[at + 8 : at + 8 + expected], dtype).reshape(shape))
        at += 8 + length
    return found
