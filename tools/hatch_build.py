"""Build the front end before the package is packed or linked.

HEADSTOCK_SKIP_WEB=1 skips it (a package without a browser front end).
"""

import os
import sys
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface


class FrontEnd(BuildHookInterface):
    """Runs `npm ci` and `npm run build` in web/."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Build web/ into src/headstock/static; an unpacked source package without web/ brings it built."""
        root = Path(self.root)
        if os.environ.get("HEADSTOCK_SKIP_WEB") == "1" or not (root / "web" / "package.json").exists():
            return
        sys.path.insert(0, str(root / "tools"))
        import node

        self.app.display_info("building the front end")
        node.install()
        node.run("run", "build")
