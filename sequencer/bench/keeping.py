"""A run of acceptance as JSON: the file from which it is taken up again, where it still belongs to the same course."""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path
from typing import Any

from sequencer.bench.accept import Course, Entry, Run, Seen
from sequencer.bench.exercises import Exercise
from sequencer.bench.kept_run import taken_up, write_whole
from sequencer.bench.stand import Spent
from sequencer.train import Pulse, Train


def course_digest(course: Course) -> str:
    """What a run may only be taken up again with: datasheet, options, volts, relay delays and margins."""
    trainer = course.trainer
    parts: list[object] = [trainer.sheet.model_dump_json(), course.options, course.volts_range]
    parts += [trainer.delays, trainer.margin_s, trainer.max_flashes_per_s, trainer.max_dark_s]
    return sha256(repr(parts).encode()).hexdigest()


def save(path: Path, run: Run, spent: Spent) -> None:
    """Write it, all or nothing. Raises HardwareError when it cannot be written."""
    fields = {
        "bench": "accept",
        "lamp": run.course.trainer.sheet.lamp.name,
        "course": course_digest(run.course),
        "spent": spent._asdict(),
        "log": [entry_fields(entry) for entry in run.log],
    }
    write_whole(path, fields)


def load(path: Path, course: Course) -> tuple[Run, Spent]:
    """The run kept there, to be taken up again, and what it had spent.

    :raises InputError: it is none, or of another lamp, rig or options.
    """

    def log(given: dict[str, Any]) -> tuple[Entry, ...]:
        return tuple(map(_entry, given["log"]))

    entries, spent = taken_up(path, "accept", course_digest(course), log)
    return Run(course, entries, len(entries)), spent


def entry_fields(entry: Entry) -> dict[str, object]:
    """One line of the log as a JSON object."""
    exercise = entry.exercise
    train = exercise.train
    return {
        "phase": exercise.phase,
        "what": exercise.what,
        "again": exercise.again,
        "lead_in_s": train.lead_in_s,
        "pulses": [pulse._asdict() for pulse in train.pulses],
        "volts": exercise.volts,
        "reckoned_s": exercise.seconds,
        "expects": exercise.expects,
        "or_else": list(exercise.or_else),
        "seen": entry.seen._asdict(),
        "right": entry.right,
    }


def _entry(given: Any) -> Entry:
    pulses = tuple(Pulse(float(p["off_s"]), float(p["on_s"])) for p in given["pulses"])
    train = Train(pulses, float(given["lead_in_s"]))
    exercise = Exercise(
        given["phase"],
        given["what"],
        train,
        given["expects"],
        given["volts"],
        given["reckoned_s"],
        bool(given["again"]),
        tuple(map(int, given.get("or_else", ()))),
    )
    return Entry(exercise, Seen(**given["seen"]))
