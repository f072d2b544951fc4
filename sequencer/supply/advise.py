"""Which tap, which cable, and what must not be: everything that is asked of a supply, reckoned at once.

Every tap is solved with the primary low, as it is, and high; each with all lamps at full watts, and with each
lamp alone. A tap holds when no lamp ever gets less than its least volts or more than its greatest.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal, NamedTuple

from sequencer.sitefile.supply import AWG_SIZES, MM2_SIZES, TRANSFORMER, Run
from sequencer.supply.ampacity import CONTINUOUS, ampacity, cord_ampacity, greatest_protection
from sequencer.supply.feed import MAINS_TOLERANCE, Feed, Primary, network_of, primary_of, with_size, with_tap
from sequencer.supply.network import Network
from sequencer.supply.solve import solve
from sequencer.tomlfile import quoted

HEADROOM = 0.8
"""A transformer that burns all evening is loaded to at most this part of its rating (common practice, no source)."""
LIMITS = {
    "nec": (15.0, "the low voltage contact limit of NEC 680.2"),
    "iec": (12.0, "SELV in zone 0 by IEC 60364-7-702"),
}
"""Greatest volts RMS of sinusoidal AC, and whose rule that is. NEC's is held against what a lamp gets, IEC's against
the nominal volts of the tap: a 12 V transformer gives some more when little hangs on it, or the mains are high. Only
where more was measured on the primary than mains may have is that a doubt of IEC's, too."""
MISMATCH = 0.2
"""A primary that is further from nominal than this is another mains system, not another hour of the day."""
_HAIR = 1e-9

Level = Literal["refused", "short", "doubt", "caution"]


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
    """One primary, and all lamps together or each alone; ``va`` at the secondary terminals, the most of any."""

    primary: Literal["low", "now", "high"]
    primary_v: float
    load: Literal["all", "alone"]
    lamps: tuple[LampFigures, ...]
    va: float
    collapse: str | None


class TapFigures(NamedTuple):
    """One tap; ``margin_v``: the least of any lamp in any case, the region's limit counted in."""

    tap_v: float
    mark: str | None
    cases: tuple[CaseFigures, ...]
    margin_v: float
    short: tuple[str, ...]
    over: tuple[str, ...]

    @property
    def holds(self) -> bool:
        """Every lamp stays within its range and below the region's limit, in every case."""
        return self.margin_v >= -_HAIR


class RunFigures(NamedTuple):
    """One run on the tap in use, at its greatest current.

    ``thinnest``: the thinnest size that would serve there, on the best tap where the one in use does not hold; None
    where none would.
    """

    to: str
    start: str
    size: str
    amps: float
    drop_v: float
    ampacity_a: float
    protection_a: float
    carries: tuple[str, ...]
    thinnest: str | None

    @property
    def continuous_a(self) -> float:
        """What the conductor must be good for: 125 % of the current."""
        return self.amps * CONTINUOUS


class Finding(NamedTuple):
    """Something to do, or to know: ``refused`` and ``short`` make the answer no."""

    level: Level
    where: str
    what: str
    remedy: str

    def __str__(self) -> str:
        """One plain line."""
        return f"{self.where}: {self.what}: {self.remedy}"


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
    runs = _runs(feed, moved)
    advice = Advice(primary_of(feed), taps, in_use, best, by_v, runs, ())
    return advice._replace(findings=tuple(_findings(feed, advice)))


def emf_at(feed: Feed, network: Network, primary_v: float) -> float:
    """The source's volts at some primary: twice the primary gives twice the secondary."""
    return network.emf_v * primary_v / feed.supply.transformer.primary_v


def _tap(feed: Feed, mark: str | None) -> TapFigures:
    network, primary = network_of(feed), primary_of(feed)
    cases = []
    for name, volts in (("low", primary.low_v), ("now", primary.here_v), ("high", primary.high_v)):
        for load in ("all", "alone"):
            cases.append(_case(network, emf_at(feed, network, volts), name, volts, load))  # type: ignore[arg-type]
    figures = [lamp for case in cases for lamp in case.lamps]
    limit = LIMITS[feed.region][0]
    names = list(dict.fromkeys(lamp.lamp for lamp in figures))
    short = {lamp.lamp for lamp in figures if lamp.volts < lamp.least_v * (1 - _HAIR)}
    over = {lamp.lamp for lamp in figures if lamp.volts > lamp.greatest_v * (1 + _HAIR)}
    tap_v = feed.supply.transformer.tap
    margin = min(lamp.margin_v for lamp in figures)
    if feed.region == "nec":
        margin = min(margin, *(limit - lamp.volts for lamp in figures))
    elif tap_v > limit:
        margin = min(margin, limit - tap_v)
    return TapFigures(
        tap_v,
        mark,
        tuple(cases),
        margin,
        tuple(n for n in names if n in short),
        tuple(n for n in names if n in over),
    )


