"""What a discovery came to, as a datasheet file and as plain fields."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from sequencer.bench.gallery import DARK

if TYPE_CHECKING:
    from sequencer.bench.asking import Asked, Assumed
    from sequencer.bench.discover import Findings


def datasheet_toml(found: Findings, when: str) -> str:
    """The datasheet as TOML. ValueError when the discovery did not come to one."""
    if found.sheet is None:
        raise ValueError("there is no datasheet")
    return "\n".join(_lines(found, found.sheet, when)) + "\n"


def _lines(found: Findings, sheet: dict[str, Any], when: str) -> Iterator[str]:
    yield f"# Found out on the bench, {when}, with {found.spent.relay_cycles} relay cycles. ONE lamp, at ONE supply:"
    yield "# another of the type, or this one at other volts, may have its edges elsewhere. Every window holds what was"
    yield "# tried; lampstep bench measure finds where it ends, and lampstep bench accept tries the whole."
    yield "# The names of scenes are what they look like: give them better ones. Watts are not known: add [electrical]."
    yield "# CAUTION: mains and water kill. Licensed work only on the mains side; your local code decides."
    for sentence in taken_for_granted(found.assumed):
        yield f"# Taken for granted: {sentence}"
    for sentence in found.unsure:
        yield f"# Not sure: {sentence}."
    for title in ("lamp", "off", "on"):
        yield ""
        yield f"[{title}]"
        for key, value in sheet[title].items():
            yield f"{key} = {_value(value)}"
    for scene in sheet["scene"]:
        yield ""
        yield "[[scene]]"
        for key, value in scene.items():
            yield f"{key} = {_value(value)}"


def _value(value: object) -> str:
    """As TOML writes it.

    >>> _value([0, float("inf")]), _value("chalk")
    ('[0, inf]', '"chalk"')
    """
    if isinstance(value, list):
        return f"[{', '.join(map(_value, value))}]"
    if isinstance(value, float) and math.isinf(value):
        return "inf"
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def taken_for_granted(assumed: Assumed) -> list[str]:
    """What was assumed, a sentence each."""
    wrong = f"each look is wrong with at most {assumed.lapse:.0%}, by itself; then any of {assumed.looks} answers is"
    return [
        f"{assumed.settled_s:g} s of supply leave it settled and warm.",
        f"A break of {assumed.longest_s:g} s is a power-down; one under {assumed.shortest_s:.2g} s was not tried.",
        f"It has at most {assumed.most_scenes} scenes, and count lamps have one for every count up to the last.",
        f"It keeps its limits, but for a clock that errs by at most {assumed.clock:.0%}.",
        f"No more than {assumed.max_flashes_per_s:g} breaks a second were sent: what takes more was not tried.",
        f"No window of breaks ends before {assumed.narrowest:g} times its start.",
        f"{wrong} with at most {assumed.error:.0%}." if assumed.lapse > 0 else "No look is wrong.",
        "It has no more states than were found; longer words were tried by chance only.",
    ]


def discovered_fields(found: Findings) -> dict[str, object]:
    """For ``--json`` and the report."""
    names = found.gallery.names()
    learned = found.learned
    return {
        "end": found.end,
        "why": found.why,
        "relay_cycles": found.spent.relay_cycles,
        "seconds": found.spent.seconds,
        "trains": len(found.log),
        "states": None if learned is None else learned.states,
        "tested": None if learned is None else learned.tested,
        "assumed": found.assumed._asdict(),
        "taken_for_granted": taken_for_granted(found.assumed),
        "unsure": list(found.unsure),
        "breaks": [] if found.lengths is None else [run._asdict() for run in found.lengths.runs],
        "scenes": [
            {"name": name, "seen": met.times, **met.mean._asdict()}
            for name, met in zip(names, found.gallery.scenes, strict=True)
        ],
        "log": [entry_fields(entry, names) for entry in found.log],
    }


def entry_fields(entry: Asked, names: tuple[str, ...]) -> dict[str, object]:
    """One line of the log."""
    return {
        "why": entry.why,
        "pulses": [{"off_s": off, "on_s": on} for off, on in entry.pulses],
        "saw": "dark" if entry.saw == DARK else names[entry.saw],
        "looks": entry.looks,
    }
