"""The story in plain characters: for logs, for terminals without colours, for eyes that tell none apart."""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Iterable, Iterator, Mapping

from sequencer.datasheet import Datasheet
from sequencer.demo.story import Lane, Step, Strip, Summary
from sequencer.demo.strip import Column, columns
from sequencer.layout import table, width_for
from sequencer.planner import Plan
from sequencer.words import OFF, ON, breaks_words, tightest_words

WIDTH = 78
STRIP = 44
BESIDE = 45
"""Columns for the names beside the strip."""
DARK = "."


def story_lines(steps: Iterable[Step]) -> Iterator[str]:
    """The lines of every step."""
    for number, step in enumerate(steps, start=1):
        yield from ["", f"{number}. {step.title}", *words_lines(step), *train_lines(step)]
        if step.strip is not None:
            yield from ["", *strip_lines(step.strip)]
        yield from [f"  {step.after}"] if step.after else []


def words_lines(step: Step) -> list[str]:
    """What is said first: the words or, where there is no train, the refusal too."""
    lines = _wrapped(step.words)
    if step.refusal is not None:
        lines += _wrapped(f"Refused: {step.refusal.reason}.")
        picks = ", ".join(f"{scene} on {stem}" for stem, scene in (step.refusal.nearest or {}).items())
        lines += _wrapped(f"Nearest in colour that can be had: {picks or 'nothing'}.")
    return lines


def train_lines(step: Step) -> list[str]:
    """The train before it is sent, with its proof; nothing where none is sent or the last one is again."""
    if step.plan is None or not step.heard:
        return []
    train = step.plan.train
    rows = [("break", "off s", "on s", *step.sheets)]
    for number, heard in enumerate(step.heard, start=1):
        made = (heard.by[stem] for stem in step.sheets)
        rows.append((str(number), f"{heard.off_s:.3f}", f"{heard.on_s:.3f}", *made))
    lead_in = f"{train.lead_in_s:.2f} s of lead-in, then " if train.lead_in_s else ""
    sums = f"  {lead_in}{breaks_words(train)}"
    return ["", *table(rows, "rrr" + "l" * len(step.sheets)), sums, "", *_proof(step.plan, step.sheets)]


def _proof(plan: Plan, sheets: Mapping[str, Datasheet]) -> list[str]:
    """One row a type: lamps of one type that start alike have one proof."""
    firsts = {proof.stem: proof for proof in reversed(plan.lamps)}
    rows = [("proved for" if plan.proved else "holds for", "ends on", "slack", "tightest")]
    for stem, sheet in sheets.items():
        proof = firsts[stem]
        slack = "" if proof.slack_s is None else f"{proof.slack_s * 1000:.1f} ms"
        rows.append((stem, proof.ends_on, slack, tightest_words(proof, sheet)))
    return table(rows, "llrl")


def _wrapped(words: str) -> list[str]:
    width = min(WIDTH, width_for(sys.stdout) or WIDTH)
    wrapper = textwrap.TextWrapper(
        width,
        initial_indent="  ",
        subsequent_indent="  ",
        break_long_words=False,
        break_on_hyphens=False,
    )
    return wrapper.wrap(words)


def strip_lines(strip: Strip) -> list[str]:
    """The supply, then what each lamp shows by the number of its scene; ``.`` is dark."""
    width = width_for(sys.stdout)
    drawn = columns(strip, STRIP if width is None else max(min(STRIP, width - BESIDE), 10))
    rows = [("supply", "".join(ON if column.on else OFF for column in drawn), "", "")]
    for lane in strip.lanes:
        scene = lane.scene_at(strip.length_s)
        ends = "dark" if scene is None else scene.name
        rows.append((lane.lamp, lane_text(lane, drawn), ends, "" if lane.matched else "astray"))
    return table(rows, "llll", heads=False)


def lane_text(lane: Lane, drawn: Iterable[Column]) -> str:
    """One character a column."""
    shown = (lane.scene_at(column.middle_s) for column in drawn)
    return "".join(DARK if scene is None else str(scene.code)[-1] for scene in shown)


def summary_lines(summary: Summary) -> list[str]:
    """The sums, in two lines."""
    tightest = summary.tightest
    slack = "" if tightest.slack_s is None else f"{tightest.slack_s * 1000:.1f} ms"
    return [
        f"  {summary.trains} trains: {summary.matched} of {summary.lamps} lamps matched.",
        f"  Tightest slack: {slack}, {summary.circuit} {tightest.lamp}, at {summary.where}.",
    ]
