"""The edges that a lamp has, what a datasheet makes of them beforehand, and what can be seen of them.

==================  ================================  ===========================  ==========================
edge                a length that is varied           found short                  found long
==================  ================================  ===========================  ==========================
ride-through        a break                           ridden through               taken for a pulse
dim ride-through    the same, on the dimmest scene
pulse's end         a break                           a pulse                      a reset or power-down
reset's end         a break                           a reset                      power-down
gap                 supply between two pulses         the second pulse is missed   it is taken
noticed             supply between two breaks         both are one long break      they are two
settling            supply between two pulses         the train goes on            the train is over (count)
warm-up             supply after power-down           the first pulse is missed    it is taken
==================  ================================  ===========================  ==========================

So "the shortest pulse" and "the end of ignored" are one edge of one lamp, as are "the longest gap in a train" and
settling; what is certain ends before it and begins after it. Between two lamps of a type they differ: no single lamp
tells that.

A lamp needs some supply to start after a break. With less, that break, the supply and the next break are one break of
their summed length. So the gap and the warm-up that are found are the longer of two supplies: the one that the pulse
needs, and the one that the lamp needs to start. Only ``noticed`` tells the second alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Literal, NamedTuple

from sequencer.bench.threshold import Prior
from sequencer.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from sequencer.datasheet import Datasheet
    from sequencer.train import Delays

EdgeName = Literal[
    "ride-through", "dim ride-through", "pulse's end", "reset's end", "gap", "noticed", "warm-up", "settling"
]
SHORTEST_S = 0.008
"""No shorter break and no shorter gap is tried: a relay can hardly make it. A slow relay's are longer."""
LONGEST_RUN = 5
"""So many scenes at most tell the answers of one train apart."""
BEYOND = 0.05
"""So far beyond what the datasheet claims, and the lamp's clock tolerance, an edge is still as likely as within."""
OFTEN_OUTSIDE = 0.2
"""How likely ``noticed`` lies below all lengths that can be shown, or is no shorter than the gap, each."""
DIMMER = 0.95
"""A scene that draws less than this share of the brightest is worth a ride-through of its own."""


class Footing(NamedTuple):
    """Lengths (s) that serve while others are varied: a pulse, a gap in a train, rest, a power-down.

    After ``rest_s`` of supply the lamp is settled and warm; ``warm_s`` of it is enough for a first pulse. A break of up
    to ``longest_pulse_s`` is surely a pulse, one from ``beyond_pulse_s`` on surely none, one from there up to
    ``longest_reset_s`` surely a reset: 0, inf and 0 as long as that is not known.
    """

    pulse_s: float
    gap_s: float
    rest_s: float
    dark_s: float
    warm_s: float
    longest_pulse_s: float = 0.0
    beyond_pulse_s: float = math.inf
    longest_reset_s: float = 0.0