def _case(
    network: Network,
    emf_v: float,
    primary: Literal["low", "now", "high"],
    primary_v: float,
    load: Literal["all", "alone"],
) -> CaseFigures:
    together = [{one.name: one.va for one in network.loads}]
    turns = together if load == "all" else [{one.name: one.va} for one in network.loads]
    lamps, va, collapse = [], 0.0, None
    for on in turns:
        flow = solve(network, emf_v, va=on, keep_lit=True)
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


def _runs(feed: Feed, moved: Feed) -> tuple[RunFigures, ...]:
    """Each run of ``feed``; the thinnest sizes as on ``moved``.

    Currents are greatest with all lamps lit and the primary low, since the lamps' power is constant.
    """
    network = network_of(feed)
    low_v = emf_at(feed, network, primary_of(feed).low_v)
    flow = solve(network, low_v, keep_lit=True)
    behind = _behind(feed)
    found = []
    for run in feed.supply.runs:
        node = network.nodes.index(run.to, 1)
        drop = abs(flow.volts[network.parents[node]]) - abs(flow.volts[node])
        figures = (run.size, abs(flow.amps[node]), drop, ampacity(run), greatest_protection(run))
        found.append(RunFigures(run.to, run.start, *figures, behind[run.to], _thinnest(moved, run)))
    return tuple(found)


def _behind(feed: Feed) -> dict[str, tuple[str, ...]]:
    """The lamps that each run feeds."""
    behind: dict[str, list[str]] = {run.to: [] for run in feed.supply.runs}
    starts = {run.to: run.start for run in feed.supply.runs}
    for cord in feed.supply.lamps:
        node = cord.node
        while node != TRANSFORMER:
            behind[node].append(cord.name)
            node = starts[node]
    return {node: tuple(lamps) for node, lamps in behind.items()}


def _thinnest(feed: Feed, run: Run) -> str | None:
    """The thinnest size with which, all else as it is, every lamp has its volts and the run its ampacity."""
    if run.awg is not None:
        sizes = [run.model_copy(update={"awg": awg}) for awg in AWG_SIZES]
    else:
        sizes = [run.model_copy(update={"mm2": mm2}) for mm2 in MM2_SIZES]
    guard_a = protection_at_secondary(feed)
    for other in sizes:
        if guard_a is not None and guard_a > greatest_protection(other):
            continue
        changed = with_size(feed, run.to, other.awg, other.mm2)
        network = network_of(changed)
        flow = solve(network, emf_at(changed, network, primary_of(feed).low_v), keep_lit=True)
        amps = abs(flow.amps[network.nodes.index(run.to, 1)])
        fed = all(flow.volts_at(one) >= one.least_v * (1 - _HAIR) for one in network.loads)
        if fed and not flow.dark and amps * CONTINUOUS <= ampacity(other):
            return other.size
    return None


def protection_at_secondary(feed: Feed) -> float | None:
    """What the protection lets through the secondary: on the primary, by the ratio of turns (as NEC 240.21(C)(1)
    allows for two-wire single-phase transformers, from memory). None when there is none."""
    guard, transformer = feed.supply.protection, feed.supply.transformer
    if guard is None:
        return None
    return guard.amps if guard.side == "secondary" else guard.amps * transformer.primary_v / transformer.tap


def _findings(feed: Feed, advice: Advice) -> Iterator[Finding]:
    if mismatched(feed):  # whatever else is wrong may come of it, and no tap or cable would cure it
        yield from _of_primary(feed, advice)
    else:
        yield from _of_volts(feed, advice)
        yield from _of_transformer(feed, advice)
        yield from _of_runs(feed, advice)
        yield from _of_cords(feed, advice)
    yield from _of_closing(feed)
    if len(feed.supply.transformer.taps) > 1 and not feed.supply.transformer.unused_capped:
        what = "the taps that are not in use are not said to be capped"
        yield Finding("caution", feed.circuit, what, "cap each by itself, then write unused_capped = true")


