"""A journal under a clock that is set by hand, in memory where the machine has a disk there."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import tzinfo
from pathlib import Path
from typing import NamedTuple
from zoneinfo import ZoneInfo

import pytest

from sequencer.journal.entries import Entry
from sequencer.journal.file import connect, newest_first
from sequencer.journal.journal import Journal, open_journal

NOON = 1_795_626_000.0
"""12:00 on 25 November 2026 in New York."""
ZONE: tzinfo = ZoneInfo("America/New_York")


class Clocks:
    """The wall clock and the daemon's own axis."""

    def __init__(self) -> None:
        self.unix_s = NOON
        self.at_s = 0.0

    def go(self, seconds: float) -> None:
        """Let time pass."""
        self.unix_s += seconds
        self.at_s += seconds


class Desk(NamedTuple):
    """Where a journal lies, and the clocks it goes by."""

    path: Path
    clocks: Clocks

    def open(self, limit_mb: float = 1.0, boot: str = "boot") -> Journal:
        """As the daemon opens it."""
        return open_journal(
            self.path,
            now_unix=lambda: self.clocks.unix_s,
            now=lambda: self.clocks.at_s,
            boot=boot,
            limit_mb=limit_mb,
            zone=ZONE,
        )

    def entries(self) -> list[Entry]:
        """All that the file holds, with no journal open."""
        with closing(connect(self.path, self.clocks.unix_s)) as connection:
            return list(newest_first(connection))[::-1]

    def aside(self) -> list[Path]:
        """The files that were set aside."""
        return sorted(self.path.parent.glob("*.aside-*"))


@pytest.fixture
def folder() -> Iterator[Path]:
    """In memory: thousands of flushes in a test are not to wear the disk, nor to wait for it."""
    memory = Path("/dev/shm")  # noqa: S108
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as name:
        yield Path(name)


@pytest.fixture
def desk(folder: Path) -> Desk:
    return Desk(folder / "journal.sqlite3", Clocks())


def write_train(journal: Journal, clocks: Clocks, cycles: int, circuit: str = "lap-pool") -> None:
    """An intent and its outcome, ten seconds later."""
    journal.write("intent", circuit, {"scene": "evening"})
    clocks.go(10)
    journal.write("outcome", circuit, {"scene": "evening", "cycles": cycles})


@pytest.fixture
def writer() -> Iterator[Callable[..., subprocess.Popen[str]]]:
    """Starts processes that write a journal; those that still run at the end are killed."""
    started: list[subprocess.Popen[str]] = []
    script = Path(__file__).with_name("writing.py")
    env = {**os.environ, "PYTHONPATH": str(script.parents[2])}

    def start(path: Path, entries: str) -> subprocess.Popen[str]:
        command = [sys.executable, script, path, entries]
        started.append(subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=env))
        return started[-1]

    yield start
    for child in started:
        child.kill()
        child.wait(timeout=10)
        if child.stdout is not None:
            child.stdout.close()
