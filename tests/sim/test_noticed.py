"""Supply so short that a lamp has not started before it goes again: to the lamp it was dark all the while.

Rows as in ``test_lamp.py``, written from what is promised of a lamp: supply shorter than ``noticed`` after a break
that it noticed may pass unnoticed; then the breaks on either side and it are one break of their summed length,
taken in the state before the first of them, and so on for a chain; or it is noticed, and all is as usual.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from itertools import chain
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.datasheet import Datasheet
from sequencer.sim.lamp import SimLamp
from sequencer.sim.nature import Nature
from sequencer.sim.rehearsal import rehearse
from sequencer.train import Delays, Pulse, Train
from tests.sim.conftest import sheet
from tests.sim.test_lamp import Row, lit, outcome, some

MakeSheet = Callable[..., Datasheet]

SLOW = 0.97  # clock_tolerance = 0.03
SETTLE = 3.5 / SLOW
BREAK = 0.5  # a pulse for certain
LONG = 30.0  # a power-down for certain
COUNT: Mapping[str, Any] = {"noticed": (0.4, math.inf)}
STEP: Mapping[str, Any] = {"selects_by": "step", "noticed": (0.4, math.inf)}
NEXT: Mapping[str, Any] = {**STEP, "after_power_down": "next"}
NOTICED = 0.4 / SLOW  # supply that every clock reads as enough

ROWS = [
    # -- count
    Row("two pulses, or one", COUNT, lit(), (BREAK, 0.2, BREAK, 1), {(2, 1), (2, 2)}),
    Row("noticed at its start: two", COUNT, lit(), (BREAK, NOTICED, BREAK, 1), {(2, 2)}),
    Row("just short of it: two, or one", COUNT, lit(), (BREAK, 0.999 * NOTICED, BREAK, 1), {(2, 1), (2, 2)}),
    Row(
        "pulses that add up to a reset",
        COUNT,
        lit(4),
        (2.9, 0.2, 2.8, 0.2, 1, 1),
        {(4, 3), (4, 2), (1, 0), (1, 1)},
    ),
    Row("a reset and a pulse: or a power-down", COUNT, lit(4), (7, 0.2, 2.9, 1), {(1, 0), (1, 1), (4, 0)}),
    Row(
        "the sum is taken in the state before the first: a train that went on",
        COUNT,
        lit(4, pending=1, supplied_for=1.0),
        (BREAK, 0.2, BREAK, 1),
        {(4, 2), (4, 3)},
    ),
    Row(
        "... and one that was over by then",
        {**COUNT, "after_power_down": "first"},
        lit(4, pending=3, supplied_for=SETTLE),
        (LONG, 0.05, BREAK, 2),
        {(1, 0), (1, 1)},
    ),
    Row(
        "a power-down and a pulse too soon: no pulse", COUNT, lit(4), (LONG, 0.2, BREAK, 1), {(4, 0), (4, 1)}
    ),
    Row(
        "a break that is ignored before it started goes on with the darkness",
        COUNT,
        lit(4),
        (6.49 / SLOW, 0.2, 0.015, 1),
        {(4, 1), (1, 0)},
    ),
    Row(
        "after a break that it rode through, any supply counts",
        COUNT,
        lit(),
        (0.01, 0.001, BREAK, 1),
        {(2, 1)},
    ),
    Row(
        "a chain is one break",
        COUNT,
        lit(),
        (0.3, 0.1, 0.3, 0.1, 0.3, 0.1, 0.3, 1),
        {(2, n) for n in range(1, 5)},
    ),
    # -- step
    Row("step: two on, or one", STEP, lit(2), (BREAK, 0.2, BREAK, 1), {(3, 0), (4, 0)}),
    Row(
        "step: a reset and a pulse, or a power-down", STEP, lit(3), (7, 0.2, 2.9, 1), {(1, 0), (2, 0), (3, 0)}
    ),
    Row("one power-down, or two", NEXT, lit(2), (LONG, 0.2, LONG, 1), {(3, 0), (4, 0)}),
    Row(
        "unnoticed, it leaves no pulse behind: at rest as before",
        STEP,
        lit(2, supplied_for=9.0),
        (7, 0.2, BREAK, 1.1, BREAK, 1),
        {(2, 0), (3, 0)},
    ),
]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.rule)
def test_every_lamp_does_one_of_these_and_some_lamp_each(row: Row) -> None:
    made = sheet(**row.sheet)
    natures = chain(some(Nature.steady, 300), Nature.corners())
    steady = {outcome(made, nature, row) for nature in natures}
    contrary = {outcome(made, nature, row) for nature in some(Nature.contrary, 400)}
    assert steady <= row.outcomes
    assert contrary <= row.outcomes
    assert steady | contrary == row.outcomes


def test_without_the_key_it_is_where_same_train_starts() -> None:
    found = {
        outcome(sheet(noticed=None), nature, row) for row in [ROWS[0]] for nature in some(Nature.steady, 99)
    }
    assert found == {(2, 2)}  # 0.2 s is more than 0.15 / 0.97
    short = Row("", {}, lit(), (BREAK, 0.14, BREAK, 1), set())
    assert {outcome(sheet(noticed=None), nature, short) for nature in some(Nature.corner, 99)} == {
        (2, 1),
        (2, 2),
    }


def test_two_mains_cycles_between_a_reset_and_a_long_break() -> None:
    """5.3 s dark, 40 ms of supply, 12.7 s dark: 18 s to a lamp that needs two cycles of 50 Hz to start."""
    windows = {
        "pulse": (0.12, 3.0),
        "reset": (5.0, 8.0),
        "power_down": (15.0, math.inf),
        "noticed": (0.04, math.inf),
    }
    made = sheet(**windows, clock_tolerance=0.0)
    for start_up, shows in ((0.0, 1), (1.0, 4)):
        lamp = SimLamp(made, Nature(start_up=start_up, reset_end=0.99), scene=4)
        for at, on in ((0.0, False), (5.3, True), (5.3 + 0.0399, False), (18.0399, True)):
            lamp.supply(on, at)
        assert lamp.showing(19.0) == shows, start_up  # a reset twice, or a power-down once


def test_it_is_dark_until_it_has_started() -> None:
    """0.5 s dark, then half of 0.4 s to start."""
    lamp = SimLamp(sheet(**COUNT), Nature(start_up=0.5, ride_through=0.5), scene=2)
    lamp.supply(False, 1.0)
    lamp.supply(True, 1.5)
    assert (lamp.showing(1.6999), lamp.pending(1.6999)) == (None, 0)
    assert (lamp.showing(1.7001), lamp.pending(1.7001)) == (2, 1)
    assert [at for at, _ in lamp.history(2.0)] == [0.0, pytest.approx(1.07), pytest.approx(1.7)]
    settles_at = 1.5 + (2.0 + 3.5) / 2  # the supply timer runs from the moment the supply came
    assert lamp.pending(settles_at - 1e-6) == 1
    assert lamp.showing(settles_at + 1e-6) == 1


def test_supply_that_came_back_before_the_pad_was_looked_at() -> None:
    lamp = SimLamp(sheet(**COUNT), Nature(start_up=1.0), scene=2, dark_for=BREAK, back_at=0.3)
    assert lamp.showing(0.69) is None
    assert (lamp.showing(0.71), lamp.pending(0.71)) == (2, 1)


@settings(deadline=None)
@given(
    lengths=st.lists(st.tuples(st.floats(0.001, 4), st.floats(0.001, 0.39)), min_size=1, max_size=5),
    last=st.floats(0.001, 12),
    scene=st.integers(1, 5),
    selects_by=st.sampled_from(["count", "step"]),
    seed=st.integers(0, 2**32),
)
def test_a_lamp_that_starts_late_does_what_it_would_in_one_break(
    lengths: list[tuple[float, float]], last: float, scene: int, selects_by: str, seed: int
) -> None:
    """With every supply shorter than it needs to start, the same lamp in one break of the sum ends alike."""
    made = sheet(selects_by=selects_by, noticed=(0.4, math.inf), clock_tolerance=0.0)
    rng = Random(seed)
    nature = Nature(
        start_up=1.0, **{k: rng.random() for k in ("ride_through", "pulse_end", "reset_end", "boot")}
    )
    first = 0.12 + lengths[0][0]  # noticed
    cut = (first, *(length for pair in lengths for length in (pair[1], pair[0])), 0.2, last, 4.0)
    whole = (math.fsum(cut[:-1]), 4.0)
    assert outcome(made, nature, Row("", {}, lit(scene), cut, set())) == outcome(
        made, nature, Row("", {}, lit(scene), whole, set())
    )


# -- rehearsals ---------------------------------------------------------------------------------------


def run(train: Train, made: Datasheet, wanted: int, start: str) -> int:
    lamps = [("north", made, None)]
    return rehearse(train, lamps, Delays(), {"north": wanted}, start=start, trials=400, seed=1).matched  # type: ignore[arg-type]


@pytest.mark.parametrize("start", ["dark", "cut"])
@pytest.mark.parametrize("by", ["count", "step"])
def test_a_lead_in_that_may_pass_unnoticed_is_caught(start: str, by: str) -> None:
    """``warm_up = [0, inf]``: a lead-in of nothing was planned once; 0.4 s and the spread are needed."""
    made = sheet(
        by, noticed=(0.4, math.inf), warm_up=(0.0, math.inf), settled=(0.3, math.inf), same_train=(0.01, 0.2)
    )
    reset = (Pulse(7.0, 0.45),)
    assert run(Train(reset, NOTICED + 0.006), made, 1, start) == 400
    for lead_in_s in (0.0, 0.2, NOTICED - 0.02):  # to some, dark before and after: a power-down
        assert run(Train(reset, lead_in_s), made, 1, start) < 400


def test_a_last_supply_that_may_pass_unnoticed_is_caught() -> None:
    made = sheet("step", noticed=(0.4, math.inf), warm_up=(0.0, math.inf))
    assert run(Train((Pulse(7.0, NOTICED + 0.006),)), made, 1, "rest") == 400
    assert run(Train((Pulse(7.0, 0.35),)), made, 1, "rest") < 400
