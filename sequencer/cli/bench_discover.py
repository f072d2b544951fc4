"""``lampstep bench discover``: a datasheet for a lamp that came without one.

Progress goes to standard error; what was found is the answer.
"""

from __future__ import annotations

import shlex
from datetime import date
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

from sequencer.bench.asking import Asking, Assumed, assumed_of
from sequencer.bench.discover import Findings, discover
from sequencer.bench.discovered import datasheet_toml, discovered_fields, taken_for_granted
from sequencer.bench.kept_run import read_whole, write_whole
from sequencer.bench.rigfile import OperatorEyes, Rig, ScpiSupply, load_rig
from sequencer.bench.rigstand import delays_of, open_stand
from sequencer.cli.answer import BROKEN_OFF, NO, YES, Answer
from sequencer.cli.arguments import Arguments
from sequencer.cli.bench_begin import kept_at, may_it_run, say, say_notes
from sequencer.cli.bench_files import new_file, write_report, write_sheet
from sequencer.datasheet import load_datasheet
from sequencer.errors import InputError
from sequencer.layout import table
from sequencer.tomlfile import Name, told


def run(arguments: Arguments) -> Answer:
    """Begin, or go on with, a discovery until its end or until it is broken off."""
    if find_spec("aalpy") is None:
        raise InputError("bench discover: the library AALpy is missing: pip install 'lampstep[bench]'")
    rig = load_rig(arguments.rig)
    if rig.simulated and arguments.pretend is None:
        words = "say with --pretend DATASHEET which lamp is simulated"
        raise InputError(f"{arguments.rig}: nothing of this rig is real: {words}")
    if not rig.simulated and arguments.pretend is not None:
        raise InputError(
            "--pretend is for a rig on which nothing is real: this one has its lamp on the table"
        )
    sheet = None if arguments.pretend is None else load_datasheet(arguments.pretend)
    try:
        name = TypeAdapter(Name).validate_python(arguments.name or "a lamp without a name")
    except ValueError:
        raise InputError("--name: 1 to 60 characters that print, no space around them") from None
    out, report = new_file(arguments.out, "--out"), new_file(arguments.report, "--report")
    path = kept_at(arguments, "discover.json")
    record = read_whole(path, "discover") if arguments.resume is not None and path.exists() else None
    volts = _volts(rig, arguments, record)
    if not rig.simulated:
        may_it_run(sure=arguments.yes)
    with open_stand(rig, sheet, volts) as (stand, notes):
        say_notes(notes)

        def keep(now: Asking) -> None:
            write_whole(path, {"bench": "discover", "volts": volts, **now.record()})

        assumed = _assumed(rig, arguments, record)
        ask = Asking(stand, assumed, record=record, keep=keep)
        broken_off = False
        try:
            found = discover(ask, name, lambda stage: _tell(ask, stage))
        except KeyboardInterrupt:
            say("")
            why = "it was broken off"
            found = Findings("over budget", why, assumed, ask.spent, tuple(ask.log), ask.gallery)
            broken_off = True
        return _answer(found, arguments, path, out, report, notes, broken_off=broken_off)


def _volts(rig: Rig, arguments: Arguments, record: dict[str, Any] | None) -> float | None:
    """What to set the supply to; None where it is fixed. A lamp that nobody knows must be told its volts."""
    kept: Any = None if record is None else record.get("volts")
    volts: Any = kept if arguments.volts_set is None else arguments.volts_set
    where = f"{arguments.rig}: [supply]"
    if volts is None:
        if isinstance(rig.supply, ScpiSupply):
            raise InputError(f"{where} can be set: say with --volts what the lamp's plate says it runs on")
        return None
    if rig.volts_range is None:
        raise InputError(f"{where} is fixed: leave --volts out")
    least, greatest = rig.volts_range
    if isinstance(volts, bool) or not isinstance(volts, (int, float)) or not least <= volts <= greatest:
        raise InputError(f"{where} gives {least:g}-{greatest:g} V, not the {told(volts)} V of --volts")
    if kept is not None and volts != kept:
        raise InputError(f"--volts: the run was begun at {kept:g} V, and goes on at no others")
    return float(volts)


