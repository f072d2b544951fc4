"""The board's wall clock: whether it is to be believed, and whether it has stepped.

Many boards have no clock chip: after a cut they wake with the time at which they fell asleep, or some day of
their maker's, until a time service sets them right. Until then no show may begin by it.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

FLAG = Path("/run/systemd/timesync/synchronized")
"""Made by systemd-timesyncd when it has set the clock for the first time since the boot, as
systemd-time-wait-sync.service(8) describes; /run is empty after a boot. Other time services do not make it."""
EARLIEST = datetime(2026, 1, 1, tzinfo=UTC)
"""A clock that says an earlier time than this program's own is wrong, however long it has been waited for."""
STEP_S = 1.0
"""Wall and monotonic time that part by more than this between two looks have been parted by a step. Shows go by
the minute, so less matters to nobody."""
SLEW = 0.0005
"""Beyond that they may part by this fraction: the fastest that the kernel runs a clock to bring it right without
a step, 500 parts in a million (adjtimex(2); the figure is from memory)."""


class Sample(NamedTuple):
    """Both clocks, read at once: seconds since 1970, and seconds on an axis that never jumps."""

    wall_s: float
    monotonic_s: float


def step_s(before: Sample, after: Sample) -> float:
    """By how much the wall clock was stepped between two looks; 0.0 when it only ran.

    A board that slept has stepped forward too: monotonic time stood still.

    >>> step_s(Sample(0.0, 10.0), Sample(5.0, 15.0))
    0.0
    >>> step_s(Sample(0.0, 10.0), Sample(1700000000.0, 15.0))
    1699999995.0
    """
    elapsed = after.monotonic_s - before.monotonic_s
    parted = (after.wall_s - before.wall_s) - elapsed
    return parted if abs(parted) > STEP_S + SLEW * elapsed else 0.0


def is_trusted(sample: Sample, *, synchronised: bool, waited_s: float, trust_after_s: float | None) -> bool:
    """Whether to believe what the wall clock says.

    ``waited_s``: since the daemon's start. ``trust_after_s``: believe it without word from a time service
    after that wait; ``None``: never.
    """
    if sample.wall_s < EARLIEST.timestamp():
        return False
    return synchronised or (trust_after_s is not None and waited_s >= trust_after_s)


class Look(NamedTuple):
    """What a look at the clocks found: the wall clock trusted from now on or already, and its step or 0.0."""

    trusted: bool
    step_s: float


class WallClock:
    """Both clocks of the board; the daemon's loop looks at them each time round.

    A clock once trusted stays so: after a step it is as right as the time service that stepped it.
    """

    def __init__(
        self,
        trust_after_s: float | None = None,
        *,
        flag: Path = FLAG,
        wall: Callable[[], float] = time.time,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._trust_after_s = trust_after_s
        self._flag = flag
        self._wall, self._monotonic = wall, monotonic
        self._start = self._before = self._sample()
        self._trusted = False

    def _sample(self) -> Sample:
        return Sample(self._wall(), self._monotonic())

    def _is_synchronised(self) -> bool:
        try:
            return self._flag.exists()
        except OSError:  # hidden from this service
            return False

    def now(self) -> datetime:
        """The wall clock, UTC."""
        return datetime.fromtimestamp(self._wall(), UTC)

    def look(self) -> Look:
        """Compare with the look before."""
        before, self._before = self._before, self._sample()
        if not self._trusted:
            self._trusted = is_trusted(
                self._before,
                synchronised=self._is_synchronised(),
                waited_s=self._before.monotonic_s - self._start.monotonic_s,
                trust_after_s=self._trust_after_s,
            )
        return Look(self._trusted, step_s(before, self._before))