@dataclass(frozen=True)
class Subject:
    """A lamp as it is measured: its rough datasheet, and which of its scenes eyes take for one another."""

    sheet: Datasheet
    alike: frozenset[frozenset[int]] = frozenset()

    @property
    def counts(self) -> bool:
        """Whether it selects by count."""
        return self.sheet.lamp.selects_by == "count"

    @cached_property
    def codes(self) -> tuple[int, ...]:
        """All codes, ascending: a step lamp's ring."""
        return tuple(sorted(scene.code for scene in self.sheet.scenes))

    @cached_property
    def still(self) -> frozenset[int]:
        """Codes of the scenes that one short look tells."""
        return frozenset(scene.code for scene in self.sheet.scenes if scene.period_s is None)

    @cached_property
    def run(self) -> tuple[int, int]:
        """Codes one after the other, first and last, that the eyes tell apart; still scenes before moving ones.

        InputError when there are not even two.
        """
        best: tuple[tuple[bool, int, int], tuple[int, int]] | None = None
        for first in self.codes:
            last = first
            while last - first + 1 < LONGEST_RUN and self._joins(first, last + 1):
                last += 1
                still = all(code in self.still for code in range(first, last + 1))
                rank = (still, last - first, -first)
                if best is None or rank > best[0]:
                    best = (rank, (first, last))
        if best is None:
            raise InputError(
                f"{self.sheet.lamp.name}: no two scenes whose codes follow each other and that the eyes can tell"
                " apart: measuring needs them"
            )
        return best[1]

    def _joins(self, first: int, code: int) -> bool:
        return code in self.codes and self.distinct(range(first, code + 1))

    def distinct(self, codes: Sequence[int]) -> bool:
        """Whether the eyes tell all of these apart."""
        some = list(dict.fromkeys(codes))
        return not any(frozenset((a, b)) in self.alike for i, a in enumerate(some) for b in some[i + 1 :])

    def after(self, code: int, steps: int) -> int:
        """The code so many steps on in the ring."""
        return self.codes[(self.codes.index(code) + steps) % len(self.codes)]

    @cached_property
    def bright_and_dim(self) -> tuple[int | None, int | None]:
        """The codes on which ride-through is least and most: None where no scene says what it draws.

        The second is None, too, where it would make no difference.
        """
        watts = {s.code: s.watts for s in self.sheet.scenes if s.watts and self._usable(s.code)}
        if not watts:
            return None, None
        bright, dim = max(watts, key=lambda c: watts[c]), min(watts, key=lambda c: watts[c])
        return bright, dim if watts[dim] < DIMMER * watts[bright] else None

    def _usable(self, code: int) -> bool:
        return code in self.still or not self.still

    def watts(self, code: int | None) -> float | None:
        """What a scene draws; the worst case where it is not said."""
        scene = None if code is None else self.sheet.scene_by_code(code)
        electrical = self.sheet.electrical
        if scene is not None and scene.watts is not None:
            return scene.watts
        return None if electrical is None else electrical.watts

    @cached_property
    def edges(self) -> tuple[EdgeName, ...]:
        """The edges to measure, in the order in which each helps those after it."""
        return tuple(self._edges())

    def _edges(self) -> Iterator[EdgeName]:
        yield "ride-through"
        if self.bright_and_dim[1] is not None:
            yield "dim ride-through"
        yield "pulse's end"
        if self.sheet.off.reset is not None:
            yield "reset's end"
        yield "gap"
        yield "noticed"
        yield "warm-up"
        if self.counts:
            yield "settling"

    def hidden(self, edge: EdgeName) -> str | None:
        """Why an edge cannot be seen from outside, None when it can."""
        off, keeps = self.sheet.off, self.sheet.lamp.after_power_down
        if edge == "pulse's end" and keeps == "next" and off.reset is None:
            return "a pulse and a power-down both move it one on: no eye can tell them apart"
        if edge == "reset's end" and keeps == "first":
            return "a reset and a power-down both lead to its first scene: no eye can tell them apart"
        return None

    def claimed(self, edge: EdgeName) -> tuple[float, float]:
        """Between which lengths (s) the datasheet says that the edge lies."""
        off, on = self.sheet.off, self.sheet.on
        ends = {
            "ride-through": (off.ignored[1], off.pulse[0]),
            "dim ride-through": (off.ignored[1], off.pulse[0]),
            "pulse's end": (off.pulse[1], (off.reset or off.power_down)[0]),
            "reset's end": ((off.reset or off.pulse)[1], off.power_down[0]),
            "gap": (0.0, max(on.same_train[0], self.sheet.noticed[0])),
            "noticed": (0.0, self.sheet.noticed[0]),
            "settling": (on.same_train[1], on.settled[0] if on.settled else math.inf),
            "warm-up": (0.0, max(self.sheet.warm_up[0], self.sheet.noticed[0])),
        }
        return ends[edge]


