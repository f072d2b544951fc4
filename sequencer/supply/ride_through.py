"""What volts do to a lamp's windows: its capacitor carries it the longer, the higher it is charged.

A datasheet says what is certain of its lamp at any volts that it allows. At the volts that a lamp really gets,
physics may say less: with a capacitor charged low the lamp notices a break that the datasheet calls ignored;
charged high, in a scene that draws little, it rides through one that the datasheet calls noticed. So volts only
take away: ``ignored`` ends with the longest break that is ridden through at the worst moment of the mains
(:mod:`.rectifier`), where that is before its end; ``pulse`` (and ``reset``, and ``power_down``) begin with the longest
ride-through, where that is after their start. Nothing else moves: the lamp's own timers run from the moment at which
it went dark, and what it does with their reading is not physics.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple

from sequencer.supply.rectifier import Charged, longest_s

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sequencer.datasheet import Datasheet

Held = tuple[float, float]
"""Breaks up to the first (s) are certainly ridden through, breaks from the second on certainly are not."""


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


def least_watts(datasheet: Datasheet) -> float:
    """What the lamp draws in its dimmest scene, as far as its datasheet says.

    Of a scene without ``watts`` physics can say nothing: there what the datasheet's own windows promise stands.
    """
    assert datasheet.electrical is not None
    return min([datasheet.electrical.watts, *(scene.watts for scene in datasheet.scenes if scene.watts)])


def greatest_watts(datasheet: Datasheet) -> float:
    """What the lamp draws at most: the worst case that is written down, or a scene that is above it."""
    assert datasheet.electrical is not None
    return max([datasheet.electrical.watts, *(scene.watts for scene in datasheet.scenes if scene.watts)])


def charged(datasheet: Datasheet, watts: float) -> Charged | None:
    """Its capacitor at so many watts; None without ``[hold_up]``."""
    hold_up = datasheet.hold_up
    return None if hold_up is None else Charged(hold_up.capacitance_f, hold_up.dropout_v, watts)


def longest_at(datasheet: Datasheet, peak_v: float) -> float | None:
    """The longest ride-through (s), in the dimmest scene, where the source's open-circuit peak is so high.

    None without ``[hold_up]`` or ``[electrical]``.
    """
    if datasheet.electrical is None:
        return None
    lamp = charged(datasheet, least_watts(datasheet))
    return None if lamp is None else longest_s(lamp, peak_v)


def windows_at(datasheet: Datasheet, held: Held) -> Datasheet:
    """The datasheet as it is certain of a lamp that rides through so much: see the module for what moves and why.

    The same datasheet when nothing moves. A window may come out closed, its start after its end.
    """
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


def joined(ranges: Sequence[Held]) -> Held:
    """One range around all: what is certain of a type is what is certain of each of its lamps."""
    return min(low for low, _ in ranges), max(high for _, high in ranges)
