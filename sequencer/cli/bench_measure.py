"""``lampstep bench measure``: where the edges of this lamp's windows lie, and the datasheet that follows.

Progress goes to standard error; what was found is the answer.
"""

from __future__ import annotations

import shlex
import sys
from datetime import date
from pathlib import Path

from sequencer.bench.held_up import Fitted
from sequencer.bench.kept_answers import load, measured_fields, save
from sequencer.bench.measure import Run, drive, findings, seconds_left
from sequencer.bench.measurement import Course, Findings, Measurement, Options, Question, course_for
from sequencer.bench.rigfile import MeterEyes, Rig, ScpiSupply
from sequencer.bench.rigstand import delays_of, open_stand
from sequencer.bench.stand import Spent, Stand
from sequencer.bench.subject import SHORTEST_S, jitter_of, shortest_of
from sequencer.bench.written import datasheet_toml, held_up
from sequencer.cli.answer import BROKEN_OFF, NO, YES, Answer
from sequencer.cli.arguments import Arguments
from sequencer.cli.bench_begin import kept_at, may_it_run, say, say_notes, sheet_and_rig
from sequencer.cli.bench_files import new_file, write_report, write_sheet
from sequencer.datasheet import Datasheet
from sequencer.errors import InputError
from sequencer.layout import table
from sequencer.tomlfile import quoted

TOO_SLOW = "This relay makes no"
OUTCOMES = {
    "found": "",
    "below": "every length was long",
    "above": "every length was short",
    "unsure": "not sure: the lamp or the eyes were too unsteady",
    "hidden": "cannot be seen",
}


def run(arguments: Arguments) -> Answer:
    """Begin, or go on with, a measurement until its end or until it is broken off."""
    sheet, rig = sheet_and_rig(arguments)
    out, report = new_file(arguments.out, "--out"), new_file(arguments.report, "--report")
    path = kept_at(arguments, f"{Path(arguments.datasheet).stem}.measure.json")
    if not rig.simulated:
        may_it_run(sure=arguments.yes)
    with open_stand(rig, sheet) as (stand, of_stand):
        notes = (*of_stand, *_limits(rig))
        say_notes(notes)
        begun, before = Run(_course(sheet, rig, stand, arguments)), Spent()
        if arguments.resume is not None and path.exists():
            begun, before = load(path, begun.course)
        dc = isinstance(rig.supply, ScpiSupply)  # as a rule: docs/bench.md
        answer = _run(begun, before, stand, path, out, arguments, notes, dc=dc)
    if report is not None:
        write_report(report, "measure", answer.fields, sheet)
    return answer


def _course(sheet: Datasheet, rig: Rig, stand: Stand, arguments: Arguments) -> Course:
    off_s, on_s = shortest_of(delays_of(rig))
    options = Options(
        arguments.precision,
        longest_s=min(Options().longest_s, rig.timing.max_dark_s),
        shortest_s=off_s,
        shortest_on_s=on_s,
        limits=rig.timing.limits,
    )
    by_watts = isinstance(rig.eyes, MeterEyes)
    jitter_s = jitter_of(delays_of(rig))
    return course_for(sheet, stand.threshold, jitter_s, options, stand.volts_range, by_watts=by_watts)


def _limits(rig: Rig) -> tuple[str, ...]:
    """What this relay is too slow for."""
    pairs = zip(("break", "supply between two breaks"), shortest_of(delays_of(rig)), strict=True)
    return tuple(
        f"{TOO_SLOW} {what} under {shortest_s:.3g} s (its make_s and break_s): an edge below that cannot be"
        " found. A quicker relay finds it"
        for what, shortest_s in pairs
        if shortest_s > SHORTEST_S
    )


