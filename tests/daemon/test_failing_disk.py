"""A disk that fails at any call, for once or for good, holds no train up and wrongs no belief.

Loop, core, recorder, journal and kept logs are the real ones, in virtual time; see :mod:`tests.daemon.world`.
"""

from __future__ import annotations

import errno
import functools
import math
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from unittest import mock

from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.core import events as on
from tests.daemon import world as worlds
from tests.daemon.conftest import SHARED_MEMORY
from tests.daemon.world import World
from tests.failing_disk import Disk, disk_that_fails

CODES = (errno.EROFS, errno.ENOSPC, errno.EIO, errno.EACCES)
END_S = 400.0


@contextmanager
def players_spared(disk: Disk) -> Iterator[None]:
    """The simulated player's own files: a real one takes such a failure for a note (tests/player/test_child.py)."""

    def spared(call: object) -> object:
        @functools.wraps(call)  # type: ignore[arg-type]
        def run(*given: object, **more: object) -> object:
            before, disk.paused = disk.paused, True
            try:
                return call(*given, **more)  # type: ignore[operator]
            finally:
                disk.paused = before

        return run

    player = worlds.Player
    with (
        mock.patch.object(player, "__init__", spared(player.__init__)),
        mock.patch.object(player, "_finish", spared(player._finish)),
    ):
        yield


def evening(folder: Path, first: float, last: float = math.inf, code: int = errno.EIO) -> tuple[World, Disk]:
    """A start, the switch off and on, another scene asked for, a person's resync; then what became of it."""
    world = World(folder / "world")
    with disk_that_fails(folder / "world", first=first, last=last, code=code) as disk, players_spared(disk):
        world.start()
        world.touch("switch", False, 60)
        world.touch("switch", True, 90)
        world.at(150, lambda: world.tell(on.Asked(150.0, "quiet")))
        world.at(250, lambda: world.tell(on.ResyncAsked(250.0)))
        world.run(END_S)
        assert world.daemon is not None
        trouble = world.daemon.trouble
        disk.paused = True
        assert world.matched()
        assert world.state.wanted == "quiet"
        assert bool(trouble) == (disk.failed > 0 and disk.calls <= disk.last)
    world._journal.close()
    return world, disk


def test_no_call_is_failed_and_all_is_well(memory: Path) -> None:
    world, disk = evening(memory, math.inf)
    assert disk.calls > 100
    assert world.openings == world.total_cycles()
    assert world.warnings == []


def test_from_the_first_call_on_nothing_works_and_the_lamps_are_served(memory: Path) -> None:
    world, disk = evening(memory, 1)
    assert disk.failed > 10
    assert sum("journal cannot be written" in words for words in world.warnings) == 1
    assert sum("could not be removed" in words for words in world.warnings) == 1
    assert len(world.warnings) == 3  # nor could the log that an earlier train may have left be read
    assert world.openings == world.total_cycles()


@settings(max_examples=60, deadline=None)
@given(
    first=st.integers(1, 400),
    run=st.one_of(st.integers(0, 60), st.just(math.inf)),
    code=st.sampled_from(CODES),
)
def test_whichever_call_fails_the_lamps_are_served(first: int, run: float, code: int) -> None:
    with tempfile.TemporaryDirectory(dir=SHARED_MEMORY if SHARED_MEMORY.is_dir() else None) as folder:
        world, _ = evening(Path(folder), first, first + run, code)
        assert sum("journal cannot be written" in words for words in world.warnings) <= 1
        assert world.total_cycles() >= world.openings
