"""A folder in memory where there is one: these tests write and sync a journal thousands of times."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

SHARED_MEMORY = Path("/dev/shm")  # noqa: S108 - a folder of its own is made there


@pytest.fixture
def memory() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(dir=SHARED_MEMORY if SHARED_MEMORY.is_dir() else None) as folder:
        yield Path(folder)
