from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from headstock.records import Store

NOW = datetime(2026, 11, 25, 9, 42, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = Store(tmp_path / "data")
    yield opened
    opened.close()


@pytest.fixture
def now() -> datetime:
    return NOW
