"""``lampstep bench accept``: does this lamp do what its datasheet says?

Progress goes to standard error; the verdict is the answer.
"""

from __future__ import annotations

import shlex
import sys
from pathlib import Path

from sequencer.bench.accept import Course, Entry, Options, Run, Verdict, verdict
from sequencer.bench.drive import Step, drive
from sequencer.bench.exercises import Trainer
from sequencer.bench.keeping import entry_fields, load, save
from sequencer.bench.rigfile import Rig
from sequencer.bench.rigstand import delays_of, open_stand
from sequencer.bench.stand import Spent, Stand
from sequencer.cli.answer import BROKEN_OFF, NO, YES, Answer
from sequencer.cli.arguments import Arguments
from sequencer.cli.bench_begin import kept_at, may_it_run, say, say_notes, sheet_and_rig
from sequencer.cli.bench_files import new_file, write_report
from sequencer.datasheet import Datasheet
from sequencer.layout import table
from sequencer.tomlfile import printable, quoted


def run(arguments: Arguments) -> Answer:
    """Begin, or go on with, a run until its verdict or until it is broken off."""
    sheet, rig = sheet_and_rig(arguments)
    course = _course(sheet, rig, arguments)
    report = new_file(arguments.report, "--report")
    path = kept_at(arguments, f"{Path(arguments.datasheet).stem}.accept.json")
    begun, before = Run(course), Spent()
    if arguments.resume is not None and path.exists():
        begun, before = load(path, course)
    _ = course.tasks  # what cannot be done is said before anything is sent
    if not rig.simulated:
        may_it_run(sure=arguments.yes)
    with open_stand(rig, sheet) as (stand, notes):
        say_notes(notes)
        answer = _run(begun, before, stand, path, arguments, notes)
    if report is not None:
        write_report(report, "accept", answer.fields, sheet)
    return answer


def _run(
    run: Run, before: Spent, stand: Stand, path: Path, arguments: Arguments, notes: tuple[str, ...]
) -> Answer:
    kept = run

    def spent() -> Spent:
        return before.and_then(stand.spent)

    def keep(now: Run) -> None:
        nonlocal kept
        kept = now
        save(path, now, spent())

    try:
        last, found = drive(run, stand, keep, _tell)
    except KeyboardInterrupt:
        say("")
        found = verdict(kept, whole=False)
        return _answer(kept, found, spent(), path, arguments, notes, BROKEN_OFF)
    status = YES if found.accepted else NO
    return _answer(last, found, spent(), path, arguments, notes, status)


def _course(sheet: Datasheet, rig: Rig, arguments: Arguments) -> Course:
    timing = rig.timing
    trainer = Trainer(sheet, delays_of(rig), timing.margin_s, timing.max_flashes_per_s, timing.max_dark_s)
    return Course(trainer, Options(arguments.tours, seed=arguments.seed), rig.volts_range)


def _tell(step: Step) -> None:
    """One line an exercise on a log, one line in all on a terminal."""
    if sys.stderr is None:
        return
    last = step.run.log[-1]
    minutes, seconds = divmod(round(step.left_s), 60)
    words = (
        f"{step.done:4} of {step.of}  {last.exercise.phase:9}  {_mark(last)}  {minutes:3}:{seconds:02} left  "
    )
    words += last.exercise.what
    if sys.stderr.isatty():
        sys.stderr.write(f"\r{words[:100]:100}" + ("" if last.right and step.done < step.of else "\n"))
    elif not last.right:
        sys.stderr.write(words + "\n")
    sys.stderr.flush()


def _mark(entry: Entry) -> str:
    if entry.seen.spoiled:
        return "spoiled"
    return "ok     " if entry.right else "WRONG  "


