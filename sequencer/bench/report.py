"""A bench run as one HTML file that needs nothing else: to read, to print, to file with the lamp.

It is made from the fields that ``--json`` prints, and holds them, so that the figures in both are the same. All that
comes from files or from the lamp is escaped.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from html import escape
from typing import TYPE_CHECKING, Any, Literal

from sequencer.bench.colours import difference, mean_colour
from sequencer.bench.pictures import Bar, Dot, colours_svg, windows_svg

if TYPE_CHECKING:
    from sequencer.datasheet import Datasheet

Kind = Literal["accept", "measure", "discover"]
CAUTIONS = (
    "This is one lamp, at one supply and one temperature. Another lamp of its type may behave otherwise.",
    "A lamp that is made to run under water only gets hot dry: run it as its instructions say.",
    "A train flashes: whoever may be prone to seizures looks away, and nobody swims while one is sent.",
    "Mains and water kill. Work on the mains side is for licensed people, under your local code.",
)
TITLES = {"accept": "Acceptance", "measure": "Measurement", "discover": "Discovery"}
LONGEST_LOG = 2000
STYLE = """
@page { margin: 15mm; }
body { font: 10.5pt/1.4 sans-serif; color: #111; background: #fff; }
body { max-width: 46em; margin: 1em auto; padding: 0 1em; }
h1 { font-size: 1.4em; margin-bottom: 0; } h2 { font-size: 1.1em; margin: 1.5em 0 .3em; break-after: avoid; }
.verdict { font-size: 1.25em; font-weight: bold; border: 2px solid #111; padding: .5em .7em; }
table { border-collapse: collapse; width: 100%; font-size: .88em; }
th, td { text-align: left; padding: .15em .6em .15em 0; vertical-align: top; }
th, td { border-bottom: 1px solid #bbb; }
thead { display: table-header-group; } tr, svg { break-inside: avoid; }
svg { width: 100%; height: auto; } .c svg { max-width: 27em; }
.log { font-size: .8em; } pre { white-space: pre-wrap; font-size: .85em; }
.chip { display: inline-block; width: 1em; height: 1em; border: 1px solid #111; vertical-align: -.15em; }
* { print-color-adjust: exact; -webkit-print-color-adjust: exact; }
"""


def html_report(kind: Kind, fields: Mapping[str, Any], sheet: Datasheet | None, when: str) -> str:
    """The whole file. ``fields`` is what ``--json`` prints; ``sheet`` the datasheet that the run was against."""
    return "\n".join(_page(kind, fields, sheet, when)) + "\n"


def verdict(kind: Kind, fields: Mapping[str, Any]) -> str:
    """One plain sentence."""
    lamp = fields.get("lamp") or "the lamp"
    if fields.get("broken_off"):
        return f"{lamp}: broken off before its end; nothing is decided."
    if kind == "accept":
        if fields["accepted"]:
            return f"{lamp}: ACCEPTED. It does what its datasheet says, as far as it was tried."
        failed = len(fields["failures"])
        return f"{lamp}: NOT ACCEPTED. {failed} time{'' if failed == 1 else 's'} it was seen to do something else."
    if kind == "measure":
        edges = fields["edges"]
        found = sum(edge["outcome"] == "found" for edge in edges)
        done = "MEASURED" if fields["whole"] else "NOT FINISHED"
        return f"{lamp}: {done}. {found} of {len(edges)} edges were found."
    if fields["whole"]:
        unsure = len(fields["unsure"])
        return f"DISCOVERED. There is a datasheet, and {unsure or 'nothing'} of it is said to be unsure."
    return f"NOT DISCOVERED: {fields['why']}."


def _page(kind: Kind, fields: Mapping[str, Any], sheet: Datasheet | None, when: str) -> Iterator[str]:
    title = f"{TITLES[kind]}: {fields.get('lamp') or 'a lamp without a datasheet'}"
    yield "<!DOCTYPE html>"
    yield '<html lang="en"><head><meta charset="utf-8">'
    yield '<meta name="viewport" content="width=device-width, initial-scale=1">'
    yield f"<title>{escape(title)}</title><style>{STYLE}</style></head><body>"
    yield f"<h1>{escape(title)}</h1><p>{escape(when)}</p>"
    yield f'<p class="verdict">{escape(verdict(kind, fields))}</p>'
    yield from {"accept": _accept, "measure": _measure, "discover": _discover}[kind](fields, sheet)
    yield from _list("What was not tested", _untested(kind, fields))
    yield from _list("Cautions", [*CAUTIONS, *fields.get("notes", ())])
    yield from _log(kind, fields, sheet)
    data = json.dumps(fields, default=str).replace("<", "\\u003c")
    yield f'<script type="application/json" id="figures">{data}</script>'
    yield "</body></html>"


# -- what each run has to show ---------------------------------------------------------------------


def _accept(fields: Mapping[str, Any], sheet: Datasheet | None) -> Iterator[str]:
    if fields["trials"]:
        yield (
            f"<p>{fields['slips']} of {fields['trials']} trains went wrong. With {fields['confidence']:.0%} confidence "
            f"at most {fields['rate_bound']:.2%} of all trains do (exact binomial bound, Clopper and Pearson 1934).</p>"
        )
    yield _cost(fields)
    if fields["failures"]:
        wrong = [
            (entry["phase"], entry["what"], _expected(sheet, entry), _saw(sheet, entry["seen"]))
            for entry in fields["failures"]
        ]
        yield from _section("What went wrong", _table(("phase", "tried", "expected", "seen"), wrong))
    if sheet is not None:
        yield from _section("Windows", windows_svg(_claimed(sheet)), _legend_of_windows(measured=False))
        seen: dict[int, list[Mapping[str, Any]]] = {}
        for entry in fields["log"]:
            if entry["right"] and entry["seen"]["code"] is not None:
                seen.setdefault(entry["seen"]["code"], []).append(entry["seen"])
        last = {code: each[-1] for code, each in seen.items()}
        rows = [
            (
                str(scene.code),
                scene.name,
                _moves(mean_colour(scene) if scene.colour or scene.colours else None, scene.period_s),
                _moves(last[scene.code]["colour"], last[scene.code]["period_s"])
                if scene.code in last
                else "not seen",
                str(len(seen.get(scene.code, ()))),
            )
            for scene in sheet.scenes
        ]
        pairs = [
            (scene.code, mean_colour(scene), last.get(scene.code, {}).get("colour")) for scene in sheet.scenes
        ]
        yield from _colours(pairs, rows)


def _measure(fields: Mapping[str, Any], _: Datasheet | None) -> Iterator[str]:
    yield _cost(fields)
    yield from _list("Why there is no datasheet", fields["problems"])
    bars = []
    rows = []
    for edge in fields["edges"]:
        name = edge["edge"] + ("" if edge["volts"] is None else f" at {edge['volts']:g} V")
        interval = None if edge["interval_s"] is None else tuple(_open(s) for s in edge["interval_s"])
        claimed = None if edge["claimed_s"] is None else tuple(_open(s) for s in edge["claimed_s"])
        bars.append(Bar(name, claimed, None, edge["estimate_s"], interval))  # type: ignore[arg-type]
        rows.append(
            (
                name,
                "" if edge["estimate_s"] is None else f"{edge['estimate_s']:.4g}",
                "" if interval is None else _span(interval),
                "" if claimed is None else _span(claimed),
                str(edge["presentations"]),
                edge["note"] or edge["outcome"],
            )
        )
    if bars:
        heads = ("edge", "found, s", "95 %, s", "datasheet, s", "shown", "")
        yield from _section(
            "Where the windows turn",
            windows_svg(bars),
            _legend_of_windows(measured=True),
            _table(heads, rows),
        )
    if (held := fields["hold_up"]) is not None:
        yield from _section(
            "Capacitor",
            f"<p>{held['capacitance_f'] * 1e3:.3g} ± {held['capacitance_error_f'] * 1e3:.2g} mF, drops out at "
            f"{held['dropout_v']:.3g} ± {held['dropout_error_v']:.2g} V.</p>",
        )
    yield from _toml(fields)


def _discover(fields: Mapping[str, Any], _: Datasheet | None) -> Iterator[str]:
    yield _cost(fields)
    yield from _list("What remains unsure", fields["unsure"])
    words = {
        "stays": "nothing seen to change",
        "pulse": "a pulse",
        "first": "back to the first scene",
        "unclear": "not the same each time",
    }
    if fields["breaks"]:
        bars = [
            Bar(words.get(run["word"], run["word"]), None, (run["first_s"], run["last_s"]))
            for run in fields["breaks"]
        ]
        tried = [
            (f"{run['first_s']:.3g} to {run['last_s']:.3g}", words.get(run["word"], run["word"]))
            for run in fields["breaks"]
        ]
        yield from _section(
            "What breaks of each length did",
            windows_svg(bars),
            "<p>Filled: lengths that were tried, from the first to the last that did this.</p>",
            _table(("tried, s", "did"), tried),
        )
    if fields["scenes"]:
        rows = [
            (str(n), scene["name"], "", _moves(scene["colour"], scene["period_s"]), str(scene["seen"]))
            for n, scene in enumerate(fields["scenes"], start=1)
        ]
        yield from _colours(
            [(n, None, scene["colour"]) for n, scene in enumerate(fields["scenes"], start=1)], rows
        )
    if fields["states"] is not None:
        yield from _section(
            "How it was learned",
            f"<p>An automaton of {fields['states']} states, held against the lamp with {fields['tested']} words.</p>",
        )
    yield from _toml(fields)


def _untested(kind: Kind, fields: Mapping[str, Any]) -> Iterator[str]:
    if kind == "discover":
        yield from (f"Taken for granted: {sentence}" for sentence in fields["taken_for_granted"])
        yield "At other volts, and how much it draws."
    if kind == "accept":
        if not fields["whole"]:
            yield f"{fields['of'] - fields['done']} of {fields['of']} tasks: the run ended before them."
        if fields["lowest_v"] is None:
            yield "The lowest rated volts: this supply cannot be set to them."
    if kind == "measure":
        for edge in fields["edges"]:
            if edge["outcome"] != "found":
                yield f"{edge['edge']}: {edge['note'] or edge['outcome']}."
    yield "Heat, water, age, and the volts at the end of a long cable."


# -- pieces -----------------------------------------------------------------------------------------


def _claimed(sheet: Datasheet) -> list[Bar]:
    off, on = sheet.off, sheet.on
    named = [
        ("ignored", off.ignored), ("pulse", off.pulse), ("reset", off.reset), ("power-down", off.power_down),
        ("supply: same train", on.same_train), ("supply: settled", on.settled), ("supply: warm-up", sheet.warm_up),
        ("supply: noticed", sheet.noticed),
    ]  # fmt: skip
    return [Bar(name, window) for name, window in named if window is not None]


def _legend_of_windows(*, measured: bool) -> str:
    words = "Dashed box: what the datasheet claims."
    if measured:
        words = (
            "Dashed box: where the datasheet leaves the edge. Thick stroke: where it was found. Thin line with ends: "
            "its 95 % interval."
        )
    return f"<p>{words} A window that runs off the right side has no end.</p>"


def _colours(
    pairs: Sequence[tuple[int, str | None, str | None]], rows: Sequence[tuple[str, str, str, str, str]]
) -> Iterator[str]:
    dots = [Dot(*pair) for pair in pairs]
    far = {
        number: f"{difference(claimed, seen):.1f}"
        for number, claimed, seen in pairs
        if claimed is not None and seen
    }
    heads = ("no.", "scene", "datasheet", "seen", "CIEDE2000", "times")
    table = [(row[0], row[1], row[2], row[3], far.get(int(row[0]), ""), row[4]) for row in rows]
    yield from _section(
        "Colours",
        f'<div class="c">{colours_svg(dots)}</div>',
        "<p>CIE 1976 u', v'. Ring: the datasheet's colour. Cross: what was seen. Brightness is not in this picture, "
        "but is in CIEDE2000 (Sharma, Wu and Dalal 2005).</p>",
        _table(heads, table),
    )


def _moves(colour: str | None, period_s: float | None) -> str:
    words = colour or "no colour"
    return words if period_s is None else f"{words}, round in {period_s:.3g} s"


def _toml(fields: Mapping[str, Any]) -> Iterator[str]:
    if fields["toml"] is not None:
        yield from _section("The datasheet", f"<pre>{escape(fields['toml'])}</pre>")


def _log(kind: Kind, fields: Mapping[str, Any], sheet: Datasheet | None) -> Iterator[str]:
    rows: list[tuple[str, ...]]
    heads: tuple[str, ...]
    if kind == "measure":
        rows = [
            (
                edge["edge"],
                ", ".join(f"{s:.4g}" for s in shown["lengths_s"]),
                f"{shown['found_long']} of {len(shown['lengths_s'])} long",
            )
            for edge in fields["edges"]
            for shown in edge["shown"]
        ]
        heads = ("edge", "shown, s", "answer")
    elif kind == "accept":
        rows = [
            (
                entry["phase"],
                entry["what"],
                _saw(sheet, entry["seen"]),
                "right" if entry["right"] else "WRONG",
            )
            for entry in fields["log"]
        ]
        heads = ("phase", "tried", "seen", "")
    else:
        rows = [(entry["why"], _train(entry["pulses"]), entry["saw"]) for entry in fields["log"]]
        heads = ("why", "breaks and supplies, s", "seen")
    more = len(rows) - LONGEST_LOG
    yield from _section(
        "Log",
        f'<div class="log">{_table(heads, rows[:LONGEST_LOG])}</div>',
        f"<p>And {more} more, which are in the JSON.</p>" if more > 0 else "",
    )


def _train(pulses: Sequence[Mapping[str, float]]) -> str:
    """Equal breaks in a row told as one, the last apart.

    >>> _train([{"off_s": 0.4, "on_s": 0.5}] * 3 + [{"off_s": 0.4, "on_s": 4.0}])
    '3 × (0.4 dark, 0.5 lit), 0.4 dark, 4 lit'
    """
    parts: list[tuple[int, str]] = []
    for pulse in pulses:
        words = f"{pulse['off_s']:.4g} dark, {pulse['on_s']:.4g} lit"
        if parts and parts[-1][1] == words:
            parts[-1] = (parts[-1][0] + 1, words)
        else:
            parts.append((1, words))
    return (
        ", ".join(words if times == 1 else f"{times} × ({words})" for times, words in parts) or "only a look"
    )


def _saw(sheet: Datasheet | None, seen: Mapping[str, Any]) -> str:
    if seen["spoiled"]:
        return "not looked at: the train was spoiled"
    if seen["code"] is not None:
        return _scene(sheet, seen["code"])
    return "dark, or no scene's" if seen["colour"] is None else f"{seen['colour']}, no scene's"


def _scene(sheet: Datasheet | None, code: int | None) -> str:
    scene = None if sheet is None or code is None else sheet.scene_by_code(code)
    return ("any scene" if code is None else f"scene {code}") if scene is None else scene.name


def _expected(sheet: Datasheet | None, entry: Mapping[str, Any]) -> str:
    return " or ".join(_scene(sheet, code) for code in (entry["expects"], *entry.get("or_else", ())))


def _cost(fields: Mapping[str, Any]) -> str:
    return f"<p>It took {fields['seconds'] / 60:.0f} minutes and {fields['relay_cycles']} relay cycles.</p>"


def _open(seconds: float | None) -> float:
    return math.inf if seconds is None else seconds


def _span(pair: Iterable[float]) -> str:
    return " to ".join("no end" if math.isinf(s) else f"{s:.4g}" for s in pair)


def _section(title: str, *parts: str) -> Iterator[str]:
    yield f"<h2>{escape(title)}</h2>"
    yield from (part for part in parts if part)


def _list(title: str, sentences: Iterable[str]) -> Iterator[str]:
    if items := "".join(f"<li>{escape(sentence)}</li>" for sentence in sentences):
        yield from _section(title, f"<ul>{items}</ul>")


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """All cells escaped; a cell that is a colour begins with a chip of it."""
    head = "".join(f"<th>{escape(name)}</th>" for name in heads)
    body = "".join("<tr>" + "".join(f"<td>{_cell(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def _cell(words: str) -> str:
    colour = words[:7]
    if len(colour) == 7 and colour[0] == "#" and all(c in "0123456789abcdefABCDEF" for c in colour[1:]):
        return f'<span class="chip" style="background:{colour}"></span> {escape(words)}'
    return escape(words)
