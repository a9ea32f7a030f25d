"""Decode a frame in a process of its own, where a crash of the decoder is a refusal and nothing more.

Decision: docs/decisions/0103-one-decoder-runs-apart.md
"""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from headstock.errors import ImageError
from headstock.images._guard import DAMAGED

__all__ = ["decoded_apart"]

_CHILD: Final = Path(__file__).with_name("_gdcm_child.py")
_LONGEST_S: Final = 60.0  # a 100-megapixel frame takes some 5 s


def decoded_apart(
    frame: bytes,
    *,
    rows: int,
    columns: int,
    samples: int,
    bits_allocated: int,
    bits_stored: int,
    signed: bool,
    photometric: str,
    transfer_syntax: str,
) -> NDArray[Any]:
    """Samples of one compressed frame, (rows, columns) or (rows, columns, samples).

    Raises
    ------
    ImageError
        The decoder refused, crashed, took too long, or gave another number of samples.
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
    }
    try:
        ran = subprocess.run(
            [sys.executable, "-I", str(_CHILD)],
            input=json.dumps(form).encode() + b"\n" + frame,
            capture_output=True,
            timeout=_LONGEST_S,
            check=True,
        )
    except (subprocess.SubprocessError, OSError) as why:
        raise ImageError(DAMAGED) from why
    dtype = np.dtype(f"<{'i' if signed else 'u'}{bits_allocated // 8}")
    shape = (rows, columns) if samples == 1 else (rows, columns, samples)
    expected = rows * columns * samples * dtype.itemsize
    if len(ran.stdout) not in (expected, expected + 1):  # an odd length may be padded
        raise ImageError(DAMAGED)
    return np.frombuffer(ran.stdout[:expected], dtype).reshape(shape)
