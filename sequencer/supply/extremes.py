"""The least and the greatest volts that each lamp ever gets: one answer for ``supply``, ``plan``, ``check`` and advice.

Least: every lamp at full watts, the primary low. Greatest: the lamp alone in its dimmest scene, the primary high.
All else lies between, whichever lamps are lit, dark or off and whatever scenes they show: a lamp's volts only sink
when it or another one draws more. That holds for lamps that take lagging current (power factor from 0.5 up is tested)
behind cables and a transformer that have ohms and no capacitance.

A scene whose ``watts`` the datasheet does not give may draw next to nothing. So where any scene gives none, greatest
are the volts without load.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Literal, NamedTuple

from sequencer.supply.feed import Feed, network_of, primary_of, va_of
from sequencer.supply.solve import solve

if TYPE_CHECKING:
    from sequencer.datasheet import Datasheet
    from sequencer.supply.network import Network

HAIR = 1e-9
"""A part of the volts: what is nearer to a limit than this is on it."""

PrimaryIs = Literal["low", "now", "high"]
LoadIs = Literal["all", "alone", "dim"]


class LampFigures(NamedTuple):
    """One lamp in one case; ``volts`` is 0 where no volts would carry the load, ``drop_v`` is lost in the cables."""

    lamp: str
    volts: float
    amps: float
    drop_v: float
    least_v: float
    greatest_v: float

    @property
    def margin_v(self) -> float:
        """How far inside its own range; negative outside."""
        return min(self.volts - self.least_v, self.greatest_v - self.volts)


class CaseFigures(NamedTuple):
    """One primary, and all lamps at full watts together, each alone, or each alone in its dimmest scene.

    ``va`` at the secondary terminals, the most of any.
    """

    primary: PrimaryIs
    primary_v: float
    load: LoadIs
    lamps: tuple[LampFigures, ...]
    va: float
    collapse: str | None


class Extremes(NamedTuple):
    """One lamp in the case of its least volts, and in that of its greatest; and what its datasheet allows."""

    lamp: str
    least_v: float
    greatest_v: float
    allowed_v: tuple[float, float]
    dimmest_w: float
    """0: not known."""

    @property
    def short(self) -> bool:
        """Whether it may get too few volts."""
        return self.least_v < self.allowed_v[0] * (1 - HAIR)

    @property
    def over(self) -> bool:
        """Whether it may get too many."""
        return self.greatest_v > self.allowed_v[1] * (1 + HAIR)

    @property
    def margin_v(self) -> float:
        """How far inside its own range at the worst; negative outside."""
        return min(self.least_v - self.allowed_v[0], self.allowed_v[1] - self.greatest_v)


def extremes(feed: Feed) -> dict[str, Extremes]:
    """By lamp. Where the volts collapse the lamp has none, and the others have what they get without it."""
    return extremes_of(feed, case_of(feed, "low", "all"), case_of(feed, "high", "dim"))


def extremes_of(feed: Feed, worst: CaseFigures, best: CaseFigures) -> dict[str, Extremes]:
    """The same from these two cases: all at full watts with the primary low, each alone and dim with it high."""
    assert (worst.primary, worst.load, best.primary, best.load) == ("low", "all", "high", "dim")
    return {
        low.lamp: Extremes(
            low.lamp,
            low.volts,
            high.volts,
            (low.least_v, low.greatest_v),
            dimmest_w(feed.sheets[low.lamp]),
        )
        for low, high in zip(worst.lamps, best.lamps, strict=True)
    }


def dimmest_w(sheet: Datasheet) -> float:
    """What its dimmest scene draws; 0 (not known) where any scene does not say, or there is no ``[electrical]``.

    A scene that moves draws its ``watts`` on the average, which is near enough for volts.
    """
    watts = [scene.watts for scene in sheet.scenes]
    known = [each for each in watts if each is not None]
    return min(known) if known and len(known) == len(watts) else 0.0


def emf_at(feed: Feed, network: Network, primary_v: float) -> float:
    """The source's volts at some primary: twice the primary gives twice the secondary."""
    return network.emf_v * primary_v / feed.supply.transformer.primary_v


def case_of(feed: Feed, primary: PrimaryIs, load: LoadIs) -> CaseFigures:
    """Every lamp's volts in one case."""
    network, has = network_of(feed), primary_of(feed)
    primary_v = {"low": has.low_v, "now": has.here_v, "high": has.high_v}[primary]
    turns: list[Mapping[str, complex]] = [{one.name: one.va} for one in network.loads]
    if load == "all":
        turns = [{one.name: one.va for one in network.loads}]
    elif load == "dim":
        turns = [{one.name: _dim_va(feed.sheets[one.name])} for one in network.loads]
    lamps, va, collapse = [], 0.0, None
    for on in turns:
        flow = solve(network, emf_at(feed, network, primary_v), va=on, keep_lit=True)
        terminal_v = abs(flow.volts[1])
        va = max(va, terminal_v * abs(flow.amps[0]))
        collapse = collapse or flow.collapse
        for one in network.loads:
            if one.name in on:
                volts = 0.0 if one.name in flow.dark else flow.volts_at(one)
                drop = terminal_v - volts if volts else 0.0
                figures = (volts, flow.amps_of(one), drop, one.least_v, one.greatest_v)
                lamps.append(LampFigures(one.name, *figures))
    return CaseFigures(primary, primary_v, load, tuple(lamps), va, collapse)


def _dim_va(sheet: Datasheet) -> complex:
    assert sheet.electrical is not None
    return va_of(dimmest_w(sheet), sheet.electrical.power_factor)


def worst_words(feed: Feed) -> str:
    """The case of the least volts.

    As in "all lamps at full watts, 114 V on the primary".
    """
    return f"all lamps at full watts, {primary_of(feed).low_v:.4g} V on the primary"


def best_words(feed: Feed, lamp: str) -> str:
    """The case of a lamp's greatest volts, and what is not known of it."""
    known = dimmest_w(feed.sheets[lamp])
    load = (
        "alone in its dimmest scene"
        if known
        else "alone, as if it drew nothing: not all its scenes have watts"
    )
    return f"{load}, {primary_of(feed).high_v:.4g} V on the primary"
