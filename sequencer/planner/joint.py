"""The joint search: one train for all types of lamp on a circuit.

A node is the moment a break ends: for each type its condensed belief, and the zone of times between the
breaks that those beliefs still count from. Its promise is the longest, over the types, of the earliest time
of that type's latest break plus what the type alone still needs (:mod:`~sequencer.planner.bound`).

Children are made cheaply (beliefs from memoised steps, times only from below) and get their zone when they
are popped, which most never are. A node is covered, and dropped, when one with the same beliefs has been
admitted whose zone contains its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from sequencer.planner.belief import NEW, LampType, Move
from sequencer.planner.bound import UNREACHABLE, OwnDistance
from sequencer.planner.breaks import IGNORED, BreakKind, break_kinds
from sequencer.planner.covering import Admitted
from sequencer.planner.pairs import PairBound
from sequencer.planner.search import Promise
from sequencer.planner.zone import AT_REST, CLOSED, OLDER, OPENED, START, Opening, Zone, advance, without
from sequencer.units import FOREVER_NS


class Limits(NamedTuple):
    """What every train on the circuit keeps to, whole nanoseconds.

    ``cycle_ns``: a break and the supply after it (the flash limit); ``max_dark_ns``: one break;
    ``contact_ns``: the least supply between two breaks that is sure to be one.
    """

    cycle_ns: int
    max_dark_ns: int
    contact_ns: int


class Bind(NamedTuple):
    """An opening comes at least (or at most) this long, ns, after an edge of an earlier break (from 1)."""

    break_no: int
    closing: bool
    at_least: bool
    length_ns: int


class JointNode:
    """One moment at the end of a break; see the module's text."""

    __slots__ = (
        "admitted",
        "after",
        "before",
        "beliefs",
        "breaks",
        "finished",
        "off",
        "origins",
        "parent",
        "promise",
        "refs",
        "zone",
    )

    def __init__(
        self, parent: JointNode | None, promise: Promise, beliefs: tuple[int, ...], breaks: int
    ) -> None:
        self.parent = parent
        self.promise = promise
        self.beliefs = beliefs
        self.breaks = breaks
        self.finished = False
        self.admitted = False
        self.off: tuple[int, int] | None = None
        self.after: tuple[tuple[int, int], ...] = ()
        self.before: tuple[tuple[int, int], ...] = ()
        self.refs: tuple[
            tuple[int, ...], ...
        ] = ()  # by type and age: a point of the zone (until admitted, the parent's)
        self.zone: Zone = AT_REST
        self.origins: tuple[int, ...] = ()  # by point of the zone: the number of its break


