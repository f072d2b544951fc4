"""A train as a plain value, the relay's delays as data, and the log of what was switched.

Everything downstream of the planner (player, simulated pad, daemon) speaks in these values and needs
nothing else to play, simulate or store a train. Standard library only: the player process loads it, and
its start is why these are named tuples (a dataclass takes seven times as long to define).
"""

from __future__ import annotations

from typing import Literal, NamedTuple

Outcome = Literal["finished", "broken off", "failed"]


class Pulse(NamedTuple):
    """One break and the supply after it, seconds at the contact."""

    off_s: float
    on_s: float


class Delays(NamedTuple):
    """From command to contact, as (least, greatest) seconds: closing (``make_s``), opening (``break_s``)."""

    make_s: tuple[float, float] = (0.005, 0.012)
    break_s: tuple[float, float] = (0.003, 0.008)

    @property
    def mean_make_s(self) -> float:
        """What the player subtracts from a closing's due time."""
        return sum(self.make_s) / 2

    @property
    def mean_break_s(self) -> float:
        """What the player subtracts from an opening's due time."""
        return sum(self.break_s) / 2

    @property
    def spread_s(self) -> float:
        """By how much any length between two edges may differ from the one planned, either way.

        >>> round(Delays((0.005, 0.012), (0.003, 0.008)).spread_s, 6)
        0.006
        """
        return (self.make_s[1] - self.make_s[0]) / 2 + (self.break_s[1] - self.break_s[0]) / 2


class Edge(NamedTuple):
    """The contact is to open (``closed=False``) or close at ``due_s`` seconds after the start."""

    due_s: float
    closed: bool


class Train(NamedTuple):
    """``lead_in_s`` of supply, then the pulses in order."""

    pulses: tuple[Pulse, ...]
    lead_in_s: float = 0.0

    @property
    def total_s(self) -> float:
        """Breaks and supply; the lead-in is not counted."""
        return sum(p.off_s + p.on_s for p in self.pulses)

    @property
    def dark_s(self) -> float:
        """Time without supply."""
        return sum(p.off_s for p in self.pulses)

    @property
    def relay_cycles(self) -> int:
        """Openings, each with its closing."""
        return len(self.pulses)

    def edges(self) -> tuple[Edge, ...]:
        """The contact's edges, seconds from the start of the lead-in.

        >>> Train((Pulse(0.5, 1.0), Pulse(0.5, 2.0)), lead_in_s=1.0).edges()[2]
        Edge(due_s=2.5, closed=False)
        """
        edges = []
        at = self.lead_in_s
        for pulse in self.pulses:
            edges += [Edge(at, closed=False), Edge(at + pulse.off_s, closed=True)]
            at += pulse.off_s + pulse.on_s
        return tuple(edges)


class Stamp(NamedTuple):
    """One edge as it went: contact due, command due (mean delay subtracted) and command given.

    Seconds from the start of the train. ``commanded_s`` is when the call that switches was made.
    """

    due_s: float
    command_due_s: float
    commanded_s: float
    closed: bool

    @property
    def late_s(self) -> float:
        """How late the command was; negative when early."""
        return self.commanded_s - self.command_due_s


class EdgeLog(NamedTuple):
    """All edges that were commanded, in order, and how the playing ended.

    ``rested_s`` is when the relay was then commanded to rest, None if it could not be: only a relay that
    rests open (``rests_closed`` False), or one broken off in a break, moves by that.
    """

    stamps: tuple[Stamp, ...]
    outcome: Outcome
    detail: str = ""
    rested_s: float | None = None
    rests_closed: bool = True
