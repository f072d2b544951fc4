"""What is wrong with a supply, or should be known of it, and what to do."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Literal, NamedTuple

from sequencer.supply.ampacity import CONTINUOUS, cord_ampacity
from sequencer.supply.extremes import HAIR, best_words, emf_at, worst_words
from sequencer.supply.feed import MAINS_TOLERANCE, Feed, mismatched, network_of, primary_words
from sequencer.supply.runs import protection_at_secondary
from sequencer.supply.solve import solve
from sequencer.tomlfile import quoted

if TYPE_CHECKING:
    from sequencer.supply.advise import Advice

HEADROOM = 0.8
"""A transformer that burns all evening is loaded to at most this part of its rating (common practice, no source)."""
LIMITS = {
    "nec": (15.0, "the low voltage contact limit of NEC 680.2"),
    "iec": (12.0, "SELV in zone 0 by IEC 60364-7-702"),
}
"""Greatest volts RMS of sinusoidal AC, and whose rule that is. NEC's is held against what a lamp gets, IEC's against
the nominal volts of the tap: a 12 V transformer gives some more when little hangs on it, or the mains are high. Only
where more was measured on the primary than mains may have is that a doubt of IEC's, too."""
LOWER = "no tap alone cures it: a lower tap with thicker or shorter runs"

Level = Literal["refused", "short", "doubt", "caution"]


class Finding(NamedTuple):
    """Something to do, or to know: ``refused`` and ``short`` make the answer no."""

    level: Level
    where: str
    what: str
    remedy: str

    def __str__(self) -> str:
        """One plain line."""
        return f"{self.where}: {self.what}: {self.remedy}"


def findings_of(feed: Feed, advice: Advice) -> Iterator[Finding]:
    """What there is to do or to know; ``advice`` still without its findings."""
    if mismatched(feed):  # whatever else is wrong may come of it, and no tap or cable would cure it
        yield from _of_primary(feed)
    else:
        yield from _of_volts(feed, advice)
        yield from _of_transformer(feed, advice)
        yield from _of_runs(feed, advice)
        yield from _of_cords(feed, advice)
    yield from _of_closing(feed)
    if len(feed.supply.transformer.taps) > 1 and not feed.supply.transformer.unused_capped:
        what = "the taps that are not in use are not said to be capped"
        yield Finding("caution", feed.circuit, what, "cap each by itself, then write unused_capped = true")


def _of_primary(feed: Feed) -> Iterator[Finding]:
    what, remedy = primary_words(feed)
    yield Finding("refused", feed.circuit, what, remedy)


def _of_volts(feed: Feed, advice: Advice) -> Iterator[Finding]:
    tap = advice.in_use
    limit, rule = LIMITS[feed.region]
    nominal_v = feed.supply.transformer.primary_v
    mains_v = nominal_v * (1 + MAINS_TOLERANCE[feed.region])
    here_v = tap.tap_v * advice.primary.here_v / nominal_v
    most = max(tap.lamps.values(), key=lambda lamp: lamp.greatest_v)
    if tap.tap_v > limit:
        what = f"the tap in use gives {tap.tap_v:g} V, and the limit is {limit:g} V: {rule}"
        yield Finding("refused", feed.circuit, what, "take a tap at or below it")
    elif feed.region == "nec" and most.greatest_v > limit * (1 + HAIR):
        case = best_words(feed, most.lamp)
        what = f"lamp {quoted(most.lamp)} gets {most.greatest_v:.2f} V ({case}), above {limit:g} V: {rule}"
        yield Finding(
            "refused",
            feed.circuit,
            what,
            _cure(advice, LOWER),
        )
    elif (
        feed.region == "iec" and advice.primary.here_v > mains_v * (1 + HAIR) and here_v > limit * (1 + HAIR)
    ):
        what = (
            f"{advice.primary.here_v:g} V measured on a primary for {nominal_v:g} V is more than the mains may be "
            f"({mains_v:g} V), and makes {here_v:.2f} V of the tap of {tap.tap_v:g} V, above {limit:g} V: {rule}"
        )
        remedy = "have a licensed electrician look at the primary's connections before another tap is taken"
        yield Finding("doubt", feed.circuit, what, remedy)
    for name in tap.short:
        lamp = tap.lamps[name]
        gets = f"gets {lamp.least_v:.2f} V" if lamp.least_v else "cannot be fed at all (the volts collapse)"
        what = f"lamp {quoted(name)} {gets} and wants at least {lamp.allowed_v[0]:g} V ({worst_words(feed)})"
        thicker = "no tap cures it: a thicker or shorter run, or fewer lamps on it"
        yield Finding("short", feed.circuit, what, _cure(advice, thicker))
    for name in tap.over:
        lamp = tap.lamps[name]
        gets = f"gets {lamp.greatest_v:.2f} V, more than its {lamp.allowed_v[1]:g} V"
        what = f"lamp {quoted(name)} {gets} ({best_words(feed, name)})"
        yield Finding(
            "refused",
            feed.circuit,
            what,
            _cure(advice, LOWER),
        )


