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
from typing import NamedTuple, Protocol

from sequencer.planner.belief import LampType
from sequencer.planner.breaks import BreakKind, break_kinds

UNREACHABLE = 1 << 61


class Way(NamedTuple):
    """One way on: supply (ns) needed since the type's latest break, then time from the opening to the end."""

    on_ns: int
    rest_ns: int


class Distance(Protocol):
    """What the joint search asks about one type."""

    def ways(self, belief: int) -> tuple[Way, ...]: ...
    def breaks(self, belief: int) -> int: ...


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

    def __init__(self, lamp_type: LampType, cycle_ns: int, max_dark_ns: int) -> None:
        self._type = lamp_type
        self._cycle_ns = cycle_ns
        self._kinds = _useful(break_kinds([lamp_type.behaviour], max_dark_ns), cycle_ns)
        self._moves: dict[int, list[_Move]] = {}
        self._ways: dict[int, tuple[Way, ...]] = {}
        self._breaks: dict[int, int] = {}

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
        new = [belief]
        while new:
            number = new.pop()
            if number in self._moves:
                continue
            if self._type.finish(number) == ():
                self._moves[number] = []  # nothing is shorter than to be there
                continue
            self._moves[number] = self._moves_from(number)
            new += {m.belief for m in self._moves[number]}
            ages = self._type.ages(number)
            new += {self._type.aged(number, (0,) * k + (UNREACHABLE,) * (ages - k))[0] for k in range(ages)}
        self._measure()

    def _moves_from(self, number: int) -> list[_Move]:
        moves: dict[_Move, None] = {}
        for i, kind in enumerate(self._kinds):
            for move in self._type.moves(number, kind.effects[0]):
                least, most = (move.least_ns[0], move.most_ns[0]) if move.least_ns else (0, UNREACHABLE)
                if move.belief != number or move.least_ns:
                    moves[_Move(least, most, i, move.belief)] = None
        return list(moves)

    def _measure(self) -> None:
        """All distances anew, backwards from every belief that can finish."""
        came: dict[int, list[tuple[int, _Move]]] = {}
        for number, moves in self._moves.items():
            for move in moves:
                came.setdefault(move.belief, []).append((number, move))
        finish: dict[int, int] = {}
        for number in self._moves:
            waits = self._type.finish(number)
            if waits is not None:
                finish[number] = self._type.settled_ns if 0 in waits else 0
        self._breaks = _fewest_breaks(came, finish)
        rest = self._least_times(came, finish)
        self._ways = {}
        for number, moves in self._moves.items():
            ways = {Way(finish[number], 0)} if number in finish else set()
            ways |= {Way(m.on_ns, rest[m.belief, m.kind]) for m in moves if (m.belief, m.kind) in rest}
            best: list[Way] = []
            for way in sorted(ways):
                if not best or way.rest_ns < best[-1].rest_ns:
                    best.append(way)
            self._ways[number] = tuple(best)

    def _least_times(
        self, came: dict[int, list[tuple[int, _Move]]], finish: dict[int, int]
    ) -> dict[tuple[int, int], int]:
        """By belief and the kind of break that led to it: least time from that break's opening to the end."""
        cycle = self._cycle_ns
        kinds_into = {number: sorted({move.kind for _, move in moves}) for number, moves in came.items()}
        rest: dict[tuple[int, int], int] = {}
        heap = [
            (max(cycle, self._kinds[kind].first_ns + wait), number, kind)
            for number, wait in finish.items()
            for kind in kinds_into.get(number, ())
        ]
        heapq.heapify(heap)
        while heap:
            time, number, kind = heapq.heappop(heap)
            if (number, kind) in rest:
                continue
            rest[number, kind] = time
            for before, move in came.get(number, ()):
                if move.kind != kind:
                    continue
                for k in kinds_into.get(before, ()):
                    made = self._kinds[k]
                    if (before, k) not in rest and cycle - made.last_ns <= move.on_most_ns:
                        heapq.heappush(heap, (time + max(cycle, made.first_ns + move.on_ns), before, k))
        return rest


def _useful(kinds: list[BreakKind], cycle_ns: int) -> list[BreakKind]:
    """The kinds that a type alone can need.

    It can do without what may go unnoticed, and without what may be no more than a shorter kind, unless that
    one is too short to outlast the flash limit by itself.
    """
    useful: list[BreakKind] = []
    for kind in kinds:
        effects = set(kind.effects[0])
        shorter = [k for k in useful if k.last_ns >= cycle_ns and effects.issuperset(k.effects[0])]
        if "ignored" not in effects and not shorter:
            useful.append(kind)
    return useful


def _fewest_breaks(came: dict[int, list[tuple[int, _Move]]], finish: dict[int, int]) -> dict[int, int]:
    breaks = dict.fromkeys(finish, 0)
    front = list(finish)
    while front:
        following = []
        for number in front:
            for before, _ in came.get(number, ()):
                if before not in breaks:
                    breaks[before] = breaks[number] + 1
                    following.append(before)
        front = following
    return breaks
