"""How long the lamps of a moving scene stay in step: two that begin together drift apart by their clocks."""

from __future__ import annotations

import math
from collections.abc import Iterable
from itertools import combinations
from typing import NamedTuple


class Mover(NamedTuple):
    """One lamp in a moving scene: how long the scene takes to come round, and its clock's tolerance."""

    period_s: float
    clock_tolerance: float


def in_step_s(movers: Iterable[Mover], visibly_apart: float) -> float:
    """Seconds until two lamps of one period may differ by ``visibly_apart`` of it, at the worst clocks.

    Two clocks that err by a and b, opposite ways, part by (a + b) a second: arithmetic, no source needed.
    That a tenth of a period is what the eye sees is our choice. Lamps of different periods were never in step
    and are not compared; ``inf`` when there is nothing to compare.

    >>> in_step_s([Mover(20.0, 0.03), Mover(20.0, 0.02)], 0.1)
    40.0
    """
    pairs = combinations(movers, 2)
    drifts = (
        (a.period_s, a.clock_tolerance + b.clock_tolerance) for a, b in pairs if a.period_s == b.period_s
    )
    return min((visibly_apart * period / apart for period, apart in drifts if apart), default=math.inf)