def _cure(advice: Advice, otherwise: str) -> str:
    if advice.best is not None and advice.best is not advice.in_use:
        return f"take the tap of {advice.best.tap_v:g} V"
    return otherwise


def _of_transformer(feed: Feed, advice: Advice) -> Iterator[Finding]:
    rated = feed.supply.transformer.va
    load = max(case.va for case in advice.in_use.cases)
    if load > rated:
        what = f"its load of {load:.0f} VA is above its rating of {rated:g} VA"
        yield Finding("refused", f"{feed.circuit}: transformer", what, "take lamps off it, or a larger one")
    elif load > HEADROOM * rated:
        what = f"its load of {load:.0f} VA is {load / rated:.0%} of its {rated:g} VA"
        remedy = f"plan for at most {HEADROOM:.0%} (common practice)"
        yield Finding("doubt", f"{feed.circuit}: transformer", what, remedy)


def _of_closing(feed: Feed) -> Iterator[Finding]:
    """Inrush figures: a relay maker's application note."""
    if feed.side == "primary" and feed.supply.transformer.kind == "iron":
        what = "each break of a train closes the primary of an iron transformer, at any moment of the mains"
        remedy = "10 to 40 times its current may rush in: count on a worn contact, or switch the secondary"
        yield Finding("caution", feed.circuit, what, remedy)


def _of_cords(feed: Feed, advice: Advice) -> Iterator[Finding]:
    """A cord carries one lamp, and most when the primary is low; a lamp that goes dark is told of by its volts.

    Whether the protection suits a cord is not asked: it is the lamp's own, and its maker answers for that.
    """
    most = {
        name: max(one.amps for case in advice.in_use.cases for one in case.lamps if one.lamp == name)
        for name in feed.sheets
    }
    for cord in feed.supply.lamps:
        amps, may_a = most[cord.name], cord_ampacity(cord)
        where = f"{feed.circuit}: cord of lamp {quoted(cord.name)}"
        good = f"a cord good for {amps * CONTINUOUS:.1f} A"
        if amps > may_a:
            what = f"{amps:.1f} A in {cord.size}, which may carry {may_a:g} A"
            yield Finding("refused", where, what, good)
        elif amps * CONTINUOUS > may_a:
            counts = f"{amps:.1f} A all evening counts as {amps * CONTINUOUS:.1f} A (NEC 210.19(A)(1))"
            yield Finding("doubt", where, f"{counts}, and {cord.size} may carry {may_a:g} A", good)


def _of_runs(feed: Feed, advice: Advice) -> Iterator[Finding]:
    guard_a = protection_at_secondary(feed)
    network = network_of(feed)
    total = abs(solve(network, emf_at(feed, network, advice.primary.low_v), keep_lit=True).amps[0])
    for run in advice.runs:
        where = f"{feed.circuit}: run to {quoted(run.to)}"
        shared = f", shared by {', '.join(map(quoted, run.carries))}" if len(run.carries) > 1 else ""
        good = f"a conductor good for {run.continuous_a:.1f} A, or part of the lamps on a run of their own"
        if run.amps > run.ampacity_a:
            what = f"{run.amps:.1f} A in {run.size}{shared}, which may carry {run.ampacity_a:g} A"
            yield Finding("refused", where, what, good)
        elif run.continuous_a > run.ampacity_a:
            what = (
                f"{run.amps:.1f} A all evening{shared} counts as {run.continuous_a:.1f} A (NEC 210.19(A)(1))"
            )
            yield Finding("doubt", where, f"{what}, and {run.size} may carry {run.ampacity_a:g} A", good)
        if guard_a is not None and guard_a > run.protection_a:
            what = f"{guard_a:.3g} A of protection is more than protects {run.size} ({run.protection_a:g} A)"
            yield Finding("doubt", where, what, "a smaller fuse or breaker, or a thicker run")
    if guard_a is None:
        what = "the site file names no protection"
        yield Finding("doubt", feed.circuit, what, "find fuse or breaker and write [supply...] protection")
    elif total * CONTINUOUS > guard_a:
        what = f"{total:.1f} A all evening counts as {total * CONTINUOUS:.1f} A and may trip {guard_a:.3g} A"
        yield Finding("doubt", feed.circuit, what, "fewer lamps, or protection and cable for more")
