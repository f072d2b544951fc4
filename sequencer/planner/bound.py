"""How long one type of lamp needs by itself: the exact distance that guides the joint search.

Alone, a type may have every break and every supply time as it likes best. From any of its beliefs the
shortest way to its wanted scene is found once, by Dijkstra's algorithm (1959, from memory) run backwards
over that type's own beliefs. No train for several types can be shorter than the longest of these, which is
what makes it a bound; and where even a type alone has no way, no fleet with it has one.

States older than a type's latest break may choose their supply freely here. That only shortens ways, so
the bound stays a bound.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from typing import NamedTuple, Protocol

from sequencer.planner.belief import LampType
from sequencer.planner.breaks import break_kinds, worth_making
from sequencer.planner.budget import Budget, Meter

UNREACHABLE = 1 << 61


class Way(NamedTuple):
    """One way on: supply (ns) needed since the type's latest break, then time from the opening to the end."""

    on_ns: int
    rest_ns: int


class Distance(Protocol):
    """What the joint search asks about one type."""

    def ways(self, belief: int) -> tuple[Way, ...]:
        """The ways on from a belief of which none is better than another in both; none: no way on."""

    def breaks(self, belief: int) -> int:
        """The fewest breaks that any way on takes."""


class NoDistance:
    """For a type that is searched alone: its distances would cost more than the search they guide."""

    def ways(self, belief: int) -> tuple[Way, ...]:  # noqa: ARG002
        """Any belief may be the end."""
        return (Way(0, 0),)

    def breaks(self, belief: int) -> int:  # noqa: ARG002
        """No break may be needed."""
        return 0


class _Move(NamedTuple):
    on_ns: int
    on_most_ns: int
    kind: int
    belief: int


class OwnDistance:
    """Distances of one type's beliefs; new beliefs are taken in as they are asked for."""

    def __init__(
        self, lamp_type: LampType, cycle_ns: int, max_dark_ns: int, meter: Meter | None = None
    ) -> None:
        self._meter = meter or Meter(Budget())
        self._type = lamp_type
        self._cycle_ns = cycle_ns
        self._kinds = worth_making(break_kinds([lamp_type.behaviour], max_dark_ns), cycle_ns)
        self._moves: dict[int, list[_Move]] = {}
        self._ways: dict[int, tuple[Way, ...]] = {}
        self._breaks: dict[int, int] = {}
        self._rest: dict[tuple[int, int], int] = {}

    def ways(self, belief: int) -> tuple[Way, ...]:
        """The ways worth considering, none longer in both parts than another; empty when there is none."""
        if belief not in self._ways:
            self._take_in(belief)
        return self._ways[belief]

    def breaks(self, belief: int) -> int:
        """The fewest breaks that any way from here has."""
        if belief not in self._ways:
            self._take_in(belief)
        return self._breaks.get(belief, UNREACHABLE)

    def _take_in(self, belief: int) -> None:
        """This belief, and all that may follow it and are not known yet."""
        found = [belief]
        new: list[int] = []
        while found:
            number = found.pop()
            if number not in self._moves:
                # Nothing is shorter than to be there.
                self._moves[number] = [] if self._type.finish(number) == () else self._moves_from(number)
                found += [m.belief for m in self._moves[number]]
                new.append(number)
        self._measure(new)

    def _moves_from(self, number: int) -> list[_Move]:
        moves: dict[_Move, None] = {}
        for i, kind in enumerate(self._kinds):
            for move in self._type.moves(number, kind.effects[0]):
                least, most = (move.least_ns[0], move.most_ns[0]) if move.least_ns else (0, UNREACHABLE)
                if move.belief != number or move.least_ns:
                    self._meter.charge(10, 1)
                    moves[_Move(least, most, i, move.belief)] = None
        return list(moves)

    def _measure(self, new: list[int]) -> None:
        """The distances of new beliefs, backwards from where they finish or come to one that is known."""
        came: dict[int, list[tuple[int, _Move]]] = {}
        for number in new:
            for move in self._moves[number]:
                came.setdefault(move.belief, []).append((number, move))
        self._fewest_breaks(new, came)
        self._least_times(came)
        for number in new:
            wait = self._wait(number)
            ways = set() if wait is None else {Way(wait, 0)}
            for m in self._moves[number]:
                rest = self._rest.get((m.belief, m.kind))
                if rest is not None:
                    ways.add(Way(m.on_ns, rest))
            best: list[Way] = []
            for way in sorted(ways):
                if not best or way.rest_ns < best[-1].rest_ns:
                    best.append(way)
            self._ways[number] = tuple(best)

    def _wait(self, number: int) -> int | None:
        """Supply after which this belief is an end, or None."""
        waits = self._type.finish(number)
        if waits is None:
            return None
        noticed = self._type.noticed_ns if self._type.ages(number) else 0
        return max(noticed, self._type.settled_ns if 0 in waits else 0)

    def _fewest_breaks(self, new: list[int], came: dict[int, list[tuple[int, _Move]]]) -> None:
        heap = [(0, number) for number in new if self._wait(number) is not None]
        for number, moves in came.items():
            if number in self._breaks:
                heap += [(self._breaks[number] + 1, before) for before, _ in moves]
        heapq.heapify(heap)
        while heap:
            breaks, number = heapq.heappop(heap)
            if number not in self._breaks:
                self._breaks[number] = breaks
                for before, _ in came.get(number, ()):
                    heapq.heappush(heap, (breaks + 1, before))

    def _least_times(self, came: dict[int, list[tuple[int, _Move]]]) -> None:
        """By belief and the kind of break that led to it: least time from that break's opening to the end."""
        rest = self._rest
        into = {number: sorted({move.kind for _, move in moves}) for number, moves in came.items()}
        heap = [entry for number in into for entry in self._known_ways(number, into)]
        heapq.heapify(heap)
        while heap:
            time, number, kind = heapq.heappop(heap)
            if (number, kind) not in rest:
                rest[number, kind] = time
                for before, move in came.get(number, ()):
                    if move.kind == kind:
                        for entry in self._led(before, move, time, into):
                            heapq.heappush(heap, entry)

    def _known_ways(self, number: int, into: dict[int, list[int]]) -> Iterator[tuple[int, int, int]]:
        """From a belief to the end at once, or to where the rest is known; after each kind that leads to it."""
        wait = self._wait(number)
        if wait is not None:
            for kind in into[number]:
                yield max(self._cycle_ns, self._kinds[kind].first_ns + wait), number, kind
        for move in self._moves[number]:
            rest = self._rest.get((move.belief, move.kind))
            if rest is not None:
                yield from self._led(number, move, rest, into)

    def _led(
        self, number: int, move: _Move, rest: int, into: dict[int, list[int]]
    ) -> Iterator[tuple[int, int, int]]:
        """From a belief by a move, ``rest`` before the end; after each kind that led to it and leaves time for it."""
        cycle = self._cycle_ns
        for kind in into.get(number, ()):
            led = self._kinds[kind]
            if (number, kind) not in self._rest and cycle - led.last_ns <= move.on_most_ns:
                yield rest + max(cycle, led.first_ns + move.on_ns), number, kind
