"""A real browser against a real server on an empty data folder."""

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
PICTURES = ROOT / "docs" / "pictures"
# Chromium's own background traffic has nothing to do with the page and nothing to reach here.
FLAGS = [
    "--no-sandbox",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args: dict[str, Any]) -> dict[str, Any]:
    program = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    assert program, "These tests need Chromium; `make test` installs it as root on Debian (package chromium)."
    return {**browser_type_launch_args, "executable_path": program, "args": FLAGS}


@pytest.fixture(scope="session")
def browser_context_args(browser_context_args: dict[str, Any]) -> dict[str, Any]:
    return {
        **browser_context_args,
        "viewport": {"width": 1440, "height": 900},
        "locale": "en-GB",
        "timezone_id": "UTC",
        "accept_downloads": True,
    }


class Server:
    """headstock on a free port, its day fixed so that the supplied studies are not stale."""

    def __init__(self, data: Path, today: str = "2026-11-25") -> None:
        self.data, self.today = data, today
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port: int = free.getsockname()[1]
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        self.data.mkdir(parents=True, exist_ok=True)
        environment = os.environ | {"HEADSTOCK_TODAY": self.today}
        command = [sys.executable, "-m", "headstock", "serve", "--data", str(self.data), "--port", str(self.port)]
        with (self.data.parent / f"{self.data.name}.log").open("ab") as log:
            self.process = subprocess.Popen(command, env=environment, stdout=log, stderr=log, cwd=ROOT)
        for _ in range(600):
            try:
                urllib.request.urlopen(f"{self.url}/api/about", timeout=5).close()
                return
            except (OSError, urllib.error.URLError):
                assert self.process.poll() is None, "the server ended before it answered"
                time.sleep(0.1)
        raise AssertionError("the server did not answer within a minute")

    def kill(self) -> None:
        """As a power cut would: no chance to tidy up."""
        assert self.process is not None
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(20)

    def stop(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.terminate()
            self.process.wait(20)


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Server]:
    made = Server(tmp_path / "record")
    made.start()
    yield made
    made.stop()