class JointProblem:
    """The types on one circuit, where their beliefs start, and what the search asks (search.Problem)."""

    def __init__(
        self,
        types: Sequence[LampType],
        start: Sequence[int],
        limits: Limits,
        own: Sequence[OwnDistance],
        pairs: Sequence[PairBound] = (),
    ) -> None:
        self.types = tuple(types)
        self.start = tuple(start)
        self.limits = limits
        self.kinds = break_kinds([t.behaviour for t in types], limits.max_dark_ns)
        self.own = tuple(own)
        self.pairs = tuple(pairs)
        self.admitted = Admitted(self.types)

    def roots(self) -> Iterable[JointNode]:
        root = JointNode(None, (0, 0), self.start, 0)
        root.refs = tuple(() for _ in self.types)
        root.origins = (0, 0, 0)
        root.admitted = True
        root.finished = all(t.finish(b) == () for t, b in zip(self.types, self.start, strict=True))
        if root.finished or all(own.ways(b) for own, b in zip(self.own, self.start, strict=True)):
            yield root

    def admit(self, node: JointNode) -> JointNode | None:
        if node.admitted:
            return node
        self._make_zone(node)
        zone = node.zone
        if self.admitted.covered(node.beliefs, node.refs, zone, node.breaks):
            return None
        self.admitted.add(node.beliefs, node.refs, zone, node.breaks)
        node.admitted = True
        opened, closed = zone[OPENED][START], zone[CLOSED][START]
        at = [[zone[p][START] for p in points[:1]] for points in node.refs]
        promise = max(node.promise, self._promise(node.beliefs, at, opened, closed, node.breaks))
        for pair in self.pairs:
            total = pair.promise(node.beliefs, node.refs, zone)
            if total > promise[0]:
                promise = (total, promise[1])
        node.promise = promise
        return node if promise[0] < UNREACHABLE else None

    def successors(self, node: JointNode) -> Iterable[JointNode]:
        end = self._end(node)
        if end is not None:
            done = JointNode(node, (end, node.breaks), node.beliefs, node.breaks)
            done.finished = True
            yield done
        opening = Opening(node.zone)
        opening.bind(OPENED, self.limits.cycle_ns, FOREVER_NS)
        opening.bind(CLOSED, self.limits.contact_ns, FOREVER_NS)
        before: dict[object, JointNode] = {}
        for kind in self.kinds:
            made: dict[object, JointNode] = {}
            for moves in self._choices(node, opening, kind, ()):
                self._child(node, opening, kind, moves, before, made)
            yield from [child for key, child in before.items() if key not in made]
            before = made
        yield from before.values()

    def _choices(
        self, node: JointNode, opening: Opening, kind: BreakKind, chosen: tuple[Move | None, ...]
    ) -> Iterator[tuple[Move | None, ...]]:
        """Every possible set of moves over this break, one a type (None: ignored); bounds in ``opening``."""
        i = len(chosen)
        if i == len(self.types):
            yield chosen
        elif kind.effects[i] == IGNORED:
            yield from self._choices(node, opening, kind, (*chosen, None))
        else:
            points = node.refs[i]
            marks = opening.marks()
            for move in self.types[i].moves(node.beliefs[i], kind.effects[i]):
                if all(map(opening.bind, points, move.least_ns, move.most_ns)):
                    yield from self._choices(node, opening, kind, (*chosen, move))
                opening.undo(marks)

    def _child(
        self,
        node: JointNode,
        opening: Opening,
        kind: BreakKind,
        moves: tuple[Move | None, ...],
        before: dict[object, JointNode],
        made: dict[object, JointNode],
    ) -> None:
        """Add the child of these moves to ``made``; where the next shorter kind made the same, widen that."""
        beliefs = []
        refs = []
        for i, move in enumerate(moves):
            if move is None:
                beliefs.append(node.beliefs[i])
                refs.append(node.refs[i])
            else:
                beliefs.append(move.belief)
                points = node.refs[i]
                refs.append(tuple([NEW if age < 0 else points[age] for age in move.left]))
        key = (tuple(beliefs), tuple(refs), tuple(opening.after), tuple(opening.before))
        child = before.get(key)
        if child is not None and child.off is not None and child.off[1] == kind.first_ns:
            child.off = (child.off[0], kind.last_ns)
            made[key] = child
            return
        opened = opening.earliest()
        closed = opened + kind.first_ns
        zone = node.zone
        at = [[closed if p == NEW else zone[p][START] for p in points[:1]] for points in refs]
        promise = max(node.promise, self._promise(beliefs, at, opened, closed, node.breaks + 1))
        if promise[0] >= UNREACHABLE:
            return
        made[key] = child = JointNode(node, promise, key[0], node.breaks + 1)
        child.refs = key[1]
        child.off = (kind.first_ns, kind.last_ns)
        child.after = key[2]
        child.before = key[3]

    def _promise(
        self, beliefs: Sequence[int], at: Sequence[Sequence[int]], opened: int, closed: int, breaks: int
    ) -> Promise:
        """What no finish through these beliefs can beat; ``at`` holds each age's earliest time by type."""
        next_opening = max(opened + self.limits.cycle_ns, closed)
        total, cycles = 0, 0
        for own, belief, ages in zip(self.own, beliefs, at, strict=True):
            ways = own.ways(belief)
            if not ways:
                return UNREACHABLE, UNREACHABLE
            latest = ages[0] if ages else closed
            needs = min([max(latest + on, next_opening) + rest for on, rest in ways])
            total = max(total, needs)
            cycles = max(cycles, own.breaks(belief))
        return total, breaks + cycles

    def _make_zone(self, node: JointNode) -> None:
        parent, off = node.parent, node.off
        assert parent is not None
        assert off is not None
        keep = sorted({p for points in node.refs for p in points if p != NEW})
        zone = advance(parent.zone, node.after, node.before, off, keep)
        place = {old: OLDER + i for i, old in enumerate(keep)} | {NEW: CLOSED}
        origins = [0, node.breaks, node.breaks, *[parent.origins[p] for p in keep]]
        refs = [tuple([place[p] for p in points]) for points in node.refs]
        beliefs = list(node.beliefs)
        for i, points in enumerate(refs):
            if points and points[-1] != CLOSED:
                had = tuple([zone[CLOSED][p] for p in points])
                beliefs[i], left = self.types[i].aged(beliefs[i], had)
                refs[i] = tuple([points[age] for age in left])
        used = sorted({p for points in refs for p in points if p >= OLDER})
        if len(used) < len(keep):
            points_left = [START, OPENED, CLOSED, *used]
            zone = without(zone, points_left)
            place = {p: i for i, p in enumerate(points_left)}
            refs = [tuple([place[p] for p in points]) for points in refs]
            origins = [origins[p] for p in points_left]
        node.zone = zone
        node.refs = tuple(refs)
        node.beliefs = tuple(beliefs)
        node.origins = tuple(origins)

    def _end(self, node: JointNode) -> int | None:
        """The earliest moment at which every lamp is certain to be on its scene, or None."""
        zone = node.zone
        end = max(zone[CLOSED][START], zone[OPENED][START] + self.limits.cycle_ns)
        for lamp, belief, points in zip(self.types, node.beliefs, node.refs, strict=True):
            waits = lamp.finish(belief)
            if waits is None:
                return None
            for age in waits:
                end = max(end, zone[points[age]][START] + lamp.settled_ns)
        return end if node.off is not None else None


def breaks_of(node: JointNode) -> list[tuple[tuple[int, int], list[Bind]]]:
    """The breaks that led to a node, first to last, and what binds each opening to earlier edges."""
    path = []
    at: JointNode | None = node
    while at is not None and at.parent is not None:
        if at.off is not None:
            from_edge = at.parent.origins
            binds = [
                Bind(from_edge[p], p != OPENED, at_least, length)
                for at_least, bounds in ((True, at.after), (False, at.before))
                for p, length in bounds
                if from_edge[p] > 0
            ]
            path.append((at.off, binds))
        at = at.parent
    return path[::-1]
