"""How likely what was seen is, if some cause is at work."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from itertools import combinations
from typing import TYPE_CHECKING

from sequencer.automaton.behaviour import ANY_SCENE, Behaviour, behaviour
from sequencer.diagnosis import priors
from sequencer.diagnosis.reader import CLEAN, SOUND, Hearing, Parting, read
from sequencer.diagnosis.wiring import dark_at, volts

if TYPE_CHECKING:
    from sequencer.diagnosis.causes import Case, Cause, Look, Variant
    from sequencer.train import Train

Shown = Mapping[str | None, float]
"""How likely each scene's name is; None is dark."""

_PARTINGS = 2
"""A contact that parts at more closings than this in one train is not followed: it is the same cause by then."""
_ANY_V = 20.0  # volts that are explained by nothing lie anywhere up to this
_GUESSED = 0.04  # of its least volts: how near to its volts a lamp is where no supply is known


class Reader:
    """Readings of a case's lamps, each worked out once."""

    def __init__(self, case: Case) -> None:
        self.case = case
        self._built = None if case.feed is None else volts(case.feed, case.watts_seen())
        self._acts: dict[str, Behaviour] = {}
        self._read: dict[tuple[object, ...], dict[tuple[str | None, int], float]] = {}
        self._seen: dict[tuple[str, str, tuple[Hearing, ...]], float] = {}
        self._named: dict[tuple[object, ...], dict[str | None, float]] = {}

    def space(self, lamp: str) -> tuple[str | None, ...]:
        """All that a lamp of the believed type may be seen on."""
        sheet = self.case.sheets[self.case.lamps[lamp]]
        return (None, *(scene.name for scene in sheet.scenes))

    def counted(
        self, lamp: str, look: Look, stem: str, hearing: Hearing = SOUND, parting: Parting = CLEAN
    ) -> dict[tuple[str | None, int], float]:
        """How likely each (scene's name, pulses missed) is, as the lamp shows it."""
        start = look.starts.get(lamp)
        key = (stem, id(look), start, hearing, parting)
        if key not in self._read:
            sheet = self.case.sheets[stem]
            if stem not in self._acts:
                self._acts[stem] = behaviour(sheet, 0.0)
            act = self._acts[stem]
            known = None if start is None else sheet.scene_by_name(start)
            code = known.code if known else ANY_SCENE
            found = read(act, look.train, code, hearing, parting, dark_before=look.dark_before)
            names: dict[int | None, str | None] = {scene.code: scene.name for scene in sheet.scenes}
            self._read[key] = {(names.get(code), missed): p for (code, missed), p in found.items()}
        return self._read[key]

    def named(
        self, lamp: str, look: Look, stem: str, hearing: Hearing = SOUND, parting: Parting = CLEAN
    ) -> dict[str | None, float]:
        """How likely a person is to name each scene: mostly the one that is shown."""
        key = (self.case.lamps[lamp], stem, id(look), look.starts.get(lamp), hearing, parting)
        if (told := self._named.get(key)) is None:
            space = self.space(lamp)
            told = dict.fromkeys(space, priors.MISREAD / len(space))
            for (name, _), chance in self.counted(lamp, look, stem, hearing, parting).items():
                told[name] = told.get(name, priors.MISREAD / len(space)) + chance * (1 - priors.MISREAD)
            self._named[key] = told
        return told

    def saw(self, lamp: str, look: Look, stem: str, hearing: Hearing, parting: Parting = CLEAN) -> float:
        """How likely it is to be named as it was."""
        told = self.named(lamp, look, stem, hearing, parting)
        return told.get(look.saw[lamp], priors.MISREAD / len(self.space(lamp)))

    # -- one lamp, one variant ---------------------------------------------------------------------

    def lamp(self, lamp: str, variant: Variant) -> float:
        """All that was seen of one lamp, where the contact does not part."""
        stem = variant.stems.get(lamp, self.case.lamps[lamp])
        hearings = variant.hearings.get(lamp, (SOUND,))
        return self._looked(lamp, stem, hearings) * self.measured(lamp, variant)

    def _looked(self, lamp: str, stem: str, hearings: tuple[Hearing, ...]) -> float:
        """What was seen of one lamp, if it hears in one of these ways, each as likely."""
        if (known := self._seen.get((lamp, stem, hearings))) is not None:
            return known
        seen = 0.0
        for hearing in hearings:
            product = 1.0
            for place, look in enumerate(self.case.looks):
                if lamp in look.saw:
                    product *= self.saw(lamp, look, stem, later(hearing, place))
            seen += product / len(hearings)
        self._seen[lamp, stem, hearings] = seen
        return seen

    def measured(self, lamp: str, variant: Variant) -> float:
        """The density (1/V) of what was measured at one lamp; 1 where nothing was."""
        if (reading := self.case.measured_v.get(lamp)) is None:
            return 1.0
        slip = priors.MISREAD / _ANY_V  # a wrong range, another lamp's terminals
        electrical = self.case.sheets[self.case.lamps[lamp]].electrical
        if variant.volts is not None and lamp in variant.volts.seen:
            wide, predicted = priors.METER_V, variant.volts.seen[lamp]
            sheet = self.case.sheets[self.case.lamps[lamp]]
            if self.case.feed is None and dark_at(sheet, predicted):  # anything too little for light
                return slip + (reading <= predicted) / predicted
            if variant.volts.extra_ohm and self._built is not None:
                lost_v = self._built.seen[lamp] - variant.volts.seen[lamp]
                wide = math.hypot(wide, priors.OHM_STEP * lost_v)
            if self.case.feed is None and electrical is not None:
                wide = math.hypot(wide, _GUESSED * electrical.volts[0])
            return slip + _normal(reading - variant.volts.seen[lamp], wide)
        if electrical is None:
            return 1 / _ANY_V
        low, high = electrical.volts
        beyond = max(low - reading, reading - high, 0.0)
        inside = 1 / (high - low + math.sqrt(2 * math.pi) * priors.METER_V)
        return slip + inside * math.exp(-0.5 * (beyond / priors.METER_V) ** 2)

    # -- all lamps, one cause ----------------------------------------------------------------------

    def variant(self, variant: Variant, without: str | None = None) -> float:
        """All that was seen, save of one lamp."""
        lamps = [lamp for lamp in self.case.seen if lamp != without]
        if not variant.parts_at:
            return math.prod(self.lamp(lamp, variant) for lamp in lamps)
        product = math.prod(self.measured(lamp, variant) for lamp in lamps)
        for look in self.case.looks:
            product *= sum(
                chance
                * math.prod(
                    self.saw(lamp, look, self.case.lamps[lamp], SOUND, parting)
                    for lamp in lamps
                    if lamp in look.saw
                )
                for chance, parting in partings(variant, look.train)
            )
        return product

    def cause(self, cause: Cause, without: str | None = None) -> float:
        """All that was seen, however bad it is."""
        return sum(variant.weight * self.variant(variant, without) for variant in cause.variants)

    def own(self, cause: Cause) -> float:
        """What was seen of the one lamp whose own this is."""
        assert cause.lamp is not None
        return sum(variant.weight * self.lamp(cause.lamp, variant) for variant in cause.variants)

    def anything(self) -> float:
        """All that was seen, if each lamp is as likely to be on anything at all as to be sound."""
        product = 1.0
        for lamp in self.case.seen:
            stem, space = self.case.lamps[lamp], self.space(lamp)
            for look in self.case.looks:
                if lamp in look.saw:
                    product *= 0.5 * self.saw(lamp, look, stem, SOUND) + 0.5 / len(space)
            product *= 1 / _ANY_V if lamp in self.case.measured_v else 1.0
        return product


def later(hearing: Hearing, place: int) -> Hearing:
    """As a lamp hears in a later train: what it had been counting before the first is over."""
    return hearing._replace(pending=0, had_s=None) if place and hearing.had_s is not None else hearing


def partings(variant: Variant, train: Train) -> Iterator[tuple[float, Parting]]:
    """At which closings the contact may part again, and how likely that is; what is not followed is left out."""
    count, chance = len(train.pulses), variant.parts_at
    most = min(_PARTINGS, count)
    each = [chance**parted * (1 - chance) ** (count - parted) for parted in range(most + 1)]
    followed = sum(math.comb(count, parted) * share for parted, share in enumerate(each))
    for parted, share in enumerate(each):
        for closings in combinations(range(count), parted):
            yield share / followed, Parting(closings, *variant.part) if closings else CLEAN


def _normal(off: float, wide: float) -> float:
    return math.exp(-0.5 * (off / wide) ** 2) / (wide * math.sqrt(2 * math.pi))
