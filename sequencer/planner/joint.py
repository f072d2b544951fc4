"""The joint search: one train for all types of lamp on a circuit.

A node is the moment a break ends: for each type its condensed belief, and the zone of times between the
breaks that those beliefs still count from. Its promise is the longest, over the types, of the earliest time
of that type's latest break plus what the type alone still needs (:mod:`~sequencer.planner.bound`).

Children are made cheaply (beliefs from memoised steps, times only from below) and get their zone when they
are popped, which many never are. A node is dropped when one has been admitted that serves for it
(:mod:`~sequencer.planner.covering`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import NamedTuple

from sequencer.planner.belief import NEW, LampType
from sequencer.planner.bound import UNREACHABLE, Distance, Way
from sequencer.planner.breaks import IGNORED, break_kinds, worth_making
from sequencer.planner.budget import Budget, Meter
from sequencer.planner.courses import Bounds, Course, Courses
from sequencer.planner.covering import Admitted, Made, Moment
from sequencer.planner.pairs import PairBound
from sequencer.planner.search import Promise
from sequencer.planner.zone import AT_REST, CLOSED, FREE, OLDER, OPENED, START, Zone, advance, without


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
        "dark",
        "finished",
        "heard",
        "off",
        "opened",
        "origins",
        "parent",
        "promise",
        "refs",
        "zone",
    )

    def __init__(
        self, parent: JointNode | None, promise: Promise, beliefs: tuple[int, ...], breaks: int, dark: int
    ) -> None:
        self.parent = parent
        self.promise = promise
        self.beliefs = beliefs
        self.breaks = breaks
        self.dark = dark
        self.finished = False
        self.heard = False
        self.admitted = False
        self.opened = 0
        self.off = (0, 0)
        self.after: tuple[tuple[int, int], ...] = ()
        self.before: tuple[tuple[int, int], ...] = ()
        self.refs: tuple[
            tuple[int, ...], ...
        ] = ()  # by type and age: a point of the zone (until admitted, the parent's)
        self.zone: Zone = AT_REST
        self.origins: tuple[int, ...] = ()  # by point of the zone: the number of its break


class JointProblem:
    """The types on one circuit, where their beliefs start, and what the search asks (search.Problem).

    ``haste`` above 1 makes the way still ahead weigh that many times more: the first finish comes sooner
    and is no longer the best. ``noticed_ns``: the least supply after a break that every type may notice
    (see :func:`~sequencer.planner.plan.least_noticed_ns`).
    """

    def __init__(
        self,
        types: Sequence[LampType],
        start: Sequence[int],
        limits: Limits,
        own: Sequence[Distance],
        pairs: Sequence[PairBound] = (),
        haste: int = 1,
        noticed_ns: int = 0,
        meter: Meter | None = None,
    ) -> None:
        self._meter = meter or Meter(Budget())
        self.types = tuple(types)
        self.start = tuple(start)
        self.limits = limits
        self.kinds = worth_making(
            break_kinds([t.behaviour for t in types], limits.max_dark_ns), limits.cycle_ns - limits.contact_ns
        )
        self.own = tuple(own)
        self.pairs = tuple(pairs)
        self.haste = haste
        self.admitted = Admitted(self.types, limits.cycle_ns, limits.contact_ns)
        self._always = ((START, 0), (OPENED, limits.cycle_ns), (CLOSED, limits.contact_ns))
        self._parted = (*self._always, (CLOSED, noticed_ns))
        self._parts = noticed_ns > limits.contact_ns
        self._courses = Courses(self.types, self.own, self.kinds, self._meter)
        self.unsure_ns = UNREACHABLE
        """Trains that end before this may have been lost, by following less of a belief than there is."""
        self._made = Made(limits.cycle_ns, limits.contact_ns)

    def roots(self) -> Iterable[JointNode]:
        root = JointNode(None, (0, 0, 0), self.start, 0, 0)
        root.refs = tuple(() for _ in self.types)
        root.origins = (0, 0, 0)
        root.admitted = True
        root.finished = all(t.finish(b) == () for t, b in zip(self.types, self.start, strict=True))
        if root.finished or all(own.ways(b) for own, b in zip(self.own, self.start, strict=True)):
            opened, closed = (
                -self.limits.cycle_ns,
                -self.limits.contact_ns,
            )  # just late enough to bind nothing
            zone: Zone = ((0, FREE, FREE), (opened, 0, FREE), (closed, FREE, 0))
            self.admitted.add(Moment(root.beliefs, root.refs, zone, 0))
            yield root

    def admit(self, node: JointNode) -> JointNode | None:
        if node.admitted:
            return node
        self._make_zone(node)
        zone = node.zone
        moment = Moment(node.beliefs, node.refs, zone, node.breaks, node.heard)
        if self.admitted.covered(moment):
            return None
        self.admitted.add(moment)
        node.admitted = True
        opened, closed = zone[OPENED][START], zone[CLOSED][START]
        at = [zone[points[0]][START] if points else closed for points in node.refs]
        ways = [own.ways(belief) for own, belief in zip(self.own, node.beliefs, strict=True)]
        breaks = max([own.breaks(belief) for own, belief in zip(self.own, node.beliefs, strict=True)])
        self._note_wider(node.beliefs, ways, at, opened, closed)
        total = self._total(ways, at, opened, closed)
        if total >= UNREACHABLE:
            return None
        for pair in self.pairs:
            total = pair.promise(moment, total)
        node.promise = max(node.promise, (total, node.breaks + breaks, node.dark))
        return node

    def successors(self, node: JointNode) -> Iterable[JointNode]:
        end = self._end(node)
        if end is not None:
            done = JointNode(node, (end, node.breaks, node.dark), node.beliefs, node.breaks, node.dark)
            done.finished = True
            yield done
        # The breaks of a course so far (least, most), up to the last kind.
        open_: dict[tuple[int, bool], tuple[Course, int, int]] = {}
        always = self._parted if node.heard else self._always
        for kind, courses in self._courses.over(node.beliefs, node.refs, node.zone, always):
            wider: dict[tuple[int, bool], tuple[Course, int, int]] = {}
            heard = self._parts and IGNORED not in kind.effects
            for course in courses:
                key = (course.number, heard)
                least = kind.first_ns
                if key in open_ and open_[key][2] == least:
                    least = open_.pop(key)[1]
                wider[key] = (course, least, kind.last_ns)
            yield from self._children(node, open_, always)
            open_ = wider
        yield from self._children(node, open_, always)

    def _children(
        self, node: JointNode, ways_on: Mapping[tuple[int, bool], tuple[Course, int, int]], always: Bounds
    ) -> Iterator[JointNode]:
        """The nodes after breaks of these lengths (least, most), less those that are nothing new."""
        zone = node.zone
        is_new = self._made.is_new
        breaks = node.breaks
        soonest = max([needs + zone[p][START] for p, needs in always])
        for (_, heard), (course, least, most) in ways_on.items():
            opened = soonest
            for p, needs in course.after:
                at_least = needs + zone[p][START]
                if at_least > opened:
                    opened = at_least
            closed = opened + least
            if course.wider:
                at = [closed if not ps or ps[0] == NEW else zone[ps[0]][START] for ps in course.refs]
                self._note_wider(course.beliefs, course.ways, at, opened, closed)
            if course.fresh and not is_new((course.place, heard), opened, closed, most, breaks):
                continue  # those that count from older closings are left to admit
            at = [closed if not ps or ps[0] == NEW else zone[ps[0]][START] for ps in course.refs]
            total = self._total(course.ways, at, opened, closed)
            dark = node.dark + least
            promise: Promise = (total, breaks + 1 + course.breaks, dark)
            if self.haste == 1:
                promise = promise if promise > node.promise else node.promise
            self._meter.charge(10, 1)
            child = JointNode(node, promise, course.beliefs, breaks + 1, dark)
            child.refs = course.refs
            child.opened = opened
            child.off = (least, most)
            child.heard = heard
            child.after, child.before = course.after + always, course.before
            yield child

    def _note_wider(
        self,
        beliefs: Sequence[int],
        ways: Sequence[tuple[Way, ...]],
        at: Sequence[int],
        opened: int,
        closed: int,
    ) -> None:
        """Remember when a train could end at the earliest after a moment of which less is followed than there is."""
        wider = [belief in lamp.wider for lamp, belief in zip(self.types, beliefs, strict=True)]
        if any(wider):
            known = [(Way(0, 0),) if is_wider else own for is_wider, own in zip(wider, ways, strict=True)]
            haste, self.haste = self.haste, 1
            self.unsure_ns = min(self.unsure_ns, self._total(known, at, opened, closed))
            self.haste = haste

    def _total(self, ways: Sequence[tuple[Way, ...]], at: Sequence[int], opened: int, closed: int) -> int:
        """What no finish can beat: for each type its ways on, and the closing it counts from, earliest."""
        next_opening = max(opened + self.limits.cycle_ns, closed + self.limits.contact_ns)
        total = 0
        ahead = 0
        for own, latest in zip(ways, at, strict=True):
            needs = UNREACHABLE
            for on, rest in own:
                opening = latest + on
                end = (opening if opening > next_opening else next_opening) + rest
                if rest == 0:
                    end = max(opening, opened + self.limits.cycle_ns, closed)
                if end < needs:
                    needs = end
            if needs > total:
                total = needs
            ahead += needs - closed
        return total if self.haste == 1 else closed + self.haste * ahead

    def _make_zone(self, node: JointNode) -> None:
        parent, off = node.parent, node.off
        assert parent is not None
        keep = sorted({p for points in node.refs for p in points if p != NEW})
        if not keep:
            opened, (least, most) = node.opened, off
            node.zone = ((0, FREE, FREE), (opened, 0, -most), (opened + least, least, 0))
            node.refs = tuple([(CLOSED,) if points else () for points in node.refs])
            node.origins = (0, node.breaks, node.breaks)
            return
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
        limits = self.limits
        end = max(zone[CLOSED][START] + limits.contact_ns, zone[OPENED][START] + limits.cycle_ns)
        for lamp, belief, points in zip(self.types, node.beliefs, node.refs, strict=True):
            waits = lamp.finish(belief)
            if waits is None:
                return None
            if points:
                end = max(end, zone[points[0]][START] + lamp.noticed_ns)
            for age in waits:
                end = max(end, zone[points[age]][START] + lamp.settled_ns)
        return end if node.parent is not None else None


def breaks_of(node: JointNode) -> list[tuple[tuple[int, int], list[Bind]]]:
    """The breaks that led to a node, first to last, and what binds each opening to earlier edges."""
    path = []
    at: JointNode | None = node
    while at is not None and at.parent is not None:
        if not at.finished:
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
