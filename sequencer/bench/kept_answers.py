"""A measurement as JSON: the file of answers from which it is taken up again, and its fields for people's programs."""

from __future__ import annotations

import math
from hashlib import sha256
from pathlib import Path
from typing import Any, get_args

from sequencer.bench.kept_run import taken_up, write_whole
from sequencer.bench.measure import Run, resumed
from sequencer.bench.measurement import Answer, Course, Findings, Measurement, Task
from sequencer.bench.stand import Spent
from sequencer.bench.subject import EdgeName


def course_digest(course: Course) -> str:
    """What a run may only be taken up again with: datasheet, eyes, relay, volts and options."""
    pairs = sorted(sorted(pair) for pair in course.subject.alike)
    parts: list[object] = [course.subject.sheet.model_dump_json(), pairs, course.jitter_s]
    parts += [course.options, course.volts_range]
    return sha256(repr(parts).encode()).hexdigest()


def save(path: Path, run: Run, spent: Spent) -> None:
    """Write it, all or nothing. Raises HardwareError when it cannot be written."""
    fields: dict[str, object] = {
        "bench": "measure",
        "lamp": run.course.subject.sheet.lamp.name,
        "course": course_digest(run.course),
        "spent": spent._asdict(),
        "answers": [answer_fields(answer) for answer in run.answers],
    }
    write_whole(path, fields)


def load(path: Path, course: Course) -> tuple[Run, Spent]:
    """The run kept there, to be taken up again, and what it had spent.

    :raises InputError: it is none, or of another lamp, rig or options.
    """

    def run(given: dict[str, Any]) -> Run:
        return resumed(course, tuple(map(_answer, given["answers"])))

    return taken_up(path, "measure", course_digest(course), run)


def answer_fields(answer: Answer) -> dict[str, object]:
    """One answer as a JSON object."""
    return {
        "stage": answer.stage,
        "edge": None if answer.task is None else answer.task.edge,
        "volts": None if answer.task is None else answer.task.volts,
        "lengths_s": list(answer.lengths_s),
        "found_long": answer.found_long,
        "code": answer.code,
        "spoiled": answer.spoiled,
    }


def _answer(given: Any) -> Answer:
    stage, edge, volts = given["stage"], given["edge"], given["volts"]
    if stage not in ("look", "footing", "edges") or edge not in (None, *get_args(EdgeName)):
        raise ValueError(f"no stage {stage} of an edge {edge}")
    task = None if edge is None else Task(edge, None if volts is None else float(volts))
    lengths = tuple(float(length) for length in given["lengths_s"])
    found, code = given["found_long"], given["code"]
    return Answer(
        stage,
        None if code is None else int(code),
        task,
        lengths,
        None if found is None else int(found),
        bool(given["spoiled"]),
    )


def measured_fields(findings: Findings) -> list[dict[str, object]]:
    """Every edge as a JSON object; a length without end is null."""
    return [_fields(one) for one in findings.measured]


def _fields(one: Measurement) -> dict[str, object]:
    return {
        "edge": one.name,
        "volts": one.volts,
        "watts": one.watts,
        "outcome": one.outcome,
        "estimate_s": one.estimate_s,
        "interval_s": _pair(one.interval_s),
        "certain_s": _pair(one.certain_s),
        "spread": one.spread,
        "claimed_s": _pair(one.claimed_s),
        "presentations": one.presentations,
        "wasted": one.wasted,
        "shown": [{"lengths_s": list(s.lengths_s), "found_long": s.found_long} for s in one.shown],
        "note": one.note,
    }


def _pair(pair: tuple[float, float] | None) -> list[float | None] | None:
    return None if pair is None else [None if math.isinf(s) else s for s in pair]
