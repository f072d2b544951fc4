"""The wall clock: when it is believed, and how a step is told from a clock that only runs fast or slow."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.daemon.wallclock import EARLIEST, SLEW, STEP_S, Look, Sample, WallClock, is_trusted, step_s

NOW = datetime(2026, 6, 12, 20, 0, tzinfo=UTC).timestamp()
YEAR = 365 * 86400.0

# Wall and monotonic seconds that passed between two looks, and the step found.
STEPS = [
    (10.0, 10.0, 0.0),
    (10.0 + STEP_S, 10.0, 0.0),
    (11.5, 10.0, 1.5),
    (8.5, 10.0, -1.5),
    (10.0 + 30 * YEAR, 10.0, 30 * YEAR),
    (10.0 - 30 * YEAR, 10.0, -30 * YEAR),
    (3601.8, 3600.0, 0.0),  # slewed at 500 parts in a million for an hour
    (3604.0, 3600.0, 4.0),
    (28800.0, 5.0, 28795.0),  # asleep: monotonic time stood still
]


@pytest.mark.parametrize(("wall", "monotonic", "expected"), STEPS)
def test_steps(wall: float, monotonic: float, expected: float) -> None:
    assert step_s(Sample(NOW, 77.0), Sample(NOW + wall, 77.0 + monotonic)) == pytest.approx(expected)


@given(elapsed=st.floats(0, 86400), slew=st.floats(-SLEW, SLEW))
def test_no_clock_that_is_only_slewed_has_stepped(elapsed: float, slew: float) -> None:
    assert step_s(Sample(NOW, 0.0), Sample(NOW + elapsed * (1 + slew), elapsed)) == 0.0


# Wall time, flag, waited, configured wait; believed or not.
TRUST = [
    (NOW, True, 0.0, None, True),
    (NOW, False, 1e9, None, False),
    (NOW, False, 59.0, 60.0, False),
    (NOW, False, 60.0, 60.0, True),
    (NOW, False, 0.0, 0.0, True),
    (0.0, True, 0.0, None, False),
    (0.0, False, 1e9, 60.0, False),
    (EARLIEST.timestamp() - 1, True, 0.0, 0.0, False),
]


@pytest.mark.parametrize(("wall", "flag", "waited", "after", "expected"), TRUST)
def test_trust(wall: float, flag: bool, waited: float, after: float | None, expected: bool) -> None:
    found = is_trusted(Sample(wall, 5.0), synchronised=flag, waited_s=waited, trust_after_s=after)
    assert found is expected


class Board:
    """A board without a clock chip: both its clocks, moved by hand."""

    def __init__(self, tmp_path: Path, trust_after_s: float | None = None) -> None:
        self.wall, self.monotonic = 0.0, 3.0
        self.flag = tmp_path / "synchronized"
        self.clock = WallClock(
            trust_after_s, flag=self.flag, wall=lambda: self.wall, monotonic=lambda: self.monotonic
        )

    def run(self, seconds: float) -> None:
        self.wall += seconds
        self.monotonic += seconds


def test_a_board_without_a_clock_chip_wakes_in_1970_and_is_set_right(tmp_path: Path) -> None:
    board = Board(tmp_path)
    board.run(30)
    assert board.clock.look() == Look(trusted=False, step_s=0.0)
    board.wall = NOW  # the time service sets the clock, and then says so
    assert board.clock.look() == Look(trusted=False, step_s=NOW - 30)
    board.flag.touch()
    assert board.clock.look() == Look(trusted=True, step_s=0.0)
    assert board.clock.now() == datetime(2026, 6, 12, 20, 0, tzinfo=UTC)
    board.flag.unlink()
    board.wall -= 20 * YEAR
    assert board.clock.look() == Look(trusted=True, step_s=pytest.approx(-20 * YEAR))


def test_a_configured_wait_does_without_a_time_service(tmp_path: Path) -> None:
    board = Board(tmp_path, trust_after_s=120)
    board.wall = NOW
    board.clock.look()
    board.run(119)
    assert board.clock.look().trusted is False
    board.run(1)
    assert board.clock.look() == Look(trusted=True, step_s=0.0)


def test_steps_that_are_looked_at_often_are_each_found_once(tmp_path: Path) -> None:
    board = Board(tmp_path)
    board.wall = NOW
    board.clock.look()
    found = []
    for jump in (0, 0, 3600, 0, -5, 0.5, 0):
        board.run(1)
        board.wall += jump
        found.append(board.clock.look().step_s)
    assert found == pytest.approx([0, 0, 3600, 0, -5, 0, 0])


def test_a_flag_that_cannot_be_looked_at_is_none(tmp_path: Path) -> None:
    board = Board(tmp_path)
    board.wall = NOW
    board.clock._flag = tmp_path / ("x" * 300)  # longer than any file's name: OSError
    assert board.clock.look().trusted is False