def mismatched(feed: Feed) -> bool:
    """Whether the primary gets another mains system than its transformer is connected for."""
    return abs(primary_of(feed).here_v / feed.supply.transformer.primary_v - 1) > MISMATCH


def _of_primary(feed: Feed, advice: Advice) -> Iterator[Finding]:
    nominal, here = feed.supply.transformer.primary_v, advice.primary.here_v
    ratio = here / nominal
    what = f"{here:g} V measured on a primary for {nominal:g} V"
    grows = f"{ratio:.2g} times the primary gives {ratio:.2g} times the secondary"
    remedy = f"{grows}: switch off, and have a licensed electrician look at the primary's connections"
    yield Finding("refused", feed.circuit, what, remedy)


def _of_volts(feed: Feed, advice: Advice) -> Iterator[Finding]:
    tap = advice.in_use
    limit, rule = LIMITS[feed.region]
    nominal_v = feed.supply.transformer.primary_v
    mains_v = nominal_v * (1 + MAINS_TOLERANCE[feed.region])
    here_v = tap.tap_v * advice.primary.here_v / nominal_v
    most = {
        case.primary: max(lamp.volts for lamp in case.lamps) for case in tap.cases if case.load == "alone"
    }
    if tap.tap_v > limit:
        what = f"the tap in use gives {tap.tap_v:g} V, and the limit is {limit:g} V: {rule}"
        yield Finding("refused", feed.circuit, what, "take a tap at or below it")
    elif feed.region == "nec" and most["high"] > limit * (1 + _HAIR):
        always = most["now"] > limit * (1 + _HAIR)
        volts, when = (most["now"], "") if always else (most["high"], " when the primary is high")
        level: Level = "refused" if always else "doubt"
        what = f"a lamp alone gets {volts:.2f} V{when}, above {limit:g} V: {rule}"
        yield Finding(level, feed.circuit, what, "take a lower tap")
    elif (
        feed.region == "iec"
        and advice.primary.here_v > mains_v * (1 + _HAIR)
        and here_v > limit * (1 + _HAIR)
    ):
        what = (
            f"{advice.primary.here_v:g} V measured on a primary for {nominal_v:g} V is more than the mains may be "
            f"({mains_v:g} V), and makes {here_v:.2f} V of the tap of {tap.tap_v:g} V, above {limit:g} V: {rule}"
        )
        remedy = "have a licensed electrician look at the primary's connections before another tap is taken"
        yield Finding("doubt", feed.circuit, what, remedy)
    for name in tap.short:
        case, lamp = min(((c, one) for c in tap.cases for one in c.lamps if one.lamp == name), key=_volts)
        gets = f"gets {lamp.volts:.2f} V" if lamp.volts else "cannot be fed at all (the volts collapse)"
        what = f"lamp {quoted(name)} {gets} and wants at least {lamp.least_v:g} V ({case_words(case)})"
        thicker = "no tap cures it: a thicker or shorter run, or fewer lamps on it"
        yield Finding("short", feed.circuit, what, _cure(advice, thicker))
    for name in tap.over:
        case, lamp = max(((c, one) for c in tap.cases for one in c.lamps if one.lamp == name), key=_volts)
        what = f"lamp {quoted(name)} gets {lamp.volts:.2f} V, more than its {lamp.greatest_v:g} V ({case_words(case)})"
        yield Finding("refused", feed.circuit, what, _cure(advice, "no tap cures it: look at the primary"))


def _volts(pair: tuple[CaseFigures, LampFigures]) -> float:
    return pair[1].volts


def _cure(advice: Advice, otherwise: str) -> str:
    if advice.best is not None and advice.best is not advice.in_use:
        return f"take the tap of {advice.best.tap_v:g} V"
    return otherwise


def case_words(case: CaseFigures) -> str:
    """One case in words."""
    load = "all lamps at full watts" if case.load == "all" else "alone"
    return f"{load}, {case.primary_v:.4g} V on the primary"


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
