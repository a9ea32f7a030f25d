"""For every test: in a full run nothing may be skipped for want of a program."""

import os

import pytest


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if os.environ.get("HEADSTOCK_NO_SKIPS") == "1" and reporter is not None and reporter.stats.get("skipped"):
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
        reporter.write_line("Tests were skipped in a run that allows none; see the reasons above.", red=True)
