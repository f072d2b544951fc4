"""What volts do to a lamp's windows: its capacitor carries it the longer, the higher it is charged.

A datasheet says what is certain of its lamp at any volts that it allows. At the volts that a lamp really gets,
physics may say less: with a capacitor charged low the lamp notices a break that the datasheet calls ignored;
charged high, in a scene that draws little, it rides through one that the datasheet calls noticed. So volts only
take away: ``ignored`` ends with the shortest ride-through where that is before its end, and ``pulse`` (and
``reset``, and ``power_down``) begin with the longest where that is after their start. Nothing else moves: the
lamp's own timers run from the moment at which it went dark, and what it does with their reading is not physics.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sequencer.datasheet import Datasheet

RECTIFIER_V = 1.4
"""Lost in a bridge rectifier: two silicon diodes in the way (common practice, no source)."""

Volts = tuple[float, float]
"""The least and the greatest that a lamp gets, RMS at its terminals."""


class Moved(NamedTuple):
    """One edge of a window that the volts have moved, seconds."""

    window: str
    edge: Literal["begins", "ends"]
    from_s: float
    to_s: float

    @property
    def cost_s(self) -> float:
        """By how much the window is the narrower for it."""
        return abs(self.to_s - self.from_s)


def hold_up_s(capacitance_f: float, from_v: float, to_v: float, watts: float) -> float:
    """Seconds for which a capacitor feeds a constant power while it falls from one voltage to another.

    ``t = C (V1^2 - V2^2) / (2 P)``: energy over power, as in design notes of power supplies (secondary copy).

    >>> round(hold_up_s(470e-6, 17.0, 10.0, 12.0) * 1000, 2)
    3.7
    """
    return max(0.0, capacitance_f * (from_v**2 - to_v**2) / (2 * watts))


def least_watts(datasheet: Datasheet) -> float:
    """What the lamp draws in its dimmest scene; a scene that says nothing draws the worst case."""
    assert datasheet.electrical is not None
    return min([datasheet.electrical.watts, *(scene.watts for scene in datasheet.scenes if scene.watts)])


def ride_through(
    datasheet: Datasheet, volts: Volts, half_period_s: float = 0.0
) -> tuple[float, float] | None:
    """The shortest and the longest ride-through (s) at these volts; None without ``[hold_up]``.

    Shortest: least volts, worst watts, and a break that begins ``half_period_s`` after the last charging peak
    (half a period of the mains; 0 leaves that out). Longest: greatest volts, the dimmest scene, at the peak.
    The cable's drop is in the volts, the rectifier's is taken off the peak.
    """
    hold_up, electrical = datasheet.hold_up, datasheet.electrical
    if hold_up is None or electrical is None:
        return None
    low, high = (max(0.0, math.sqrt(2) * v - RECTIFIER_V) for v in volts)
    least = hold_up_s(hold_up.capacitance_f, low, hold_up.dropout_v, electrical.watts)
    most = hold_up_s(hold_up.capacitance_f, high, hold_up.dropout_v, least_watts(datasheet))
    return max(0.0, least - half_period_s), most


def windows_at(datasheet: Datasheet, volts: Volts, half_period_s: float = 0.0) -> Datasheet:
    """The datasheet as it is certain at these volts: see the module for what moves and why.

    The same datasheet when nothing moves. A window may come out closed, its start after its end.
    """
    held = ride_through(datasheet, volts, half_period_s)
    if held is None:
        return datasheet
    shortest, longest = held
    off = datasheet.off
    new: dict[str, tuple[float, float]] = {"ignored": (0.0, min(off.ignored[1], shortest))}
    for name, window in (("pulse", off.pulse), ("reset", off.reset), ("power_down", off.power_down)):
        if window is not None:
            new[name] = (max(window[0], longest), window[1])
    if all(getattr(off, name) == window for name, window in new.items()):
        return datasheet
    return datasheet.model_copy(update={"off": off.model_copy(update=new)})


def moves(before: Datasheet, after: Datasheet) -> tuple[Moved, ...]:
    """Which edges of which windows lie elsewhere than in the datasheet."""
    if after is before:
        return ()
    found = []
    for name in ("ignored", "pulse", "reset", "power_down"):
        old, new = getattr(before.off, name), getattr(after.off, name)
        if old is not None and old[0] != new[0]:
            found.append(Moved(name, "begins", old[0], new[0]))
        if old is not None and old[1] != new[1]:
            found.append(Moved(name, "ends", old[1], new[1]))
    return tuple(found)


def joined(ranges: Sequence[Volts]) -> Volts:
    """One range around all: what is certain of a type is what is certain of each of its lamps."""
    return min(low for low, _ in ranges), max(high for _, high in ranges)
