"""Runs apart: reads a STEP file (first argument), writes its surface as OBJ in mm (second argument).

A CAD kernel that meets a damaged file may crash; here only this process is lost.
"""

import sys


def main() -> int:
    """Convert; 0 when a surface was written."""
    import cascadio

    source, target = sys.argv[1:3]
    return int(cascadio.step_to_obj(source, target, tol_linear=0.02, tol_angular=0.15))


if __name__ == "__main__":
    sys.exit(main())
