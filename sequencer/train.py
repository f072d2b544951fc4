"""A train as a plain value, the relay's delays as data, and the log of what was switched.

Everything downstream of the planner (player, simulated pad, daemon) speaks in these values and needs
nothing else to play, simulate or store a train. Standard library only: the player process loads it, and
its start is why these are named tuples (a dataclass takes seven times as long to define).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Sequence

Outcome = Literal["finished", "overdue", "broken off", "failed"]


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

    def after(self, line_s: tuple[float, float]) -> Delays:
        """These delays where each command first has a line to cross, which takes (least, greatest) seconds.

        >>> Delays((0.25, 0.5), (0.125, 0.25)).after((0.5, 1.0))
        Delays(make_s=(0.75, 1.5), break_s=(0.625, 1.25))
        """
        least, greatest = line_s
        make, parted = self.make_s, self.break_s
        return Delays((make[0] + least, make[1] + greatest), (parted[0] + least, parted[1] + greatest))


LINE_JITTER_S = 0.01
"""How much longer than measured a serial line may take: the operating system's, the adapter's and the relay
board's own doing. Common practice, no source; what exceeds it fails the train (``relay/modbus.py``)."""


def frame_s(baud: int) -> float:
    """How long a command to a Modbus RTU coil is on the line, or its echo: 8 characters of 11 bits.

    Modbus Application Protocol V1.1b3, 6.5 (5 bytes of function 05) and Modbus over Serial Line V1.02,
    2.5.1 (address and checksum around them; 11 bits a character with parity and without).

    >>> round(frame_s(9600) * 1000, 3)
    9.167
    """
    return 8 * 11 / baud


def silence_s(baud: int) -> float:
    """The silence that ends a frame and comes before the next: 3.5 characters, 1.750 ms above 19200 baud.

    Modbus over Serial Line V1.02, 2.5.1.1.

    >>> round(silence_s(9600) * 1000, 3), silence_s(115200)
    (4.01, 0.00175)
    """
    return 3.5 * 11 / baud if baud <= 19200 else 0.00175


def line_delay(baud: int, round_trips_s: Sequence[float] = ()) -> tuple[float, float]:
    """From a command's first bit until the relay board acts on it, (least, greatest) seconds.

    Never less than the command is long. At most its length and the silence after it, or, where round trips
    were measured, the longest of them without its echo; and on top :data:`LINE_JITTER_S`, or as much as the
    round trips differ, if that is more.

    >>> [round(s * 1000, 1) for s in line_delay(9600)]
    [9.2, 23.2]
    >>> [round(s * 1000, 1) for s in line_delay(9600, [0.030, 0.045])]
    [9.2, 50.8]
    """
    least = greatest = frame_s(baud)
    greatest += silence_s(baud)
    if not round_trips_s:
        return least, greatest + LINE_JITTER_S
    longest = max(round_trips_s)
    return least, max(greatest, longest - least) + max(LINE_JITTER_S, longest - min(round_trips_s))


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


class Limits(NamedTuple):
    """What every train keeps to, whoever sends it: a site's or a rig's ``[timing]``.

    One break is one flash; more than three in a second fail WCAG 2.2, success criterion 2.3.1. No single break is
    longer than ``max_dark_s``.
    """

    max_flashes_per_s: float = 3.0
    max_dark_s: float = 20.0

    @property
    def cycle_s(self) -> float:
        """A break and the supply after it are together no shorter."""
        return 1 / self.max_flashes_per_s

    def refusal(self, pulses: Sequence[Pulse]) -> str | None:
        """Why these breaks must not be sent, None where they may be.

        The last supply counts as the others do: so that the next train's first break, too, comes late enough.

        >>> Limits(max_flashes_per_s=2.0).refusal((Pulse(0.2, 0.3), Pulse(0.2, 0.25)))
        'break 2 and the supply after it last 0.45 s, and max_flashes_per_s = 2 wants at least 0.5 s'
        >>> Limits().refusal((Pulse(21.0, 3.0),))
        'break 1 lasts 21 s, and max_dark_s = 20 allows no longer one'
        """
        for number, (off_s, on_s) in enumerate(pulses, start=1):
            if off_s + on_s < self.cycle_s - ROUNDING_S:
                words = f"max_flashes_per_s = {self.max_flashes_per_s:g} wants at least {self.cycle_s:.3g} s"
                return f"break {number} and the supply after it last {off_s + on_s:.3g} s, and {words}"
            if off_s > self.max_dark_s + ROUNDING_S:
                words = f"max_dark_s = {self.max_dark_s:g} allows no longer one"
                return f"break {number} lasts {off_s:.4g} s, and {words}"
        return None


ROUNDING_S = 1e-6
"""Sums of decimal seconds may be off in their last digits; no lamp and no eye can tell."""


class Stamp(NamedTuple):
    """One edge as it went: contact due, command due (mean delay subtracted) and command given.

    Seconds from the start of the train. ``commanded_s``: not before then was the command given: when the call
    that switches was made, plus what it then had to wait for its turn on a line that is shared.
    ``confirmed_s``: when that call returned, so that the command had been given; None in logs of versions that
    did not note it.
    """

    due_s: float
    command_due_s: float
    commanded_s: float
    closed: bool
    confirmed_s: float | None = None

    @property
    def late_s(self) -> float:
        """How late the command was; negative when early."""
        return self.commanded_s - self.command_due_s


class EdgeLog(NamedTuple):
    """All edges that were commanded, in order, and how the playing ended.

    ``rested_s`` is when the relay was then commanded to rest, None if it could not be: only a relay that
    rests open (``rests_closed`` False), or one broken off in a break, moves by that. ``set_takes_s``: how long a
    command and its confirmation take at most when nothing holds them up.
    """

    stamps: tuple[Stamp, ...]
    outcome: Outcome
    detail: str = ""
    rested_s: float | None = None
    rests_closed: bool = True
    set_takes_s: float = 0.0

    def held_up_s(self, stamp: Stamp) -> float:
        """By how much later than ``commanded_s`` the command of a stamp may have been given.

        >>> log = EdgeLog((Stamp(1.0, 0.9, 0.9, False, confirmed_s=1.5),), "finished", set_takes_s=0.25)
        >>> log.held_up_s(log.stamps[0])
        0.35
        """
        if stamp.confirmed_s is None:
            return 0.0
        return max(0.0, round(stamp.confirmed_s - stamp.commanded_s - self.set_takes_s, 9))
