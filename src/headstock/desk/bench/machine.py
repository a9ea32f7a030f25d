"""The machine, described, so that a figure can be compared with another's."""

import os
import platform
import sys
from importlib.metadata import version
from pathlib import Path

__all__ = ["machine"]


def machine() -> dict[str, str]:
    """Processor, memory, system, interpreter and the numeric libraries."""
    out = {
        "processor": _processor(),
        "processors": str(os.cpu_count()),
        "memory": _memory(),
        "system": f"{platform.system()} {platform.release()}",
        "python": sys.version.split()[0],
    }
    out.update({name: version(name) for name in ("numpy", "scipy", "numba", "scikit-image", "pydicom")})
    return out


def _processor() -> str:
    try:
        for line in Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines():
            if line.startswith("model name"):
                return line.partition(":")[2].strip()
    except OSError:
        pass
    return platform.processor() or platform.machine()


def _memory() -> str:
    try:
        return f"{os.sysconf('SC_PAGE_SIZE') * os.sysconf('SC_PHYS_PAGES') / 2**30:.0f} GiB"
    except (ValueError, OSError):
        return "not known"