def _answer(
    run: Run,
    found: Verdict,
    spent: Spent,
    path: Path,
    arguments: Arguments,
    notes: tuple[str, ...],
    status: int,
) -> Answer:
    sheet = run.course.trainer.sheet
    fields = {
        "datasheet": Path(arguments.datasheet).stem,
        "lamp": sheet.lamp.name,
        "accepted": found.accepted,
        "whole": found.whole,
        "broken_off": status == BROKEN_OFF,
        "done": run.done,
        "of": len(run.course.tasks),
        "trials": found.trials,
        "slips": found.slips,
        "rate_bound": found.rate_bound,
        "confidence": found.confidence,
        "lapses": found.lapses,
        "spoiled": found.spoiled,
        "lowest_v": run.course.lowest_v,
        "failures": [entry_fields(entry) for entry in found.failures],
        "relay_cycles": spent.relay_cycles,
        "seconds": spent.seconds,
        "kept": str(path),
        "notes": list(notes),
        "log": [entry_fields(entry) for entry in run.log],
    }
    return Answer(status, fields, "\n".join(_lines(run, found, spent, path, arguments, status)))


def _lines(
    run: Run, found: Verdict, spent: Spent, path: Path, arguments: Arguments, status: int
) -> list[str]:
    sheet = run.course.trainer.sheet
    name = quoted(sheet.lamp.name)
    if status == BROKEN_OFF:
        again = ["lampstep", "bench", "accept", arguments.datasheet, "--rig", arguments.rig]
        again += ["--tours", str(arguments.tours), "--seed", str(arguments.seed), "--resume", str(path)]
        head = f"{name}: broken off after {run.done} of {len(run.course.tasks)}. The relay is at rest."
        return [head, *_failure_lines(found, sheet), f"Next: {shlex.join(again)}"]
    lines = [f"{name}: {'ACCEPTED' if found.accepted else 'NOT ACCEPTED'}."]
    if found.trials:
        lines.append(
            f"{found.slips} of {found.trials} trains went wrong: with {found.confidence:.0%} confidence at most "
            f"{found.rate_bound:.1%} do."
        )
    if not found.whole:
        lines.append(f"Ended after {run.done} of {len(run.course.tasks)}: more would not change the verdict.")
    lines += _failure_lines(found, sheet)
    if found.accepted and run.course.lowest_v is None:
        lines.append("Not tried at the lowest rated volts: this supply cannot be set to them.")
    if found.lapses:
        looks = "1 look was" if found.lapses == 1 else f"{found.lapses} looks were"
        lines.append(f"{looks} wrong at first and right at the second: the eyes, not the lamp.")
    if found.spoiled:
        trains = "1 train was" if found.spoiled == 1 else f"{found.spoiled} trains were"
        lines.append(f"{trains} spoiled by late edges and sent again after a lead-in.")
    minutes = spent.seconds / 60
    lines.append(
        f"It took {minutes:.0f} min and {spent.relay_cycles} relay cycles. The run is kept in {path}."
    )
    return lines


def _failure_lines(found: Verdict, sheet: Datasheet) -> list[str]:
    if not found.failures:
        return []
    rows = [("phase", "tried", "expected", "seen")]
    for entry in found.failures:
        rows.append(
            (
                entry.exercise.phase,
                printable(entry.exercise.what),
                " or ".join(
                    _scene(sheet, code) for code in (entry.exercise.expects, *entry.exercise.or_else)
                ),
                _seen(sheet, entry),
            )
        )
    return ["", *table(rows, "llll"), ""]


def _scene(sheet: Datasheet, code: int | None) -> str:
    scene = None if code is None else sheet.scene_by_code(code)
    return "any scene" if scene is None else printable(scene.name)


def _seen(sheet: Datasheet, entry: Entry) -> str:
    seen = entry.seen
    if seen.code is not None:
        return _scene(sheet, seen.code)
    if seen.colour is None:
        return "dark" if not seen.watts else f"{seen.watts:.1f} W, no scene's"
    moving = f", moving in {seen.period_s:.3g} s" if seen.period_s else ""
    return f"{seen.colour}{moving}, no scene's"
