"""What may be wrong on a circuit: every cause with its odds, and what it makes of each lamp.

A cause is one lamp's own (``lamp``), or shared. It has variants, for it is never known how bad it is; within
a variant the lamps' readings are independent of each other, save for a contact that parts, which all of them see.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Literal, NamedTuple

from sequencer.diagnosis import priors
from sequencer.diagnosis.reader import SOUND, Hearing
from sequencer.diagnosis.wiring import Volts, hearing_at, volts

if TYPE_CHECKING:
    from sequencer.datasheet import Datasheet
    from sequencer.supply.feed import Feed
    from sequencer.train import Train

DARK = None
"""What a lamp that gives no light is seen on."""

Kind = Literal[
    "nothing", "cord", "dead", "stuck", "ride_through", "weak", "other_type", "clock",
    "run", "tap", "volts", "as_built", "bounce", "start", "unexplained",
]  # fmt: skip
SUPPLY: frozenset[Kind] = frozenset({"cord", "run", "tap", "volts", "as_built"})
"""Causes that are too few volts, whatever makes them few."""


class Look(NamedTuple):
    """A train that was sent, and what was then seen.

    ``sent`` and ``starts``: by lamp the name of the scene it was to end on, and of the one it was known to be on.
    ``saw``: by lamp a scene's name, or DARK; lamps that were not looked at are left out. ``dark_before``: the lamps
    came from a long time without supply.
    """

    train: Train
    sent: Mapping[str, str]
    saw: Mapping[str, str | None]
    starts: Mapping[str, str | None] = {}
    dark_before: bool = False


class Case(NamedTuple):
    """Everything that is known: lamps (by name, their datasheet's stem), looks in order, and what was measured.

    ``sheets``: by stem, the site's and any others that a lamp may be of. ``measured_v``: RMS at a lamp's
    terminals, after the last look. ``feed``: None where the site says nothing of the supply.
    """

    lamps: Mapping[str, str]
    sheets: Mapping[str, Datasheet]
    looks: tuple[Look, ...]
    measured_v: Mapping[str, float] = {}
    feed: Feed | None = None

    @property
    def seen(self) -> tuple[str, ...]:
        """The lamps that anything is known of, in the site's order."""
        known = {lamp for look in self.looks for lamp in look.saw} | set(self.measured_v)
        return tuple(lamp for lamp in self.lamps if lamp in known)

    def stems_seen(self) -> tuple[str, ...]:
        """The types of these."""
        return tuple(dict.fromkeys(self.lamps[lamp] for lamp in self.seen))

    def watts_seen(self) -> dict[str, float]:
        """What each lamp's last seen scene draws, where that is known."""
        found = {}
        for look in self.looks:
            for lamp, name in look.saw.items():
                scene = None if name is None else self.sheets[self.lamps[lamp]].scene_by_name(name)
                if scene is not None and scene.watts is not None:
                    found[lamp] = scene.watts
        return found


class Variant(NamedTuple):
    """One way in which a cause may be: how lamps hear (those not named are sound), and their volts.

    ``hearings``: by lamp, each as likely, whatever the others'. ``stems``: lamps of another type. ``parts_at``,
    ``part``: at each closing the contact parts with this chance, and how (touch, gap).
    """

    weight: float
    hearings: Mapping[str, tuple[Hearing, ...]] = {}
    stems: Mapping[str, str] = {}
    volts: Volts | None = None
    parts_at: float = 0.0
    part: tuple[float, float] = (0.0, 0.0)


class Cause(NamedTuple):
    """``where``: the lamp, run, type or tap; ``lamp``: the one lamp whose own it is; ``other``: what it is instead.

    ``how``: where a cause is of several that show differently, which one: "dark", "deaf" (it takes nothing),
    "misses" (some pulses), "unharmed"; or the longest break that a lamp rides through, in seconds.
    """

    kind: Kind
    odds: float
    variants: tuple[Variant, ...]
    where: str = ""
    lamp: str | None = None
    other: str = ""
    how: str = ""


def nothing(case: Case) -> Cause:
    """The hypothesis that all is as it should be."""
    return Cause("nothing", 1.0, (Variant(1.0, volts=_as_built(case)),))


def causes(case: Case) -> Iterator[Cause]:
    """Everything that may be wrong and bears on a lamp that was looked at."""
    base = _as_built(case)
    for lamp in case.seen:
        yield from _own(case, lamp, base)
    yield from _supply(case, base)
    for stem in case.stems_seen():
        those = [lamp for lamp, of in case.lamps.items() if of == stem]
        if len(those) > 1:
            for other in _others(case, stem):
                odds = priors.TYPE["other_type"] / len(_others(case, stem))
                variant = Variant(1.0, stems=dict.fromkeys(those, other), volts=base)
                yield Cause("other_type", odds, (variant,), where=stem, other=other)
    yield from _contact(case, base)


def _own(case: Case, lamp: str, base: Volts | None) -> Iterator[Cause]:
    stem = case.lamps[lamp]
    sheet = case.sheets[stem]
    hearings: dict[Kind, list[Hearing]] = {
        "dead": [Hearing(dark=True)],
        "stuck": [Hearing(stuck=True)],
        "weak": [Hearing(holds_s=priors.HOLDS_S, needs=part) for part in priors.NEEDS],
        "clock": [Hearing(pace=pace) for pace in priors.PACES if abs(pace - 1) > sheet.lamp.clock_tolerance],
    }
    for kind, each in hearings.items():
        if each:
            yield Cause(kind, priors.LAMP[kind], (Variant(1.0, {lamp: tuple(each)}, volts=base),), lamp, lamp)
    for times in priors.RIDES:
        rides = Variant(1.0, {lamp: (Hearing(rides_s=sheet.off.pulse[0] * times),)}, volts=base)
        odds, how = priors.LAMP["ride_through"] / len(priors.RIDES), f"{sheet.off.pulse[0] * times:.2g}"
        yield Cause("ride_through", odds, (rides,), lamp, lamp, how=how)
    variants = _short(case, (lamp,)) if case.feed is None else _joints(case, lamp)
    yield from _parted("cord", priors.LAMP["cord"], tuple(variants), lamp, lamp)
    others = _others(case, stem)
    for other in others:
        variant = Variant(1.0, stems={lamp: other}, volts=base)
        yield Cause("other_type", priors.LAMP["other_type"] / len(others), (variant,), lamp, lamp, other)


def _parted(kind: Kind, odds: float, variants: tuple[Variant, ...], where: str, lamp: str) -> Iterator[Cause]:
    """Too few volts at one lamp, by what it then does: a lamp that is dark says less than one that misses pulses."""
    by: dict[str, list[Variant]] = {}
    for variant in variants:
        hearings = variant.hearings[lamp]
        for hearing in hearings:
            one = {**variant.hearings, lamp: (hearing,)}
            part = variant._replace(weight=variant.weight / len(hearings), hearings=one)
            by.setdefault(_how(hearing), []).append(part)
    for how, parts in by.items():
        share = sum(part.weight for part in parts)
        each = tuple(part._replace(weight=part.weight / share) for part in parts)
        yield Cause(kind, odds * share, each, where, lamp if kind == "cord" else None, how=how)


def _how(hearing: Hearing) -> str:
    if hearing.dark:
        return "dark"
    return "unharmed" if not hearing.misses else "deaf" if hearing.misses >= 1 else "misses"


def _others(case: Case, stem: str) -> list[str]:
    return [other for other in case.sheets if other != stem]


def _supply(case: Case, base: Volts | None) -> Iterator[Cause]:
    if case.feed is None:
        yield Cause("volts", priors.CIRCUIT["volts"], tuple(_short(case, tuple(case.lamps))))
        return
    assert base is not None
    built = _variant(case, base, 1.0)
    if any(each != (SOUND,) for each in built.hearings.values()):
        yield Cause("as_built", priors.CIRCUIT["as_built"], (built,))
    taps = [tap.volts for tap in case.feed.supply.transformer.taps]
    others = [tap for tap in taps if tap != case.feed.supply.transformer.tap]
    for tap in others:
        variant = _variant(case, volts(case.feed, case.watts_seen(), tap_v=tap), 1.0)
        yield Cause("tap", priors.CIRCUIT["tap"] / len(others), (variant,), f"{tap:g} V", other=f"{tap:g}")
    for run in case.feed.supply.runs:
        variants = tuple(_joints(case, run.to))
        fed = _fed(case.feed, run.to)
        if len(fed) == 1:
            yield from _parted("run", priors.RUN["run"], variants, run.to, fed[0])
        else:
            yield Cause("run", priors.RUN["run"], variants, run.to)


def _fed(feed: Feed, node: str) -> list[str]:
    """The lamps behind a node."""
    found = [cord.name for cord in feed.supply.lamps if cord.node == node]
    for run in feed.supply.runs:
        if run.start == node:
            found += _fed(feed, run.to)
    return found


def _joints(case: Case, at: str) -> Iterator[Variant]:
    """More ohms in one run or cord."""
    assert case.feed is not None
    share = (1 - priors.PARTED) / len(priors.EXTRA_OHM)
    for ohm, weight in [*((ohm, share) for ohm in priors.EXTRA_OHM), (priors.PARTED_OHM, priors.PARTED)]:
        yield _variant(case, volts(case.feed, case.watts_seen(), at=at, extra_ohm=ohm), weight)


def _variant(case: Case, found: Volts, weight: float) -> Variant:
    """These volts, for lamps that bear them better or worse."""
    hearings = {lamp: _at(case.sheets[stem], found.full[lamp]) for lamp, stem in case.lamps.items()}
    return Variant(weight, hearings, volts=found)


def _at(sheet: Datasheet, volts: float) -> tuple[Hearing, ...]:
    found = tuple(hearing_at(sheet, volts, softness) for softness in priors.SOFTNESS)
    return found[:1] if len(set(found)) == 1 else found


def _short(case: Case, lamps: tuple[str, ...]) -> Iterator[Variant]:
    """Too few volts at these lamps, where nothing is known of the supply."""
    for part in priors.SHORTFALL:
        hearings: dict[str, tuple[Hearing, ...]] = {}
        found = {}
        for lamp in lamps:
            sheet = case.sheets[case.lamps[lamp]]
            if sheet.electrical is None:
                misses = (min(1.0, part / softness) for softness in priors.SOFTNESS)
                hearings[lamp] = tuple(Hearing(misses=chance) for chance in misses)
            else:
                found[lamp] = sheet.electrical.volts[0] * (1 - part)
                hearings[lamp] = _at(sheet, found[lamp])
        yield Variant(1 / len(priors.SHORTFALL), hearings, volts=Volts(found, found))


def _contact(case: Case, base: Volts | None) -> Iterator[Cause]:
    share = 1 / len(priors.PARTS) / len(priors.PARTS_AT)
    partings = tuple(
        Variant(share, volts=base, parts_at=at, part=part) for part in priors.PARTS for at in priors.PARTS_AT
    )
    yield Cause("bounce", priors.CIRCUIT["bounce"], partings)
    if case.looks[0].train.lead_in_s > 0:
        return
    begun = tuple(
        Variant(
            chance / len(priors.HAD_S),
            dict.fromkeys(case.lamps, (Hearing(pending=count, had_s=had),)),
            volts=base,
        )
        for count, chance in priors.PENDING
        for had in priors.HAD_S
    )
    yield Cause("start", priors.CIRCUIT["start"], begun)


def _as_built(case: Case) -> Volts | None:
    return None if case.feed is None else volts(case.feed, case.watts_seen())
