"""A run as a JSON file: written whole after every answer, read back where it still belongs to the same course."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from hashlib import sha256
from pathlib import Path
from typing import Any

from sequencer.bench.accept import Course, Entry, Run, Seen
from sequencer.bench.exercises import Exercise
from sequencer.bench.stand import Spent
from sequencer.errors import HardwareError, InputError
from sequencer.train import Pulse, Train

MAX_BYTES = 64 * 1024 * 1024


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


def write_whole(path: Path, fields: Mapping[str, object]) -> None:
    """Write a JSON object to a file, all or nothing. Raises HardwareError when it cannot be written."""
    new = path.with_name(f"{path.name}.new")
    try:
        with new.open("w", encoding="utf-8") as file:
            json.dump(fields, file)
            file.flush()
            os.fsync(file.fileno())
        new.replace(path)
    except OSError as error:
        raise HardwareError(f"{path}: the run cannot be kept there: {error.strerror}") from error


def load(path: Path, course: Course) -> tuple[Run, Spent]:
    """The run kept there, to be taken up again, and what it had spent.

    :raises InputError: it is none, or of another lamp, rig or options.
    """
    try:
        if path.stat().st_size > MAX_BYTES:
            raise InputError(f"{path}: too long to be a run of the bench")
        given = json.loads(path.read_text(encoding="utf-8"))
        kind, digest = given["bench"], given["course"]
        log = tuple(map(_entry, given["log"]))
        spent = Spent(int(given["spent"]["relay_cycles"]), float(given["spent"]["seconds"]))
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error
    except (KeyError, TypeError, ValueError, AttributeError, RecursionError) as error:
        raise InputError(f"{path}: no run of the bench ({type(error).__name__}: {error})") from error
    if kind != "accept" or digest != course_digest(course):
        words = "it was begun with another datasheet, rig or options: give those again, or begin anew in another file"
        raise InputError(f"{path}: this run cannot be gone on with: {words}")
    return Run(course, log, len(log)), spent


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
    )
    return Entry(exercise, Seen(**given["seen"]))
