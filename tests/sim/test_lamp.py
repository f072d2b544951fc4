"""The simulated lamp against the rules of what a lamp does, one row a rule.

Each row gives what a lamp of this type may show at the end, whatever its clock and its limits: one
outcome where the datasheet is certain (most of these stand exactly at the edge of certainty), all of them
where it leaves a choice. No lamp may reach another outcome, and every outcome must be reached: by the
contrary lamps, and by the steady ones with those at the corners.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from itertools import chain
from random import Random
from typing import Any

import pytest

from sequencer.datasheet import Datasheet
from sequencer.sim.lamp import SimLamp
from sequencer.sim.nature import Nature

MakeSheet = Callable[..., Datasheet]

FAST, SLOW = 1.03, 0.97  # clock_tolerance = 0.03
SETTLE = 3.5 / SLOW  # supply after which a count is over for certain
BREAK = 0.5  # a pulse for certain
LONG = 30.0  # a power-down for certain

COUNT: Mapping[str, Any] = {}
STEP: Mapping[str, Any] = {"selects_by": "step"}


@dataclass(frozen=True)
class Row:
    rule: str
    sheet: Mapping[str, Any]
    begin: Mapping[str, Any]
    lengths: tuple[float, ...]  # break, supply, break, supply, ...
    outcomes: set[tuple[int | None, int]]  # (scene, pulses pending)


def lit(scene: int = 2, **state: Any) -> dict[str, Any]:
    return {"scene": scene, **state}


ROWS = [
    # -- breaks by their length, count
    Row("ignored at its end: nothing", COUNT, lit(), (0.02 / FAST, 9), {(2, 0)}),
    Row("pulse at its start: one", COUNT, lit(), (0.12 / SLOW, 0.1), {(2, 1)}),
    Row("pulse at its end: one", COUNT, lit(), (3 / FAST, 0.1), {(2, 1)}),
    Row("reset at its start: first scene", COUNT, lit(4), (6.5 / SLOW, 0.1), {(1, 0)}),
    Row("reset at its end: first scene", COUNT, lit(4), (8 / FAST, 0.1), {(1, 0)}),
    Row("power-down at its start: remembered", COUNT, lit(4), (10 / SLOW, 0.1), {(4, 0)}),
    Row("between ignored and pulse: either", COUNT, lit(), (0.07, 0.1), {(2, 0), (2, 1)}),
    Row("just over ignored: either", COUNT, lit(), (0.0201 / FAST, 0.1), {(2, 0), (2, 1)}),
    Row("just under pulse: either", COUNT, lit(), (0.1199 / SLOW, 0.1), {(2, 0), (2, 1)}),
    Row("between pulse and reset: either", COUNT, lit(4), (4.75, 0.1), {(4, 1), (1, 0)}),
    Row("just over pulse: either", COUNT, lit(4), (3.001 / FAST, 0.1), {(4, 1), (1, 0)}),
    Row("just under reset: either", COUNT, lit(4), (6.499 / SLOW, 0.1), {(4, 1), (1, 0)}),
    Row("between reset and power-down: either", COUNT, lit(4), (9, 0.1), {(1, 0), (4, 0)}),
    Row("no reset: pulse or power-down", {"reset": None}, lit(4), (6.5, 0.1), {(4, 1), (4, 0)}),
    Row(
        "windows that touch: the clock alone decides",
        {"ignored": (0, 0.12)},
        lit(),
        (0.12 * 1.001, 0.1),
        {(2, 0), (2, 1)},
    ),
    Row(
        "windows that touch: certain outside the clock's error",
        {"ignored": (0, 0.12)},
        lit(),
        (0.12 / SLOW, 0.1),
        {(2, 1)},
    ),
    # -- counting
    Row("settled: the count is the scene", COUNT, lit(), (BREAK, 1, BREAK, 1, BREAK, SETTLE), {(3, 0)}),
    Row("same_train at its start: goes on", COUNT, lit(), (BREAK, 0.15 / SLOW, BREAK, 0.1), {(2, 2)}),
    Row("same_train at its end: goes on", COUNT, lit(), (BREAK, 2 / FAST, BREAK, 0.1), {(2, 2)}),
    Row("too soon: taken or not", COUNT, lit(), (BREAK, 0.149 / SLOW, BREAK, 0.1), {(2, 2), (2, 1)}),
    Row(
        "not taken leaves scene and count, and the supply timer at 0",
        COUNT,
        lit(1, pending=1, supplied_for=0.07),
        (BREAK, 2 / FAST),
        {(1, 1), (1, 2)},
    ),
    Row("past same_train: on, or over and anew", COUNT, lit(), (BREAK, 2.75, BREAK, 0.1), {(2, 2), (1, 1)}),
    Row("just past same_train", COUNT, lit(), (BREAK, 2.001 / FAST, BREAK, 0.1), {(2, 2), (1, 1)}),
    Row("just before settled", COUNT, lit(), (BREAK, 3.499 / SLOW, BREAK, 0.1), {(2, 2), (1, 1)}),
    Row("at settled: over", COUNT, lit(), (BREAK, SETTLE, BREAK, 0.1), {(1, 1)}),
    Row("not yet settled: nothing chosen", COUNT, lit(4), (BREAK, 2 / FAST), {(4, 1)}),
    Row("nearly settled: chosen or not", COUNT, lit(4), (BREAK, 2.75), {(4, 1), (1, 0)}),
    Row("reset in a train: first scene, count gone", COUNT, lit(4), (BREAK, 1, 7, SETTLE), {(1, 0)}),
    Row("power-down in a train: either", COUNT, lit(4), (BREAK, 1, LONG, SETTLE), {(4, 0), (1, 0)}),
    Row(
        "power-down in a train, after_power_down first: first",
        {"after_power_down": "first"},
        lit(4),
        (BREAK, 1, BREAK, 1, LONG, 0.1),
        {(1, 0)},
    ),
    Row(
        "over or not, then too soon for a first pulse",
        {"warm_up": (5, math.inf)},
        lit(4),
        (BREAK, 2.75, BREAK, 0.1),
        {(4, 2), (1, 1), (1, 0)},
    ),
    # -- ignored breaks: the supply timer runs on
    Row(
        "an ignored break adds: same_train's start",
        COUNT,
        lit(),
        (BREAK, 0.15 / SLOW - 0.015, 0.015, 0.0, BREAK, 0.1),
        {(2, 2)},
    ),
    Row("an ignored break adds: settled", COUNT, lit(), (BREAK, SETTLE - 1, 0.015, 0.985), {(1, 0)}),
    Row(
        "an ignored break adds: same_train's end",
        COUNT,
        lit(),
        (BREAK, 1, 0.015, 2 / FAST - 1.015, BREAK, 0.1),
        {(2, 2)},
    ),
    Row("settled within an ignored break", COUNT, lit(), (BREAK, SETTLE - 0.01, 0.015, 0.0), {(1, 0)}),
    Row(
        "a noticed break stops the supply timer",
        COUNT,
        lit(),
        (BREAK, 1.9, BREAK, 1.9),
        {(2, 2)},
    ),
    # -- warm-up, count
    Row("warm-up reached: taken", COUNT, lit(), (LONG, 1 / SLOW, BREAK, 0.1), {(2, 1)}),
    Row("warm-up not reached: either", COUNT, lit(), (LONG, 0.999 / SLOW, BREAK, 0.1), {(2, 0), (2, 1)}),
    Row("no supply at all yet: either", COUNT, lit(), (LONG, 0, BREAK, 0.1), {(2, 0), (2, 1)}),
    Row(
        "warm-up is for the first pulse only",
        COUNT,
        lit(),
        (BREAK, 0.15 / SLOW, BREAK, 0.15 / SLOW, BREAK, 0.1),
        {(2, 3)},
    ),
    Row(
        "no warm_up: same_train's start", {"warm_up": None}, lit(), (LONG, 0.15 / SLOW, BREAK, 0.1), {(2, 1)}
    ),
    Row("reset acts before warm-up", COUNT, lit(4), (LONG, 0.1, 7, 0.1), {(1, 0)}),
    Row("power-down acts too soon in a train", COUNT, lit(4, pending=0), (LONG, 0.1, LONG, 0.1), {(4, 0)}),
    # -- a count beyond the table
    Row(
        "overflow unknown: any scene",
        {"overflow": "unknown"},
        lit(2, pending=6, supplied_for=0),
        (0.0, SETTLE),
        {(code, 0) for code in range(1, 6)},
    ),
    Row("overflow ignored", {"overflow": "ignored"}, lit(2, pending=6), (0.0, 0.1), {(2, 0)}),
    Row("overflow wraps", {"overflow": "wraps"}, lit(2, pending=8), (0.0, 0.1), {(3, 0)}),
    Row("overflow wraps at the highest", {"overflow": "wraps"}, lit(2, pending=10), (0.0, 0.1), {(5, 0)}),
    Row("overflow wraps to the first", {"overflow": "wraps"}, lit(2, pending=11), (0.0, 0.1), {(1, 0)}),
    Row(
        "overflow at a power-down: kept, or any scene",
        {"overflow": "unknown"},
        lit(2, pending=6, supplied_for=0),
        (LONG, 0.1),
        {(code, 0) for code in range(1, 6)},
    ),
    # -- step
    Row("pulse: one on, at once", STEP, lit(2), (BREAK, 0.0), {(3, 0)}),
    Row("the ring closes", STEP, lit(5), (BREAK, 0.0), {(1, 0)}),
    Row("ignored at its end", STEP, lit(2), (0.02 / FAST, 0.1), {(2, 0)}),
    Row("between ignored and pulse", STEP, lit(2), (0.07, 0.1), {(2, 0), (3, 0)}),
    Row("reset: first", STEP, lit(4), (7, 0.0), {(1, 0)}),
    Row("between pulse and reset", STEP, lit(2), (4.75, 0.1), {(3, 0), (1, 0)}),
    Row("power-down remembered", STEP, lit(4), (LONG, 0.0), {(4, 0)}),
    Row("power-down first", {**STEP, "after_power_down": "first"}, lit(4), (LONG, 0.0), {(1, 0)}),
    Row("power-down next", {**STEP, "after_power_down": "next"}, lit(4), (LONG, 0.0), {(5, 0)}),
    Row("next closes the ring", {**STEP, "after_power_down": "next"}, lit(5), (LONG, 0.0), {(1, 0)}),
    Row("nothing settles", STEP, lit(2), (BREAK, 60, BREAK, 60), {(4, 0)}),
    Row("after a reset: warm-up reached", STEP, lit(2, at_rest=False), (7, 1 / SLOW, BREAK, 0), {(2, 0)}),
    Row(
        "after a reset: not reached",
        STEP,
        lit(2, at_rest=False),
        (7, 0.999 / SLOW, BREAK, 0),
        {(2, 0), (1, 0)},
    ),
    Row("after a power-down: reached", STEP, lit(2, at_rest=False), (LONG, 1 / SLOW, BREAK, 0), {(3, 0)}),
    Row(
        "after a power-down: not reached",
        STEP,
        lit(2, at_rest=False),
        (LONG, 0.5, BREAK, 0),
        {(2, 0), (3, 0)},
    ),
    Row("awake: same_train's start", STEP, lit(2), (BREAK, 0.15 / SLOW, BREAK, 0), {(4, 0)}),
    Row("awake: too soon", STEP, lit(2), (BREAK, 0.149 / SLOW, BREAK, 0), {(3, 0), (4, 0)}),
    Row(
        "not taken: timer at 0",
        STEP,
        lit(supplied_for=0.9),
        (BREAK, 0.95, BREAK, 0),
        {(2, 0), (3, 0), (4, 0)},
    ),
    Row("awake it stays", STEP, lit(2), (BREAK, 900, BREAK, 0.15 / SLOW, BREAK, 0), {(5, 0)}),
    Row(
        "at rest until a pulse is certainly taken: a doubtful one may leave it at rest",
        STEP,
        lit(1, supplied_for=0.5),
        (BREAK, 0.3, BREAK, 0),
        {(1, 0), (2, 0), (3, 0)},
    ),
]


def outcome(sheet: Datasheet, nature: Nature, row: Row) -> tuple[int | None, int]:
    lamp = SimLamp(sheet, nature, **row.begin)
    at = 0.0
    for off_s, on_s in zip(row.lengths[::2], row.lengths[1::2], strict=True):
        lamp.supply(False, at)
        lamp.supply(True, at + off_s)
        at += off_s + on_s
    return lamp.showing(at), lamp.pending(at)


def some(draw: Callable[[Random], Nature], number: int) -> Iterator[Nature]:
    return (draw(Random(seed)) for seed in range(number))


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.rule)
def test_steady_lamps(make_sheet: MakeSheet, row: Row) -> None:
    sheet = make_sheet(**row.sheet)
    natures = chain(some(Nature.steady, 150), Nature.corners())
    assert {outcome(sheet, nature, row) for nature in natures} == row.outcomes


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.rule)
def test_contrary_lamps(make_sheet: MakeSheet, row: Row) -> None:
    sheet = make_sheet(**row.sheet)
    assert {outcome(sheet, nature, row) for nature in some(Nature.contrary, 200)} == row.outcomes


def drifting(rng: Random) -> Nature:
    return rng.choice((Nature.steady, Nature.corner))(rng, "drifting")


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.rule)
def test_lamps_whose_clock_drifts(make_sheet: MakeSheet, row: Row) -> None:
    sheet = make_sheet(**row.sheet)
    assert {outcome(sheet, nature, row) for nature in some(drifting, 100)} <= row.outcomes
