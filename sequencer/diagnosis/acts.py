"""What to do next: the one act or observation that is expected to tell the first two explanations apart.

What an act is worth is the information, in bits, that its outcome is expected to give about which of the two is
true (the mutual information of Shannon; at most 1 bit, where the two are as likely and the outcome decides).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Literal, NamedTuple

from sequencer.diagnosis import priors
from sequencer.diagnosis.causes import SUPPLY, Cause, Look, Variant
from sequencer.diagnosis.likelihood import later, partings
from sequencer.diagnosis.reader import SOUND, Hearing
from sequencer.diagnosis.wiring import alone_v, dark_at, hearing_at
from sequencer.train import Pulse, Train

if TYPE_CHECKING:
    from sequencer.datasheet import Datasheet
    from sequencer.diagnosis.explain import Diagnosis, Explanation
    from sequencer.diagnosis.likelihood import Reader
    from sequencer.diagnosis.wiring import Volts

Doing = Literal["send", "measure", "power_down", "alone", "swap"]
CHEAPER = 0.05
"""Bits that an act must be better by than a simpler one to be named instead of it (common practice: try the switch
before the meter, the meter before the spanner)."""
_WAYS = 16  # of an explanation, the likeliest ways in which it may be
_AWAKE_S = 60.0
_NO_V = 1.0

Outcomes = Mapping[object, float]


class Act(NamedTuple):
    """``lamp``: what is looked at or measured; ``scene``, ``other`` and ``seconds``: with what it is done."""

    doing: Doing
    lamp: str
    scene: str = ""
    other: str = ""
    seconds: float = 0.0


class Next(NamedTuple):
    """The act that tells most, and what it is worth; ``outcomes`` likelier with the first explanation and the second.

    Outcomes are names of scenes, or None for a dark lamp; measuring: "enough", "too few" or "none".
    """

    act: Act
    bits: float
    first: object
    second: object


class _World(NamedTuple):
    """One way in which an explanation may be, in two parts: what goes with a lamp, and what stays in its place."""

    weight: float
    body: Mapping[str, tuple[Hearing, ...]]
    place: Mapping[str, tuple[Hearing, ...]]
    stems: Mapping[str, str]
    volts: Volts | None
    parts: Variant


def next_act(
    diagnosis: Diagnosis, offers: Mapping[str, Look], one: Explanation, two: Explanation
) -> Next | None:
    """The best act for telling two explanations apart; None where none of them would.

    ``offers``: trains that could be sent, by the name of the scene, with what they are to end on.
    """
    total = one.probability + two.probability
    shares = (one.probability / total, two.probability / total)
    reader = diagnosis.reader
    worlds = [_worlds(reader, each) for each in (one, two)]
    best: Next | None = None
    for act in _acts(reader, offers):
        outcomes = [
            _mixed([(w.weight, _outcomes(reader, w, act, offers)) for w in those]) for those in worlds
        ]
        bits = information(shares, outcomes)
        if bits > (best.bits if best else 0.0) + CHEAPER:
            first, second = (_telling(outcomes[i], outcomes[1 - i]) for i in (0, 1))
            best = Next(act, bits, first, second)
    return best


def information(shares: Sequence[float], outcomes: Sequence[Outcomes]) -> float:
    """Mutual information of cause and outcome, bits.

    >>> information((0.5, 0.5), ({"red": 1.0}, {"blue": 1.0}))
    1.0
    >>> information((0.5, 0.5), ({"red": 1.0}, {"red": 1.0}))
    0.0
    """
    bits = 0.0
    for outcome in {key for each in outcomes for key in each}:
        chances = [each.get(outcome, 0.0) for each in outcomes]
        whole = sum(share * chance for share, chance in zip(shares, chances, strict=True))
        bits += sum(
            share * chance * math.log2(chance / whole)
            for share, chance in zip(shares, chances, strict=True)
            if share * chance > 0
        )
    return bits


def _telling(here: Outcomes, there: Outcomes) -> object:
    """The outcome that speaks most for one and against the other."""
    return max(here, key=lambda key: (here[key] - there.get(key, 0.0), str(key)))


def _acts(reader: Reader, offers: Mapping[str, Look]) -> Iterator[Act]:
    """The stated list, the simplest first."""
    case = reader.case
    for scene, look in offers.items():
        yield from (Act("send", lamp, scene) for lamp in look.sent)
    for lamp in case.lamps:
        if lamp not in case.measured_v and case.sheets[case.lamps[lamp]].electrical is not None:
            yield Act("measure", lamp)
    seconds = max(
        sheet.off.power_down[0] / (1 - sheet.lamp.clock_tolerance) for sheet in case.sheets.values()
    )
    long = float(math.ceil(2 * seconds))
    yield from (Act("power_down", lamp, seconds=long) for lamp in case.seen)
    scene = next(iter(offers), "")
    if case.feed is not None and scene:
        yield from (Act("alone", lamp, scene) for lamp in case.seen)
    for lamp in case.seen if scene else ():
        same = [name for name, stem in case.lamps.items() if stem == case.lamps[lamp] and name != lamp]
        yield from (Act("swap", lamp, scene, other) for other in same)


# -- what would come of it ----------------------------------------------------------------------------


def _outcomes(reader: Reader, world: _World, act: Act, offers: Mapping[str, Look]) -> Outcomes:
    if act.doing == "measure":
        return {_measured(reader, world, act.lamp): 1.0}
    stem = world.stems.get(act.lamp, reader.case.lamps[act.lamp])
    place = world.place.get(act.lamp, (SOUND,))
    if act.doing == "power_down":
        train = Train((Pulse(act.seconds, _AWAKE_S),))
        look = Look(train, {}, {}, _now(reader), dark_before=False)
        return _shown(reader, world, act.lamp, look, stem, place)
    look = offers[act.scene]
    if act.doing == "swap":
        place = world.place.get(act.other, (SOUND,))
    if act.doing == "alone" and world.volts is not None and world.place:
        assert reader.case.feed is not None
        volts = alone_v(reader.case.feed, world.volts, act.lamp)
        sheet = reader.case.sheets[reader.case.lamps[act.lamp]]
        place = tuple(hearing_at(sheet, volts, softness) for softness in priors.SOFTNESS)
    return _shown(reader, world, act.lamp, look, stem, place)


def _shown(
    reader: Reader, world: _World, lamp: str, look: Look, stem: str, place: tuple[Hearing, ...]
) -> Outcomes:
    """What a lamp is then seen on: what is wrong with itself goes before what is wrong with its place."""
    hearings = world.body.get(lamp, place)
    chances = partings(world.parts, look.train) if world.parts.parts_at else None
    if chances is not None:
        return _mixed(
            [(chance, reader.named(lamp, look, stem, SOUND, parting)) for chance, parting in chances]
        )
    told = [(1 / len(hearings), reader.named(lamp, look, stem, later(each, 1))) for each in hearings]
    return _mixed(told)


def _measured(reader: Reader, world: _World, lamp: str) -> str:
    sheet: Datasheet = reader.case.sheets[reader.case.lamps[lamp]]
    assert sheet.electrical is not None
    volts = None if world.volts is None else world.volts.seen.get(lamp)
    if volts is None:
        return "enough"
    if volts < _NO_V or dark_at(sheet, volts):
        return "none"
    return "enough" if volts >= sheet.electrical.volts[0] else "too few"


def _now(reader: Reader) -> dict[str, str | None]:
    """What every lamp was last seen on."""
    found: dict[str, str | None] = {}
    for look in reader.case.looks:
        found.update(look.saw)
    return found


# -- an explanation as the ways in which it may be ----------------------------------------------------


def _worlds(reader: Reader, explanation: Explanation) -> list[_World]:
    found = [_World(1.0, {}, {}, {}, None, Variant(1.0))]
    for group in explanation.groups:
        parts = [
            _world(cause, variant, cause.odds * variant.weight * _fits(reader, cause, variant))
            for cause in group.causes
            for variant in cause.variants
        ]
        parts = sorted(parts, key=lambda part: -part.weight)[:_WAYS]
        found = [_both(one, part) for one in found for part in parts]
    found = sorted(found, key=lambda world: -world.weight)[:_WAYS]
    total = sum(world.weight for world in found) or 1.0
    return [world._replace(weight=world.weight / total) for world in found]


def _fits(reader: Reader, cause: Cause, variant: Variant) -> float:
    return reader.variant(variant) if cause.lamp is None else reader.lamp(cause.lamp, variant)


def _world(cause: Cause, variant: Variant, weight: float) -> _World:
    if cause.kind in SUPPLY:
        return _World(weight, {}, variant.hearings, {}, variant.volts, Variant(1.0))
    parts = variant if variant.parts_at else Variant(1.0)
    return _World(weight, variant.hearings, {}, variant.stems, None, parts)


def _both(one: _World, two: _World) -> _World:
    return _World(
        one.weight * two.weight,
        {**one.body, **two.body},
        {**one.place, **two.place},
        {**one.stems, **two.stems},
        one.volts or two.volts,
        one.parts if one.parts.parts_at else two.parts,
    )


def _mixed(parts: Sequence[tuple[float, Mapping[str | None, float] | Outcomes]]) -> Outcomes:
    found: dict[object, float] = {}
    for weight, outcomes in parts:
        for outcome, chance in outcomes.items():
            found[outcome] = found.get(outcome, 0.0) + weight * chance
    return found
