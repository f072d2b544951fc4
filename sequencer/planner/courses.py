"""How the types on a circuit can go on over one more break, put together from how each can by itself."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from sequencer.automaton.guards import Effect
from sequencer.planner.belief import NEW, LampType
from sequencer.planner.bound import Distance, Way
from sequencer.planner.breaks import IGNORED, BreakKind
from sequencer.planner.zone import CLOSED, OLDER, Zone
from sequencer.units import FOREVER_NS

_PLAIN = ((), (CLOSED,))
_FRESH = ((), (NEW,))

Bounds = tuple[tuple[int, int], ...]
"""(point, ns): a break opens at least, or at most, so long after that point."""


class Course(NamedTuple):
    """How some of the types go on over the next break, one entry a type, and when it may open.

    It opens at least ``after`` and at most ``before``. ``numbers`` stand for all of it (quicker to compare);
    ``fresh``: none will count from an older closing. Without ``gain`` they do no better than without the break.
    """

    beliefs: tuple[int, ...] = ()
    refs: tuple[tuple[int, ...], ...] = ()
    ways: tuple[tuple[Way, ...], ...] = ()
    breaks: int = 0
    after: Bounds = ()
    before: Bounds = ()
    numbers: tuple[int, ...] = ()
    fresh: bool = True
    gain: bool = False


_NOBODY = [Course()]


def agree(zone: Zone, after: Bounds, before: Bounds) -> bool:
    """Whether an opening can come after all of ``after`` and still before all of ``before``."""
    for p, most in before:
        for q, least in after:
            if least + zone[q][p] > most:
                return False
    return True


class _Here(NamedTuple):
    """The node that courses start from; ``plain``: all types count from the latest closing or from long ago."""

    beliefs: tuple[int, ...]
    refs: tuple[tuple[int, ...], ...]
    zone: Zone
    plain: bool


class Courses:
    """All courses from any node of one search; what does not hang on a node's zone is remembered."""

    def __init__(
        self, types: Sequence[LampType], own: Sequence[Distance], kinds: Sequence[BreakKind], always: Bounds
    ) -> None:
        self._types = types
        self._own = own
        self._kinds = kinds
        self._always = always
        numbers: dict[object, int] = {}
        self._prefixes = [
            tuple([numbers.setdefault(kind.effects[: n + 1], len(numbers)) for n in range(len(types))])
            for kind in kinds
        ]
        self._plain: dict[object, list[Course]] = {}
        self._known_options: dict[object, list[Course]] = {}
        self._numbers: dict[object, int] = {}

    def over(
        self, beliefs: tuple[int, ...], refs: tuple[tuple[int, ...], ...], zone: Zone
    ) -> Iterator[tuple[BreakKind, list[Course]]]:
        """For each kind of break, shortest first, the courses over it that do better than no break."""
        here = _Here(beliefs, refs, zone, len(zone) == OLDER and all([points in _PLAIN for points in refs]))
        memory: dict[int, list[Course]] = {}
        for kind, prefixes in zip(self._kinds, self._prefixes, strict=True):
            found = self._first(here, kind.effects, prefixes, memory)
            if here.plain:  # else it is seen to with each option
                found = [c for c in found if not c.before or agree(zone, self._always, c.before)]
            yield kind, found

    def _first(
        self,
        here: _Here,
        effects: tuple[tuple[Effect, ...], ...],
        prefixes: tuple[int, ...],
        memory: dict[int, list[Course]],
    ) -> list[Course]:
        """All courses of the first types over a break with these effects on them, which ``prefixes`` number.

        Where every type counts from the latest closing or from long ago (``plain``), they do not hang on
        the zone, and those of fewer than all types are remembered for the whole search.
        """
        n, everyone = len(effects), len(self._types)
        if n == 0:
            return _NOBODY
        number = prefixes[n - 1]
        found = memory.get(number)
        if found is not None:
            return found
        key = None
        if here.plain and n < everyone:
            key = (number, here.beliefs[:n], here.refs[:n])
            found = self._plain.get(key)
        if found is None:
            zone = here.zone
            options = self._options(here, n - 1, effects[-1])
            if not here.plain:
                options = [
                    own
                    for own in options
                    if not own.before
                    or (agree(zone, own.after, own.before) and agree(zone, self._always, own.before))
                ]
            so_far = self._first(here, effects[:-1], prefixes, memory)
            found = [
                Course(
                    course.beliefs + own.beliefs,
                    course.refs + own.refs,
                    course.ways + own.ways,
                    course.breaks if course.breaks > own.breaks else own.breaks,
                    course.after + own.after,
                    course.before + own.before,
                    course.numbers + own.numbers,
                    course.fresh and own.fresh,
                    course.gain or own.gain,
                )
                for own in options
                for course in so_far
                if (n < everyone or course.gain or own.gain)
                and (not own.before or agree(zone, course.after, own.before))
                and (not course.before or agree(zone, own.after, course.before))
            ]
            if key is not None:
                self._plain[key] = found
        memory[number] = found
        return found

    def _options(self, here: _Here, i: int, effects: tuple[Effect, ...]) -> list[Course]:
        """How type ``i`` by itself can go on over a break with these effects, whatever the zone."""
        belief, points = here.beliefs[i], here.refs[i]
        key = (i, belief, points, effects)
        found = self._known_options.get(key)
        if found is not None:
            return found
        if effects == IGNORED:
            found = [self._option(i, here, belief, points)]
        else:
            found = []
            for move in self._types[i].moves(belief, effects):
                refs = tuple([NEW if age < 0 else points[age] for age in move.left])
                after = tuple(zip(points, move.least_ns, strict=True))
                before = tuple([b for b in zip(points, move.most_ns, strict=True) if b[1] < FOREVER_NS])
                option = self._option(i, here, move.belief, refs, after, before)
                if option.ways[0]:
                    found.append(option)
        self._known_options[key] = found
        return found

    def _option(
        self, i: int, here: _Here, belief: int, refs: tuple[int, ...], after: Bounds = (), before: Bounds = ()
    ) -> Course:
        """The course of one type by itself."""
        own = self._own[i]
        number = self._numbers.setdefault((i, belief, refs, after, before), len(self._numbers))
        needs = self._types[i].serves(here.beliefs[i], belief)
        gain = needs is None
        for age, its_age, alike in needs or ():
            point, its_point = refs[age], here.refs[i][its_age]
            if point != its_point and (alike or point > its_point):  # the newest first, and NEW before them
                gain = True
        return Course(
            (belief,),
            (refs,),
            (own.ways(belief),),
            own.breaks(belief),
            after,
            before,
            (number,),
            refs in _FRESH,
            gain,
        )
