"""Which tap, which cable, and what must not be: everything that is asked of a supply, reckoned at once.

A tap holds when no lamp ever gets less than its least volts or more than its greatest (:mod:`.extremes`), and none
more than the region allows.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from sequencer.supply.extremes import (
    HAIR,
    CaseFigures,
    Extremes,
    LoadIs,
    PrimaryIs,
    case_of,
    extremes_of,
)
from sequencer.supply.feed import Feed, Primary, primary_of, with_tap
from sequencer.supply.findings import LIMITS, Finding, findings_of
from sequencer.supply.runs import RunFigures, run_figures

__all__ = [
    "LIMITS",
    "Advice",
    "CaseFigures",
    "Finding",
    "RunFigures",
    "TapFigures",
    "advise",
]

_PRIMARIES: tuple[PrimaryIs, ...] = ("low", "now", "high")
_LOADS: tuple[LoadIs, ...] = ("all", "alone", "dim")


class TapFigures(NamedTuple):
    """One tap; ``margin_v``: the least of any lamp in any case, the region's limit counted in.

    ``short``, ``over``: lamps that may get too few volts or too many by their datasheets.
    """

    tap_v: float
    mark: str | None
    cases: tuple[CaseFigures, ...]
    margin_v: float
    short: tuple[str, ...]
    over: tuple[str, ...]
    lamps: Mapping[str, Extremes]

    @property
    def holds(self) -> bool:
        """Every lamp stays within its range and below the region's limit, in every case."""
        return self.margin_v >= -HAIR


class Advice(NamedTuple):
    """All of it. ``best``: the tap that holds by the widest margin, None when none does; ``by_v``: by how much more
    than the next one that holds (None when it is the only one)."""

    primary: Primary
    taps: tuple[TapFigures, ...]
    in_use: TapFigures
    best: TapFigures | None
    by_v: float | None
    runs: tuple[RunFigures, ...]
    findings: tuple[Finding, ...]

    @property
    def holds(self) -> bool:
        """Nothing is refused and no lamp falls short on the tap in use."""
        return not any(finding.level in {"refused", "short"} for finding in self.findings)


def advise(feed: Feed) -> Advice:
    """Everything about one circuit's supply as it stands."""
    taps = tuple(_tap(with_tap(feed, tap.volts), tap.mark) for tap in feed.supply.transformer.taps)
    in_use = next(tap for tap in taps if tap.tap_v == feed.supply.transformer.tap)
    good = sorted((tap for tap in taps if tap.holds), key=lambda tap: (-tap.margin_v, tap.tap_v))
    best = good[0] if good else None
    by_v = good[0].margin_v - good[1].margin_v if len(good) > 1 else None
    moved = with_tap(feed, best.tap_v) if best is not None and not in_use.holds else feed
    advice = Advice(primary_of(feed), taps, in_use, best, by_v, run_figures(feed, moved), ())
    return advice._replace(findings=tuple(findings_of(feed, advice)))


def _tap(feed: Feed, mark: str | None) -> TapFigures:
    cases = {(primary, load): case_of(feed, primary, load) for primary in _PRIMARIES for load in _LOADS}
    found = extremes_of(feed, cases["low", "all"], cases["high", "dim"])
    lamps = found.values()
    limit, tap_v = LIMITS[feed.region][0], feed.supply.transformer.tap
    margin = min(lamp.margin_v for lamp in lamps)
    if feed.region == "nec":
        margin = min(margin, *(limit - lamp.greatest_v for lamp in lamps))
    elif tap_v > limit:
        margin = min(margin, limit - tap_v)
    return TapFigures(
        tap_v,
        mark,
        tuple(cases.values()),
        margin,
        tuple(lamp.lamp for lamp in lamps if lamp.short),
        tuple(lamp.lamp for lamp in lamps if lamp.over),
        found,
    )
