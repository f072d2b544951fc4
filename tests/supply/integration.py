"""Lamps behind bridge rectifiers on one source, integrated by scipy: the outside check of ride-through.

Written from the circuit and not from the code under test: a rectified sine behind resistances that the lamps share in
part, a capacitor each, and a load of constant power on it that goes on below dropout, too.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from scipy.integrate import solve_ivp

DIODES_V = 1.4


class Lamps:
    """Capacitors (F), watts, the matrix of ohms, and a source of ``peak`` volts at ``hertz``."""

    def __init__(
        self,
        farads: Sequence[float],
        watts: Sequence[float],
        ohms: Sequence[Sequence[float]],
        peak: float,
        hertz: float,
    ) -> None:
        self.farads, self.watts = np.array(farads), np.array(watts)
        self.ohms, self.peak, self.hertz = np.array(ohms), peak, hertz
        self.half = 0.5 / hertz

    def amps(self, t: float, volts: Any) -> Any:
        """The currents into the capacitors: none flows back, and none is left out that would flow."""
        rectified = self.peak * abs(math.sin(2 * math.pi * self.hertz * t)) - DIODES_V
        ahead = rectified - volts
        if len(volts) == 1:
            return np.maximum(0.0, ahead / self.ohms[0])
        flowing = ahead > 0
        found = np.zeros(len(volts))
        for _ in range(4 * len(volts)):
            found[:] = 0
            if flowing.any():
                found[flowing] = np.linalg.solve(self.ohms[np.ix_(flowing, flowing)], ahead[flowing])
            if (found < 0).any():
                flowing &= found >= 0
                continue
            more = ~flowing & (ahead - self.ohms @ found > 1e-9)
            if not more.any():
                break
            flowing |= more
        return found

    def run(self, volts: Any, begin: float, end: float, fine: int = 80, **more: Any) -> Any:
        """From ``begin`` to ``end``."""

        def slope(t: float, v: Any) -> Any:
            return (self.amps(t, v) - self.watts / np.maximum(v, 1.0)) / self.farads

        step = self.half / fine
        return solve_ivp(slope, (begin, end), volts, "LSODA", rtol=1e-7, atol=1e-8, max_step=step, **more)

    def steady(self) -> Any:
        """Half a period, lit for long: dense; None where the volts collapse."""
        volts = np.full(len(self.farads), self.peak - DIODES_V)
        for _ in range(300):
            after = self.run(volts, 0, self.half, 40).y[:, -1]
            if after.min() < 4:
                return None
            if abs(after - volts).max() < 1e-5:
                return self.run(after, 0, self.half, 200, dense_output=True).sol
            volts = after
        return None

    def after_break(self, steady: Any, begin: float, length: float) -> Any:
        """The least volts of each lamp in a break and in the two periods after it; 0 where nothing is left."""
        square = steady(begin) ** 2 - 2 * self.watts * length / self.farads
        if square.min() <= 1:
            return np.where(square <= 1, 0.0, np.sqrt(np.maximum(square, 0)))
        low = np.sqrt(square)
        after = self.run(low, begin + length, begin + length + 4 * self.half)
        return np.minimum(low, after.y.min(axis=1))
