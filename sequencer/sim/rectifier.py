"""A lamp's smoothing capacitor behind a bridge rectifier, fed with AC through the ohms of transformer and cable.

The mains are taken as they come, half period by half period, in small steps: the bridge conducts while the source is
higher than the capacitor and two diodes, the current rises against resistance and inductance, and all the while the
lamp draws constant power. So the capacitor's volts sag between two charges, and the charging current, which comes in
pulses, keeps their crest below the peak of the RMS volts. A phase is counted in steps from a zero of the source's
volts. Nothing here is shared with :mod:`sequencer.supply`, which reckons with bounds.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

DIODES_V = 1.4
"""Two silicon diodes in the way of the current (common practice, no source)."""
STEPS = 80
"""Of one half period: 0.1 ms at 60 Hz. Against an integration a hundred times as fine it is within 2 %."""
_SETTLED_V = 1e-3
_AS_USUAL_V = 0.01
_MOST_HALVES = 60
_WHOLE = 2 * STEPS
_SINE = tuple(math.sin(math.pi * step / STEPS) for step in range(_WHOLE))


class Bridge(NamedTuple):
    """Everything about one lamp's supply: source volts at their peak, ohms and henries on its way, half a period (s).

    And the lamp's own: farads, the volts at which it goes dark, watts.
    """

    peak_v: float
    ohm: float
    henry: float
    half_s: float
    farad: float
    dropout_v: float
    watts: float

    @property
    def empty_v(self) -> float:
        """Where a simulated capacitor stops falling: the lamp is dark and draws nothing."""
        return 0.5 * self.dropout_v

    def source_v(self, step: int) -> float:
        """What the source gives behind the bridge at this step."""
        return self.peak_v * abs(_SINE[step % _WHOLE]) - DIODES_V


def charged(bridge: Bridge, volts: float, amps: float, step: int, steps: int) -> list[tuple[float, float]]:
    """(volts, amps) of the capacitor and its feed after each of so many steps with supply.

    From ``step`` on, counted from a zero at which the source begins to rise. Implicit in the current, so that neither
    an inductance of 0 nor a small resistance upsets it; the current's sign is the source's, and it ends when it would
    turn.
    """
    step_s = bridge.half_s / STEPS
    lag = bridge.henry / step_s
    stiff = lag + bridge.ohm + step_s / bridge.farad
    filled, emptied = step_s / bridge.farad, step_s * bridge.watts / bridge.farad
    dark_v, empty_v, peak_v = bridge.dropout_v, bridge.empty_v, bridge.peak_v
    found = []
    for number in range(step + 1, step + steps + 1):
        source = peak_v * _SINE[number % _WHOLE]
        drained = emptied / volts if volts > dark_v else 0.0
        if amps > 0 or (amps == 0 and source >= 0):
            amps = (lag * amps + source - (volts - drained + DIODES_V)) / stiff
            if amps < 0:
                amps = 0.0
            volts += filled * amps - drained
        else:
            amps = (lag * amps + source + (volts - drained + DIODES_V)) / stiff
            if amps > 0:
                amps = 0.0
            volts -= filled * amps + drained
        if volts < empty_v:
            volts = empty_v
        found.append((volts, amps))
    return found


@lru_cache(maxsize=4096)
def ripple(bridge: Bridge) -> tuple[float, ...]:
    """The capacitor's volts over one half period, ``STEPS`` phases from 0, once they repeat.

    Volts at or below ``dropout_v`` anywhere: the lamp cannot run on this supply.
    """
    volts, amps = max(bridge.peak_v - DIODES_V, bridge.empty_v), 0.0
    for _ in range(_MOST_HALVES):
        half = charged(bridge, volts, amps, 0, STEPS)
        before, (volts, amps) = volts, half[-1]
        amps = -amps  # the next half is this one with the sign turned
        if abs(volts - before) < _SETTLED_V:
            break
    return (volts, *(v for v, _ in half[:-1]))


def recharged_v(bridge: Bridge, volts: float, step: int, steps: int) -> float:
    """The capacitor's volts after so many steps with supply from ``step`` on, when it had ``volts`` before."""
    usual, amps = ripple(bridge), 0.0
    while steps > 0:
        some = min(steps, STEPS)
        volts, amps = charged(bridge, volts, amps, step, some)[-1]
        step, steps = step + some, steps - some
        if abs(volts - usual[step % STEPS]) < _AS_USUAL_V:
            return usual[(step + steps) % STEPS]
    return volts


def left_v(bridge: Bridge, volts: float, seconds: float) -> float:
    """The capacitor's volts after so long without supply: ``C (V1^2 - V2^2) / 2 = P t``."""
    squared = volts**2 - 2 * bridge.watts * seconds / bridge.farad
    return math.sqrt(squared) if squared > bridge.dropout_v**2 else min(volts, bridge.dropout_v)


def held_s(bridge: Bridge, volts: float) -> float:
    """Seconds until the lamp goes dark without supply, from these volts of its capacitor."""
    return max(0.0, bridge.farad * (volts**2 - bridge.dropout_v**2) / (2 * bridge.watts))


def wait_s(bridge: Bridge, volts: float, step: int) -> float:
    """Seconds from the return of the supply, at this step, until it charges the capacitor; inf: it never does."""
    step_s = bridge.half_s / STEPS
    for number in range(STEPS + 1):
        if bridge.source_v(step + number) > left_v(bridge, volts, number * step_s):
            return number * step_s
    return math.inf
