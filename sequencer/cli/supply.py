"""``lampstep supply``: volts at every lamp, and which tap and cable would do."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from typing import NamedTuple

from sequencer.cli.answer import NO, YES, Answer
from sequencer.cli.arguments import Arguments
from sequencer.cli.new_file import write_new
from sequencer.cli.terminal import shows_colours
from sequencer.errors import InputError
from sequencer.layout import fitted, table, width_for
from sequencer.sitefile import Pad, load_site
from sequencer.sitefile.supply import header
from sequencer.supply.advise import LIMITS, Advice, CaseFigures, TapFigures, advise
from sequencer.supply.extremes import emf_at, worst_words
from sequencer.supply.feed import Feed, feed_of, mismatched, network_of, with_conductor, with_lamp, with_tap
from sequencer.supply.solve import solve
from sequencer.supply.tree import Branch, branches, tree_lines
from sequencer.tomlfile import printable, quoted

LEVELS = {"refused": "NO", "short": "NO", "doubt": "doubt", "caution": "caution"}
CAUTION = (
    "Whatever is on the mains side, and bonding, is for licensed people; isolate before a tap is changed; never "
    "defeat a GFCI or RCD. Local code governs."
)


class _Looked(NamedTuple):
    """One circuit, its advice, and its tree in the worst hour."""

    feed: Feed
    advice: Advice
    tree: tuple[Branch, ...]


def run(arguments: Arguments) -> Answer:
    """Solve and advise; the answer is no when a lamp falls short or something is refused."""
    pad = load_site(arguments.site)
    feeds = [_what_if(feed, arguments) for feed in _feeds(pad, arguments)]
    looked = [_look(feed) for feed in feeds]
    if arguments.svg is not None:
        _draw(looked[0], arguments.svg)
    status = YES if all(each.advice.holds for each in looked) else NO
    text = "\n\n".join(_text(each) for each in looked)
    after = f"\nThe drawing is in {printable(arguments.svg)}." if arguments.svg is not None else ""
    fields = {"site": pad.site.name, "circuits": [_fields(each) for each in looked], "svg": arguments.svg}
    return Answer(status, fields, f"{text}\n\n{CAUTION}{after}")


def _feeds(pad: Pad, arguments: Arguments) -> list[Feed]:
    """The circuits asked for; raises InputError when there is none, or when a change could mean several."""
    named = arguments.circuit
    if named is not None:
        pad.circuit(named)
        if named not in pad.supply:
            raise InputError(f"{pad.path.name}: circuit {quoted(named)} has no supply: add [{header(named)}]")
    elif not pad.supply:
        first = pad.circuits[0].name
        words = f"it says nothing of any supply: add [{header(first)}], as in docs/choosing-tap-and-cable.md"
        raise InputError(f"{pad.path.name}: {words}")
    elif len(pad.supply) > 1 and (arguments.tap or arguments.conductors or arguments.more or arguments.svg):
        known = ", ".join(map(quoted, pad.supply))
        raise InputError(f"--circuit is missing: the site has supplies for {known}")
    found = [feed_of(pad, name) for name in pad.supply if named in (None, name)]
    return [feed for feed in found if feed is not None]


def _what_if(feed: Feed, arguments: Arguments) -> Feed:
    """As the command line would have it."""
    if arguments.tap is not None:
        feed = with_tap(feed, arguments.tap)
    for node, like in arguments.more:
        feed = with_lamp(feed, node, like)
    for name, size in arguments.conductors:
        feed = with_conductor(feed, name, size)
    return feed


def _look(feed: Feed) -> _Looked:
    advice = advise(feed)
    network = network_of(feed)
    flow = solve(network, emf_at(feed, network, advice.primary.low_v), keep_lit=True)
    return _Looked(feed, advice, branches(feed, flow))


def _draw(looked: _Looked, path: str) -> None:
    from sequencer.supply.drawing import draw  # noqa: PLC0415 - only when asked for

    write_new(path, draw(looked.tree, _head(looked), _worst(looked)))


def _head(looked: _Looked) -> str:
    return f"{looked.feed.circuit} on the tap of {looked.advice.in_use.tap_v:g} V"


def _worst(looked: _Looked) -> str:
    return worst_words(looked.feed)


def _tree(tree: tuple[Branch, ...]) -> Iterator[str]:
    """The tree; on a terminal that shows colours each lamp in the colour of its margin, as in the drawing."""
    if not shows_colours():
        yield from tree_lines(tree)
        return
    from rich.style import Style  # noqa: PLC0415 - only where it is seen

    from sequencer.supply.drawing import COLOURS  # noqa: PLC0415

    for branch, line in zip(tree, tree_lines(tree), strict=True):
        for part in fitted(line, width_for(sys.stdout)).split("\n"):
            yield part if branch.mark is None else Style(color=COLOURS[branch.mark]).render(part)


def _text(looked: _Looked) -> str:
    advice = looked.advice
    lines = [f"{_head(looked)}; {_worst(looked)}:", "", *_tree(looked.tree), ""]
    lines += [*_lamp_lines(advice, advice.in_use), "", *_tap_lines(advice), ""]
    if advice.runs:
        lines += [*_run_lines(looked), ""]
    load, rated = max(case.va for case in advice.in_use.cases), looked.feed.supply.transformer.va
    lines += [f"Transformer: {load:.0f} of {rated:g} VA ({load / rated:.0%})."]
    lines += [f"{LEVELS[finding.level]}: {finding}" for finding in advice.findings]
    lines += [_verdict(looked)]
    return "\n".join(lines)


def _lamp_lines(advice: Advice, tap: TapFigures) -> list[str]:
    """Volts at each lamp in four of the cases: from the worst to the best."""
    chosen = [("low", "all"), ("now", "all"), ("now", "alone"), ("high", "dim")]
    cases = [case for pair in chosen for case in tap.cases if (case.primary, case.load) == pair]
    rows = [("lamp", "wants", *(f"{c.primary}, {c.load}" for c in cases), "amps", "drop")]
    for index, lamp in enumerate(cases[0].lamps):
        shown = [_volts(case.lamps[index].volts) for case in cases]
        wants, amps = f"{lamp.least_v:g}-{lamp.greatest_v:g} V", f"{lamp.amps:.2f} A"
        rows.append((lamp.lamp, wants, *shown, amps, f"{lamp.drop_v:.2f} V"))
    primary = advice.primary
    volts = f"{primary.low_v:.4g}, {primary.here_v:.4g} and {primary.high_v:.4g} V on the primary"
    return [
        *table(rows, "llrrrrrr"),
        f"  low, now, high: {volts}. all: every lamp at full watts.",
        "  alone: only that lamp is lit. dim: the same, in its dimmest scene.",
    ]


def _volts(volts: float) -> str:
    return f"{volts:.2f} V" if volts else "none"


def _tap_lines(advice: Advice) -> list[str]:
    rows = [("tap", "", "lamps get", "margin", "")]
    for tap in advice.taps:
        volts = [lamp.volts for case in tap.cases for lamp in case.lamps]
        use = "in use" if tap is advice.in_use else "best" if tap is advice.best else ""
        names = [f"short: {', '.join(tap.short)}"] if tap.short else []
        names += [f"too many volts: {', '.join(tap.over)}"] if tap.over else []
        if not (tap.short or tap.over) and not tap.holds:
            names = ["above the limit"]
        mark = f" ({tap.mark})" if tap.mark else ""
        span = f"{_volts(min(volts))} to {_volts(max(volts))}"
        rows.append((f"{tap.tap_v:g} V{mark}", use, span, f"{tap.margin_v:+.2f} V", "; ".join(names)))
    return table(rows, "lllrl")


def _run_lines(looked: _Looked) -> list[str]:
    rows = [("run to", "size", "amps", "counts as", "may carry", "drop", "thinnest that serves")]
    for run in looked.advice.runs:
        counts, may = f"{run.continuous_a:.1f} A", f"{run.ampacity_a:g} A"
        drop, thinnest = f"{run.drop_v:.2f} V", run.thinnest or "none"
        rows.append((run.to, run.size, f"{run.amps:.1f} A", counts, may, drop, thinnest))
    return table(rows, "llrrrrl")


def _verdict(looked: _Looked) -> str:
    advice = looked.advice
    best, use = advice.best, advice.in_use
    if mismatched(looked.feed):
        return "Next: switch off. Have the primary's connections put right, then ask for tap and cable again."
    if best is None:
        limit, rule = LIMITS[looked.feed.region]
        return (
            f"No tap holds: take shorter or thicker runs, or fewer lamps; never above {limit:g} V ({rule})."
        )
    by = "" if advice.by_v is None else f", {advice.by_v:.2f} V more than the next"
    margin = f"the least margin is {best.margin_v:.2f} V{by}"
    if best is use:
        return f"The tap in use is the best one: {margin}."
    if use.holds:
        return f"The tap in use holds; the best one is {best.tap_v:g} V: {margin}."
    return f"Next: isolate the supply, then take the tap of {best.tap_v:g} V: {margin}."


def _fields(looked: _Looked) -> dict[str, object]:
    feed, advice = looked.feed, looked.advice
    load, rated = max(case.va for case in advice.in_use.cases), feed.supply.transformer.va
    return {
        "circuit": feed.circuit,
        "holds": advice.holds,
        "primary": advice.primary._asdict(),
        "tap_v": advice.in_use.tap_v,
        "best_tap_v": None if advice.best is None else advice.best.tap_v,
        "best_by_v": advice.by_v,
        "transformer": {"rated_va": rated, "load_va": load, "share": load / rated},
        "taps": [_tap_fields(tap) for tap in advice.taps],
        "runs": [
            {
                "to": run.to,
                "from": run.start,
                "size": run.size,
                "amps": run.amps,
                "continuous_a": run.continuous_a,
                "ampacity_a": run.ampacity_a,
                "greatest_protection_a": run.protection_a,
                "drop_v": run.drop_v,
                "lamps": list(run.carries),
                "thinnest": run.thinnest,
            }
            for run in advice.runs
        ],
        "findings": [finding._asdict() for finding in advice.findings],
    }


def _tap_fields(tap: TapFigures) -> dict[str, object]:
    return {
        "tap_v": tap.tap_v,
        "mark": tap.mark,
        "holds": tap.holds,
        "margin_v": tap.margin_v,
        "short": list(tap.short),
        "over": list(tap.over),
        "cases": [_case_fields(case) for case in tap.cases],
    }


def _case_fields(case: CaseFigures) -> dict[str, object]:
    lamps = [{**lamp._asdict(), "margin_v": lamp.margin_v} for lamp in case.lamps]
    figures = {"primary": case.primary, "primary_v": case.primary_v, "load": case.load}
    return {**figures, "va": case.va, "collapse": case.collapse, "lamps": lamps}
