"""What one simulated lamp is like where its datasheet leaves room.

A datasheet says what is certain; between its windows every real lamp has limits of its own. A
:class:`Nature` says where they lie, as a fraction of each gap: 0 is at the window before the gap, 1 at
the window after it. A lamp whose nature is not certain inside a window does not exist here: the
fractions cannot leave the gaps.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import count, product
from random import Random
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Iterator

Temper = Literal["steady", "drifting", "contrary"]
"""``steady``: one clock, one set of limits, for life. ``drifting``: the same limits, but the clock has
another error for each length it measures. ``contrary``: every limit, too, is another one each time."""


@dataclass(frozen=True, slots=True)
class Nature:
    """One lamp's own clock and limits.

    ``clock`` runs from -1 (slowest within ``clock_tolerance``: it reads a length too short) to +1
    (fastest). The limits are fractions of the gaps named in their comments.
    """

    temper: Temper = "steady"
    clock: float = 0.0
    ride_through: float = 0.5  # from the end of [off] ignored to the start of pulse
    pulse_end: float = 0.5  # from the end of pulse to the start of reset (or of power_down)
    reset_end: float = 0.5  # from the end of reset to the start of power_down
    boot: float = 0.5  # from 0 to the start of [on] warm_up: what it needs before a first pulse
    gap: float = 0.5  # from 0 to the start of same_train: what it needs before a further pulse
    settle: float = 0.5  # from the end of same_train to the start of settled
    start_up: float = (
        0.0  # from 0 to the start of [on] noticed: supply before its electronics run after a break
    )
    takes_pending: bool = False  # a count that a power-down cut short is taken as the scene
    wakes_early: bool = False  # step: a pulse that it need not have taken ends its rest
    volts: float | None = None
    """How far up the datasheet's ``volts`` it is fed: its ride-through then follows from ``[hold_up]``,
    where that is given. None: ``ride_through`` counts, whatever the capacitor."""
    seed: int = 0  # of what is left to chance: an unknown scene, a contrary lamp's whims

    @classmethod
    def steady(cls, rng: Random, temper: Temper = "steady") -> Nature:
        """A lamp as it might come out of its box."""
        return cls(
            temper=temper,
            clock=rng.uniform(-1, 1),
            ride_through=rng.random(),
            pulse_end=rng.random(),
            reset_end=rng.random(),
            boot=rng.random(),
            gap=rng.random(),
            settle=rng.random(),
            takes_pending=rng.random() < 0.5,
            wakes_early=rng.random() < 0.5,
            volts=rng.random(),
            seed=(seed := rng.getrandbits(32)),
            start_up=_own_chance(seed).random(),
        )

    @classmethod
    def contrary(cls, rng: Random) -> Nature:
        """A lamp that does anything its datasheet does not forbid, and never the same twice."""
        return cls(temper="contrary", seed=rng.getrandbits(32))

    @classmethod
    def corner(cls, rng: Random, temper: Temper = "steady") -> Nature:
        """A lamp with every limit at one end of its gap and its clock at one end of its tolerance."""
        ends = (0.0, 1.0)
        return cls(
            temper=temper,
            clock=rng.choice((-1.0, 1.0)),
            ride_through=rng.choice(ends),
            pulse_end=rng.choice(ends),
            reset_end=rng.choice(ends),
            boot=rng.choice(ends),
            gap=rng.choice(ends),
            settle=rng.choice(ends),
            takes_pending=rng.random() < 0.5,
            wakes_early=rng.random() < 0.5,
            seed=(seed := rng.getrandbits(32)),
            start_up=_own_chance(seed).choice(ends),
        )

    @classmethod
    def corners(cls) -> Iterator[Nature]:
        """All 1024 steady lamps that :meth:`corner` can draw: the worst ones are among them.

        >>> len({nature for nature in Nature.corners()})
        1024
        """
        ends = (0.0, 1.0)
        seeds = count()
        for clock, takes, wakes in product((-1.0, 1.0), (False, True), (False, True)):
            for ride, pulse, reset, boot, gap, settle, start_up in product(ends, repeat=7):
                limits = (clock, ride, pulse, reset, boot, gap, settle, start_up)
                yield cls("steady", *limits, takes_pending=takes, wakes_early=wakes, seed=next(seeds))


def _own_chance(seed: int) -> Random:
    """A source of its own, so that a limit added to a lamp leaves everything else on its pad as it was."""
    return Random(seed + 1)  # noqa: S311 - chance for a simulation
