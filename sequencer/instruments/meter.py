"""A current meter as eyes: it sees watts, and so tells apart only scenes that draw differently."""

from __future__ import annotations

import time
from collections.abc import Callable
from statistics import fmean
from typing import TYPE_CHECKING, Self

from sequencer.instruments.eyes import Sighting

if TYPE_CHECKING:
    from types import TracebackType

READINGS = 5
"""Over a look; their mean counts."""
DARK_W = 0.5
"""Less than this is a lamp that is off."""


class CurrentEyes:
    """A reading of amps, times the volts and power factor that it is told. It is read once when made.

    ``amps`` raises HardwareError when the meter cannot be read. ``threshold`` means nothing here: watts are
    compared as fractions.
    """

    threshold = 0.0

    def __init__(
        self,
        amps: Callable[[], float],
        watts_per_amp: float,
        *,
        still_s: float = 2.0,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._amps, self._watts_per_amp = amps, watts_per_amp
        self._between_s = still_s / READINGS
        self._sleep = sleep
        amps()

    @property
    def notes(self) -> tuple[str, ...]:
        """What it cannot see."""
        return ("The meter sees watts, not colours: scenes that draw alike are one to it",)

    def look(self) -> Sighting:
        """The mean of some readings."""
        amps = []
        for _ in range(READINGS):
            amps.append(self._amps())
            self._sleep(self._between_s)
        watts = fmean(amps) * self._watts_per_amp
        return Sighting(None, watts=watts if watts >= DARK_W else None)

    def close(self) -> None:
        """Nothing to let go: the line is open only while it is read."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