def _run(
    begun: Run,
    before: Spent,
    stand: Stand,
    path: Path,
    out: Path | None,
    arguments: Arguments,
    notes: tuple[str, ...],
    *,
    dc: bool,
) -> Answer:
    kept = begun

    def spent() -> Spent:
        return before.and_then(stand.spent)

    def keep(now: Run) -> None:
        nonlocal kept
        kept = now
        save(path, now, spent())

    broken_off = False
    try:
        kept, found = drive(begun, stand, keep, _tell)
    except KeyboardInterrupt:
        say("")
        found, broken_off = findings(kept), True
    text, problems = _written(kept, found, broken_off=broken_off, dc=dc)
    if out is not None and text is not None:
        write_sheet(out, text, path)
    status = BROKEN_OFF if broken_off else NO if text is None else YES
    fitted = held_up(found, dc=dc)
    sheet = kept.course.subject.sheet
    fields = {
        "datasheet": Path(arguments.datasheet).stem,
        "lamp": sheet.lamp.name,
        "whole": text is not None,
        "broken_off": broken_off,
        "problems": problems,
        "edges": measured_fields(found),
        "hold_up": fitted._asdict() if isinstance(fitted, Fitted) else None,
        "presentations": found.presentations,
        "relay_cycles": spent().relay_cycles,
        "seconds": spent().seconds,
        "kept": str(path),
        "out": None if out is None or text is None else str(out),
        "toml": text,
        "notes": list(notes),
    }
    limits = [f"{note}." for note in notes if note.startswith(TOO_SLOW)]
    lines = [*_table(found), *limits, *_held(fitted, kept.course), *problems]
    lines.append(
        f"{found.presentations} presentations, {spent().seconds / 60:.0f} min, {spent().relay_cycles} relay cycles."
    )
    if broken_off:
        again = ["lampstep", "bench", "measure", arguments.datasheet, "--rig", arguments.rig]
        again += ["--precision", f"{arguments.precision:g}", "--resume", str(path)]
        again += [] if out is None else ["--out", str(out)]
        lines = [f"{quoted(sheet.lamp.name)}: broken off. The relay is at rest.", *lines]
        lines.append(f"Next: {shlex.join(again)}")
    elif text is not None:
        lines += ["", text] if out is None else [f"Written: {out}. Next: lampstep bench accept {out} ..."]
    return Answer(status, fields, "\n".join(lines))


def _written(run: Run, found: Findings, *, broken_off: bool, dc: bool) -> tuple[str | None, list[str]]:
    """The datasheet, or why there is none."""
    if broken_off:
        return None, []
    if found.stuck is not None:
        return None, [f"Not finished: {found.stuck}."]
    try:
        return datasheet_toml(found, run.course.subject.sheet, date.today().isoformat(), dc=dc), []
    except InputError as error:
        return None, list(error.problems)


def _tell(run: Run, question: Question) -> None:
    """What is asked next, and how long it may still take: one line in all on a terminal, none on a log."""
    if sys.stderr is None or not sys.stderr.isatty():
        return
    minutes, seconds = divmod(round(seconds_left(run, question)), 60)
    words = f"{len(run.answers) + 1:4}  about {minutes:3}:{seconds:02} left  {question.what}"
    sys.stderr.write(f"\r{words[:100]:100}")
    sys.stderr.flush()


def _table(found: Findings) -> list[str]:
    head = ("edge", "at", "found, s", "95 %, s", "datasheet, s", "shown", "")
    return table([head, *map(_row, found.measured)], "lrrrrrl")


def _row(one: Measurement) -> tuple[str, ...]:
    said = one.note or OUTCOMES[one.outcome]
    volts = "" if one.volts is None else f"{one.volts:g} V"
    claimed = f"{one.claimed_s[0]:g}-{one.claimed_s[1]:g}"
    if one.estimate_s is None or one.interval_s is None:
        return one.name, volts, "", "", claimed, str(one.presentations), said
    low, high = one.interval_s
    numbers = f"{one.estimate_s:.4g}", f"{low:.4g}-{high:.4g}"
    return (one.name, volts, *numbers, claimed, str(one.presentations), said)


def _held(fitted: Fitted | str, course: Course) -> list[str]:
    if isinstance(fitted, str):
        return [f"No capacitor: {fitted}."] if course.volts else []
    farads = f"{fitted.capacitance_f * 1e3:.3g} +- {fitted.capacitance_error_f * 1e3:.2g} mF"
    volts = f"{fitted.dropout_v:.3g} +- {fitted.dropout_error_v:.2g} V"
    line = f"a line through {fitted.points} points, chi2 {fitted.chi2:.1f}"
    return [f"Capacitor {farads}, drops out at {volts} ({line})."]
