"""Causes ranked by how well they explain what was seen, and those that it cannot tell apart as one.

At most two causes are taken together: one lamp's own and something shared, or two lamps' own.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations
from typing import TYPE_CHECKING, Any, NamedTuple

from sequencer.diagnosis import priors
from sequencer.diagnosis.causes import SUPPLY, Case, Cause, Variant, causes, nothing
from sequencer.diagnosis.likelihood import Reader, later, partings
from sequencer.diagnosis.reader import CLEAN, SOUND

if TYPE_CHECKING:
    from sequencer.diagnosis.causes import Kind

_DIGITS = 9
_Courses = frozenset[tuple[object, float]]
_Known = dict[tuple[object, ...], _Courses]
_ALONE = 24  # groups, the likeliest, that are taken in pairs


class Group(NamedTuple):
    """Causes that what was looked at cannot tell apart, whatever it had shown; the likeliest first."""

    causes: tuple[Cause, ...]

    @property
    def odds(self) -> float:
        """Of any of them."""
        return sum(cause.odds for cause in self.causes)

    @property
    def kinds(self) -> tuple[Kind, ...]:
        """Each kind of cause in it once."""
        return tuple(dict.fromkeys(cause.kind for cause in self.causes))

    @property
    def lamp(self) -> str | None:
        """The lamp whose own this is."""
        return next((cause.lamp for cause in self.causes if cause.lamp is not None), None)


class Explanation(NamedTuple):
    """One group, or two at once, and the probability that this is it.

    ``missed``: by lamp, how many pulses it then most likely missed of the last train; only where some.
    """

    groups: tuple[Group, ...]
    probability: float
    missed: Mapping[str, int] = {}


class Diagnosis(NamedTuple):
    """All explanations, the likeliest first; their probabilities sum to 1. ``reader`` has read the case."""

    explanations: tuple[Explanation, ...]
    reader: Reader

    @property
    def first(self) -> Explanation:
        """The likeliest."""
        return self.explanations[0]

    @property
    def explained(self) -> bool:
        """Whether anything does better than chance."""
        return self.first.groups[0].kinds[0] != "unexplained"


def diagnose(case: Case) -> Diagnosis:
    """Weigh everything that may be wrong against what was seen."""
    reader = Reader(case)
    groups = _groups(reader, [nothing(case), *causes(case)])
    alone = [reader.cause(group.causes[0]) for group in groups]
    weighed: list[tuple[tuple[Group, ...], float]] = []
    weighed += [((group,), group.odds * each) for group, each in zip(groups, alone, strict=True)]
    weighed += _pairs(reader, groups, alone)
    unexplained = Cause("unexplained", priors.UNEXPLAINED, ())
    weighed.append(((Group((unexplained,)),), priors.UNEXPLAINED * reader.anything()))
    total = sum(weight for _, weight in weighed)
    ranked = sorted(weighed, key=lambda each: -each[1])
    found = [Explanation(those, weight / total) for those, weight in ranked if weight > 0]
    told = [each._replace(missed=_missed(reader, each)) for each in found[:3]]
    return Diagnosis((*told, *found[3:]), reader)


def _pairs(
    reader: Reader, groups: Sequence[Group], alone: Sequence[float]
) -> Iterator[tuple[tuple[Group, ...], float]]:
    """Two at once, where both are needed. Of two lamps' own each counts for its lamp; beside a shared cause one's
    own goes before. ``alone``: the likelihood of what was seen with each group by itself.
    """
    fine = groups[0].causes[0].variants[0]
    sound = {lamp: reader.lamp(lamp, fine) for lamp in reader.case.seen}
    base = reader.variant(fine)
    own, shared = [], []
    for group, by_itself in zip(groups[1:], alone[1:], strict=True):
        if group.lamp is None:
            shared.append((group, by_itself))
        else:
            own.append((group, group.lamp, reader.own(group.causes[0]), by_itself))
    own = sorted(own, key=lambda each: -each[0].odds * each[2] / sound[each[1]])[:_ALONE]
    for (one, here, p, first), (two, there, q, second) in combinations(own, 2):
        if here != there:
            both = base * (p / sound[here]) * (q / sound[there])
            if both > priors.NEEDED * max(first, second):
                yield (one, two), one.odds * two.odds * both
    for group, first in shared:
        rest = {lamp: reader.cause(group.causes[0], lamp) for lamp in {lamp for _, lamp, _, _ in own}}
        for each, lamp, p, second in own:
            if "as_built" in group.kinds and SUPPLY.intersection(each.kinds):
                continue  # a bad joint is reckoned on top of what the site file says already
            if rest[lamp] * p > priors.NEEDED * max(first, second):
                yield (group, each), group.odds * each.odds * rest[lamp] * p


# -- which cannot be told apart -----------------------------------------------------------------------


def _groups(reader: Reader, all_causes: Sequence[Cause]) -> list[Group]:
    """Causes of one likelihood over everything that might have been seen; "nothing" and what looks like it first."""
    by: dict[object, list[Cause]] = {}
    known: _Known = {}
    for cause in all_causes:
        by.setdefault(_signature(reader, cause, known), []).append(cause)
    return [
        Group(
            tuple(sorted(those, key=lambda cause: (cause.kind != "nothing", cause.lamp is None, -cause.odds)))
        )
        for those in by.values()
    ]


def _signature(reader: Reader, cause: Cause, known: _Known) -> object:
    """The same for two causes just when they have the same likelihood for all that might have been seen.

    A later look counts from what the earlier one saw.
    """
    case = reader.case
    mixed: dict[tuple[_Courses, ...], float] = {}
    for variant in cause.variants:
        if variant.parts_at and not _quiet(reader, variant):
            return cause.kind  # what all lamps hear at once is like nothing else
        key = tuple(_shows(reader, lamp, variant, known) for lamp in case.seen)
        mixed[key] = mixed.get(key, 0.0) + variant.weight
    moving = [at for at in range(len(case.seen)) if len({key[at] for key in mixed}) > 1]
    if len(moving) == 1:
        at = moving[0]
        one: dict[object, float] = {}
        for key, weight in mixed.items():
            for outcome, chance in key[at]:
                one[outcome] = one.get(outcome, 0.0) + weight * chance
        fixed = next(iter(mixed))
        whole = (*fixed[:at], _rounded(one), *fixed[at + 1 :])
        return frozenset({(whole, 1.0)})
    return frozenset((key, round(weight, _DIGITS)) for key, weight in mixed.items())


def _shows(reader: Reader, lamp: str, variant: Variant, known: _Known) -> _Courses:
    """One lamp: how likely each course of all looks is, with its volts where these were measured."""
    case = reader.case
    stem = variant.stems.get(lamp, case.lamps[lamp])
    hearings = variant.hearings.get(lamp, (SOUND,))
    volts = None
    if lamp in case.measured_v:
        volts = None if variant.volts is None else round(variant.volts.seen.get(lamp, -1.0), _DIGITS)
    if (found := known.get((lamp, stem, hearings, volts))) is not None:
        return found
    courses: dict[object, float] = {}
    for hearing in hearings:
        ways: dict[tuple[str | None, ...], float] = {(): 1 / len(hearings)}
        for place, look in enumerate(case.looks):
            if lamp in look.saw:
                told = reader.named(lamp, look, stem, later(hearing, place))
                ways = {(*way, name): c * p for way, c in ways.items() for name, p in told.items()}
        for way, chance in ways.items():
            courses[(way, volts)] = courses.get((way, volts), 0.0) + chance
    known[(lamp, stem, hearings, volts)] = _rounded(courses)
    return known[(lamp, stem, hearings, volts)]


def _rounded(courses: Mapping[Any, float]) -> _Courses:
    return frozenset((course, round(chance, _DIGITS)) for course, chance in courses.items())


def _quiet(reader: Reader, variant: Variant) -> bool:
    """Whether no lamp that was looked at would show that the contact parted."""
    for look in reader.case.looks:
        for _, parting in partings(variant, look.train):
            for lamp in look.saw:
                stem = reader.case.lamps[lamp]
                with_it = reader.named(lamp, look, stem, SOUND, parting)
                if _rounded(with_it) != _rounded(reader.named(lamp, look, stem, SOUND, CLEAN)):
                    return False
    return True


# -- how many pulses ----------------------------------------------------------------------------------


def _missed(reader: Reader, explanation: Explanation) -> dict[str, int]:
    """By lamp the likeliest number of pulses missed in the last train, where it is too few volts."""
    look = reader.case.looks[-1]
    found: dict[str, int] = {}
    for group in explanation.groups:
        if not SUPPLY.intersection(group.kinds):
            continue
        for lamp, saw in look.saw.items():
            if group.lamp not in (None, lamp) or saw is None:
                continue
            weights: dict[int, float] = {}
            for variant in group.causes[0].variants:
                hearings = variant.hearings.get(lamp, (SOUND,))
                for hearing in hearings:
                    read = reader.counted(lamp, look, reader.case.lamps[lamp], hearing)
                    for (name, missed), chance in read.items():
                        if name == saw and missed:
                            weight = variant.weight * chance / len(hearings)
                            weights[missed] = weights.get(missed, 0.0) + weight
            if weights and saw != look.sent.get(lamp):
                found[lamp] = max(weights, key=lambda missed: weights[missed])
    return found