def _assumed(rig: Rig, arguments: Arguments, record: dict[str, Any] | None) -> Assumed:
    begun = Assumed() if record is None else assumed_of(record)
    delays = delays_of(rig)
    makes_s = delays.mean_make_s - delays.mean_break_s + delays.spread_s  # the shortest break of such a relay
    usual = begun._replace(
        shortest_s=max(Assumed().shortest_s, makes_s),
        longest_s=min(Assumed().longest_s, rig.timing.max_dark_s),
        max_flashes_per_s=rig.timing.max_flashes_per_s,
        budget_cycles=arguments.budget_cycles,
        budget_s=arguments.budget_hours * 3600,
        most_scenes=arguments.most_scenes or begun.most_scenes,
        settled_s=arguments.settled or begun.settled_s,
    )
    # Nobody asks a person the same thing three times over.
    return usual._replace(lapse=0.0) if isinstance(rig.eyes, OperatorEyes) else usual


def _tell(ask: Asking, stage: str) -> None:
    spent = ask.spent
    left_h = (ask.assumed.budget_s - spent.seconds) / 3600
    say(
        f"{spent.seconds / 60:6.0f} min  {spent.relay_cycles:5} relay cycles  to {stage}  (at most {left_h:.1f} h left)"
    )


def _answer(
    found: Findings,
    arguments: Arguments,
    path: Path,
    out: Path | None,
    report: Path | None,
    notes: tuple[str, ...],
    *,
    broken_off: bool,
) -> Answer:
    text = None if found.sheet is None else datasheet_toml(found, date.today().isoformat())
    if out is not None and text is not None:
        write_sheet(out, text, path)
    fields = {
        **discovered_fields(found),
        "whole": text is not None,
        "broken_off": broken_off,
        "kept": str(path),
        "out": None if out is None or text is None else str(out),
        "toml": text,
        "notes": list(notes),
    }
    if report is not None:
        write_report(report, "discover", fields)
    lines = list(_lines(found))
    if text is None:
        again = ["lampstep", "bench", "discover", "--rig", arguments.rig, "--resume", str(path)]
        again += [] if arguments.pretend is None else ["--pretend", arguments.pretend]
        again += [] if arguments.out is None else ["--out", arguments.out]
        again += [] if arguments.name is None else ["--name", arguments.name]
        more = 1 if broken_off else 2  # what was spent counts
        again += ["--budget-cycles", str(more * arguments.budget_cycles)]
        again += ["--budget-hours", f"{more * arguments.budget_hours:g}"]
        if found.end == "over budget":
            lines.append(f"Next: {shlex.join(again)}")
    else:
        lines += ["", text] if out is None else [f"Written: {out}. Next: lampstep bench accept {out} ..."]
    status = BROKEN_OFF if broken_off else YES if text is not None else NO
    return Answer(status, fields, "\n".join(lines))


def _lines(found: Findings) -> list[str]:
    lines = []
    if found.sheet is None:
        lines.append(f"No datasheet: {found.why}.")
    else:
        lamp = found.sheet["lamp"]
        reset = "yes" if "reset" in found.sheet["off"] else "none seen"
        overflow = f", beyond them: {lamp['overflow']}" if "overflow" in lamp else ""
        lines.append(
            f"The lamp selects by {lamp['selects_by']} among {len(found.sheet['scene'])} scenes{overflow}; "
            f"after a power-down: {lamp['after_power_down']}; reset: {reset}."
        )
    if found.lengths is not None and found.lengths.runs:
        rows = [("breaks tried, s", "did")]
        rows += [
            (f"{run.first_s:.3g}-{run.last_s:.3g}", DID.get(run.word, run.word)) for run in found.lengths.runs
        ]
        lines += ["", *table(rows, "ll"), ""]
    lines += [f"Not sure: {sentence}." for sentence in found.unsure]
    lines += [f"Taken for granted: {sentence}" for sentence in taken_for_granted(found.assumed)]
    spent = found.spent
    lines.append(f"{len(found.log)} trains, {spent.seconds / 60:.0f} min, {spent.relay_cycles} relay cycles.")
    return lines


DID = {
    "stays": "nothing was seen to change",
    "pulse": "a pulse",
    "first": "back to the first scene",
    "unclear": "not the same each time",
}
