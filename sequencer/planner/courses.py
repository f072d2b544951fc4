"""How the types on a circuit can go on over one more break, put together from how each can by itself."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from sequencer.automaton.guards import Effect
from sequencer.planner.belief import NEW, LampType, Move
from sequencer.planner.bound import Distance, Way
from sequencer.planner.breaks import IGNORED, BreakKind
from sequencer.planner.budget import Meter
from sequencer.planner.zone import AT_REST, CLOSED, OLDER, Zone
from sequencer.units import FOREVER_NS

_PLAIN = ((), (CLOSED,))
_FRESH = ((), (NEW,))

Bounds = tuple[tuple[int, int], ...]
"""(point, ns): a break opens at least, or at most, so long after that point."""


class Course(NamedTuple):
    """How some of the types go on over the next break, one entry a type, and when it may open.

    It opens at least ``after`` and at most ``before``. ``number`` stands for all of it (quicker to compare), and
    ``place`` for ``beliefs`` and ``refs``; ``fresh``: none will count from an older closing. Without ``gain`` they
    do no better than without the break. ``wider``: of some type's belief less is followed than there is.
    """

    number: int
    place: int
    beliefs: tuple[int, ...]
    refs: tuple[tuple[int, ...], ...]
    ways: tuple[tuple[Way, ...], ...]
    breaks: int
    after: Bounds
    before: Bounds
    fresh: bool
    gain: bool
    wider: bool


class _Options(NamedTuple):
    """The courses of one type over one kind of break; ``number`` stands for them."""

    number: int
    courses: tuple[Course, ...]


def agree(zone: Zone, after: Bounds, before: Bounds) -> bool:
    """Whether an opening can come after all of ``after`` and still before all of ``before``."""
    for p, most in before:
        for q, least in after:
            if least + zone[q][p] > most:
                return False
    return True


def _in_time(soonest: Sequence[int], before: Bounds) -> bool:
    """Whether a break can open before all of ``before``; ``soonest``: since each point, at the soonest."""
    return all([soonest[p] <= most for p, most in before])


class Courses:
    """All courses from any node of one search; what does not hang on a node's zone is remembered.

    Where every type counts from the latest closing or from long ago (a plain node), only the last check, against
    what binds whatever the types do, hangs on the zone.
    """

    def __init__(
        self,
        types: Sequence[LampType],
        own: Sequence[Distance],
        kinds: Sequence[BreakKind],
        meter: Meter,
    ) -> None:
        self._meter = meter
        self._types = types
        self._own = own
        self._kinds = kinds
        self._plain: dict[tuple[int, ...], Sequence[Course]] = {}
        self._by_kind: dict[tuple[int, int, tuple[int, ...]], list[_Options]] = {}
        self._numbers: dict[object, int] = {}
        self._places: dict[object, int] = {}
        self._pairs: dict[tuple[int, int], Course] = {}
        self._sets: dict[tuple[int, ...], int] = {}

    def over(
        self, beliefs: tuple[int, ...], refs: tuple[tuple[int, ...], ...], zone: Zone, always: Bounds
    ) -> Iterator[tuple[BreakKind, Sequence[Course]]]:
        """For each kind of break, shortest first, the courses over it that do better than no break.

        It opens at least ``always`` after these points.
        """
        plain = len(zone) == OLDER and all([points in _PLAIN for points in refs])
        known = self._plain if plain else {}
        soonest = [max([least + zone[q][p] for q, least in always]) for p in range(len(zone))]
        options = [self._options(i, *own) for i, own in enumerate(zip(beliefs, refs, strict=True))]
        for kind, *each in zip(self._kinds, *options, strict=True):
            together = self._together(each, None if plain else zone, known)
            yield kind, [c for c in together if not c.before or _in_time(soonest, c.before)]

    def _together(
        self, options: Sequence[_Options], zone: Zone | None, known: dict[tuple[int, ...], Sequence[Course]]
    ) -> Sequence[Course]:
        """All courses of the first types with these options; without a ``zone`` those of plain nodes."""
        key = tuple([o.number for o in options])
        found = known.get(key)
        if found is None:
            own = options[-1].courses
            if zone is not None:
                own = tuple([o for o in own if agree(zone, o.after, o.before)])
            if len(options) > 1:
                found = list(self._joined(self._together(options[:-1], zone, known), own, zone or AT_REST))
            else:
                found = own
            if len(options) == len(self._types):
                found = [course for course in found if course.gain]
            known[key] = found
        return found

    def _joined(self, so_far: Sequence[Course], own: Sequence[Course], zone: Zone) -> Iterator[Course]:
        """Each of ``so_far`` with each of one more type's, where a break can open in time for both."""
        pairs = self._pairs
        for o in own:
            self._meter.charge(len(so_far))
            for c in so_far:
                if (not o.before or agree(zone, c.after, o.before)) and (
                    not c.before or agree(zone, o.after, c.before)
                ):
                    key = (c.number, o.number)  # the second tells how many types they are
                    if key not in pairs:
                        pairs[key] = self._pair(c, o)
                    yield pairs[key]

    def _pair(self, c: Course, o: Course) -> Course:
        self._meter.charge(3, 1)
        beliefs, refs = c.beliefs + o.beliefs, c.refs + o.refs
        return Course(
            len(self._pairs),
            self._places.setdefault((beliefs, refs), len(self._places)),
            beliefs,
            refs,
            c.ways + o.ways,
            c.breaks if c.breaks > o.breaks else o.breaks,
            c.after + o.after,
            c.before + o.before,
            c.fresh and o.fresh,
            c.gain or o.gain,
            c.wider or o.wider,
        )

    def _options(self, i: int, belief: int, points: tuple[int, ...]) -> list[_Options]:
        """By kind of break, how type ``i`` by itself can go on over it, whatever the zone."""
        key = (i, belief, points)
        found = self._by_kind.get(key)
        if found is None:
            by_effects: dict[tuple[Effect, ...], _Options] = {}
            for kind in self._kinds:
                effects = kind.effects[i]
                if effects not in by_effects:
                    courses = tuple(self._over(i, belief, points, effects))
                    self._meter.charge(10 + 10 * len(courses), 1 + len(courses))
                    number = self._sets.setdefault(tuple([c.number for c in courses]), len(self._sets))
                    by_effects[effects] = _Options(number, courses)
            found = self._by_kind[key] = [by_effects[kind.effects[i]] for kind in self._kinds]
        return found

    def _over(
        self, i: int, belief: int, points: tuple[int, ...], effects: tuple[Effect, ...]
    ) -> Iterator[Course]:
        if effects == IGNORED:
            moves: Sequence[Move] = self._types[i].ridden(belief)
        else:
            moves = self._types[i].moves(belief, effects)
        for move in moves:
            if self._own[i].ways(move.belief):
                refs = tuple([NEW if age < 0 else points[age] for age in move.left])
                after = tuple(zip(points, move.least_ns, strict=False))
                before = tuple([b for b in zip(points, move.most_ns, strict=False) if b[1] < FOREVER_NS])
                yield self._own_course(i, (belief, points), move.belief, refs, after, before)

    def _own_course(
        self,
        i: int,
        here: tuple[int, tuple[int, ...]],
        belief: int,
        refs: tuple[int, ...],
        after: Bounds = (),
        before: Bounds = (),
    ) -> Course:
        """The course of one type by itself, from a belief and the points that it counts from."""
        own = self._own[i]
        lamp = self._types[i]
        awake = after[:1] >= ((here[1][0], lamp.noticed_ns),) if here[1] else True
        needs = lamp.serves(here[0], belief, awake=awake)
        gain = needs is None
        for age, its_age, alike in needs or ():
            point, its_point = refs[age], here[1][its_age]
            if point != its_point and (alike or point > its_point):  # the newest first, and NEW before them
                gain = True
        return Course(
            self._numbers.setdefault((i, belief, refs, after, before, gain), len(self._numbers)),
            self._places.setdefault(((belief,), (refs,)), len(self._places)),
            (belief,),
            (refs,),
            (own.ways(belief),),
            own.breaks(belief),
            after,
            before,
            refs in _FRESH,
            gain,
            belief in self._types[i].wider,
        )