def footings(sheet: Datasheet, pitch_s: float = 0.0) -> Iterator[Footing]:
    """Lengths to stand on: what the datasheet says, then a ladder of others in case it is wrong.

    A pulse and a gap are together no shorter than ``pitch_s``, the one or the other being longer for it.
    """
    off, on = sheet.off, sheet.on
    warm = sheet.warm_up[0]
    rest = 1.3 * max(on.settled[0] if on.settled else 0.0, warm, 1.0) + 0.5
    gap = _within(max(0.5, pitch_s - _within(0.4, off.pulse)), on.same_train)
    pulse = _within(max(0.4, pitch_s - gap), off.pulse)
    first = Footing(pulse, gap, rest, off.power_down[0] * 1.15, warm)
    yield first
    yield first  # the eyes may have been wrong
    for rest_s in (first.rest_s, 2 * first.rest_s + 5.0):
        for pulse_s in (first.pulse_s, 0.5, 0.25, 1.0, 0.15):
            for wanted_s in (first.gap_s, 0.5, 1.0, 0.25):
                gap_s = max(wanted_s, pitch_s - pulse_s)
                if (pulse_s, gap_s, rest_s) != first[:3]:
                    yield Footing(pulse_s, gap_s, rest_s, max(first.dark_s, 2 * pulse_s), warm)


def _within(wanted: float, window: tuple[float, float]) -> float:
    """A length well inside a window, as near to ``wanted`` as that allows."""
    low, high = window[0] * 1.25 + 0.02, window[1] * 0.8
    return (window[0] + window[1]) / 2 if low > high else min(max(wanted, low), high)


def jitter_of(delays: Delays) -> float:
    """The standard deviation (s) of a length, each delay being anywhere within its range alike.

    Of an even spread that is its width over the square root of 12 (JCGM 100:2008, 4.3.7, from memory).

    >>> from sequencer.train import Delays
    >>> round(jitter_of(Delays((0.005, 0.012), (0.003, 0.008))) * 1000, 2)
    2.48
    """
    widths = (delays.make_s[1] - delays.make_s[0], delays.break_s[1] - delays.break_s[0])
    return max(math.hypot(*widths) / math.sqrt(12), 1e-4)


def shortest_of(delays: Delays) -> tuple[float, float]:
    """The shortest break and the shortest supply between two (s) that a relay with these delays makes.

    The second command comes after the first only if the contact needs no longer for it than that; and with less than
    the relay's spread of length there may be no break at all.

    >>> from sequencer.train import Delays
    >>> shortest_of(Delays((0.005, 0.012), (0.003, 0.008)))
    (0.008, 0.008)
    >>> [round(s, 4) for s in shortest_of(Delays((0.1, 0.2), (0.003, 0.008)))]
    [0.197, 0.0525]
    """
    lag_s, spread_s = delays.mean_make_s - delays.mean_break_s, delays.spread_s
    off_s, on_s = (
        SHORTEST_S if max(lag, spread_s) <= SHORTEST_S else max(lag, 0.0) + spread_s
        for lag in (lag_s, -lag_s)
    )
    return off_s, on_s


def prior_of(
    subject: Subject,
    edge: EdgeName,
    footing: Footing,
    jitter_s: float,
    longest_s: float,
    trust: float = 0.8,
    *,
    shortest_s: float = SHORTEST_S,
) -> Prior:
    """Where an edge may lie, from what serves already and, with ``trust``, from the datasheet."""
    low, high = shortest_s, longest_s
    off = subject.sheet.off
    if edge in ("ride-through", "dim ride-through"):
        high = footing.pulse_s
    elif edge == "gap":
        high = footing.gap_s
    elif edge == "warm-up":
        high = footing.rest_s
    elif edge == "noticed":
        high = longest_s
    elif edge == "settling":
        low, high = footing.gap_s, 2 * footing.rest_s
    else:
        low = footing.pulse_s
        if edge == "pulse's end" and off.reset and subject.sheet.lamp.after_power_down == "next":
            high = min(high, off.reset[1])  # beyond, a power-down moves it on as a pulse does
    claimed, clock = subject.claimed(edge), BEYOND + subject.sheet.lamp.clock_tolerance
    first = max(claimed[0] / (1 + clock), claimed[1] / 20, low)
    last = min(claimed[1] / (1 - clock), high)
    likely = (first, last) if first <= last and trust > 0 else None
    prior = Prior(low, high, likely, trust, jitter_s=jitter_s)
    # Many lamps start at once; and to one that starts slowly, the gap is the supply that it needs for that.
    return prior._replace(outside=OFTEN_OUTSIDE) if edge == "noticed" else prior
