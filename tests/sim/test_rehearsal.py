"""Rehearsals: sound trains hold for every lamp drawn, unsound ones are caught, seeds repeat."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest

from sequencer.datasheet import Datasheet
from sequencer.sim.rehearsal import Rehearsal, rehearse
from sequencer.train import Delays, Pulse, Train

MakeSheet = Callable[..., Datasheet]

DELAYS = Delays(make_s=(0.005, 0.012), break_s=(0.003, 0.008))
SPREAD = 0.006
SLOW, FAST = 0.97, 1.03  # clock_tolerance = 0.03
SETTLE = 3.5 / SLOW + SPREAD


def counted(number: int, off_s: float = 0.3, on_s: float = 0.5, lead_in_s: float = 0.0) -> Train:
    pulses = [Pulse(off_s, on_s)] * (number - 1) + [Pulse(off_s, SETTLE)]
    return Train(tuple(pulses), lead_in_s)


def after_reset(steps: int, lead_in_s: float = 0.0) -> Train:
    """To the first scene, then so many pulses, then settled."""
    return Train((Pulse(7.0, 1.0 / SLOW + SPREAD), *counted(steps).pulses), lead_in_s)


def run(
    train: Train, sheets: dict[str, tuple[Datasheet, int | None]], wanted: dict[str, int], **how: Any
) -> Rehearsal:
    lamps = [(name, sheet, known) for name, (sheet, known) in sheets.items()]
    return rehearse(train, lamps, DELAYS, wanted, **{"start": "rest", "trials": 200, "seed": 1, **how})


@pytest.mark.parametrize("start", ["rest", "dark", "cut"])
def test_a_sound_train_brings_count_and_step_onto_their_scenes(make_sheet: MakeSheet, start: str) -> None:
    sheets = {
        "north": (make_sheet(), None),
        "south": (make_sheet(selects_by="step", after_power_down="first"), None),
        "steps": (make_sheet(selects_by="step", after_power_down="next"), None),
    }
    train = after_reset(3, lead_in_s=0.0 if start == "rest" else SETTLE)
    result = run(train, sheets, {"north": 3, "south": 4, "steps": 4}, start=start)
    assert result == Rehearsal(200, 200, {"north": 0, "south": 0, "steps": 0}, None, ())


def test_on_the_edge_of_certainty_every_lamp_follows_and_past_it_some_part(make_sheet: MakeSheet) -> None:
    """The shortest and the longest break and supply that are certain, spread included, to 0.2 ms."""
    sheet = {"north": (make_sheet(), None)}
    low, high = 0.12 / SLOW + SPREAD, 3.0 / FAST - SPREAD
    soon, late = 0.15 / SLOW + SPREAD, 2.0 / FAST - SPREAD
    for off_s, on_s in ((low, 0.5), (high, 0.5), (0.3, soon), (0.3, late)):
        assert run(counted(4, off_s, on_s), sheet, {"north": 4}).matched == 200
    a_bit = 0.0002
    for off_s, on_s in ((low - a_bit, 0.5), (high + a_bit, 0.5), (0.3, soon - a_bit), (0.3, late + a_bit)):
        assert run(counted(4, off_s, on_s), sheet, {"north": 4}, trials=2000).matched < 2000


def test_an_end_too_soon_is_caught(make_sheet: MakeSheet) -> None:
    train = Train((Pulse(0.3, 0.5), Pulse(0.3, 3.5 / SLOW)))  # forgets the relay's spread
    result = run(train, {"north": (make_sheet(), None)}, {"north": 2}, trials=2000)
    assert 0 < result.matched < 2000
    assert {miss.pending for miss in result.details} == {2}


@pytest.mark.parametrize(("edge", "by"), [(0, -2.63), (1, 2.63), (1, -0.19), (2, -0.36), (2, 1.45)])
def test_a_spoiled_edge_is_caught(make_sheet: MakeSheet, edge: int, by: float) -> None:
    """Edges of a sound train, moved just past the next boundary that a lamp may read it by."""
    sheet = {"north": (make_sheet(), None)}
    assert run(counted(3), sheet, {"north": 3}).matched == 200
    assert run(counted(3), sheet, {"north": 3}, late_commands={edge: by}).matched < 200


def test_a_train_that_starts_from_anything_needs_its_lead_in(make_sheet: MakeSheet) -> None:
    sheet = {"north": (make_sheet(), None)}
    assert run(counted(2), sheet, {"north": 2}, start="cut").matched < 200
    assert run(counted(2, lead_in_s=3.5 / SLOW), sheet, {"north": 2}, start="cut", trials=2000).matched < 2000
    assert run(counted(2, lead_in_s=SETTLE), sheet, {"north": 2}, start="cut", trials=2000).matched == 2000


def test_the_lead_in_comes_through_a_contact_too(make_sheet: MakeSheet) -> None:
    """Enough supply for the slowest clock and the earliest opening, but not for the latest closing."""
    sheet = {"north": (make_sheet(), None)}
    train = counted(2, lead_in_s=3.5 / SLOW + 0.0025 + 0.0001)
    boots_slowly = {"north": (make_sheet(warm_up=(3.5, math.inf)), None)}
    assert run(train, sheet, {"north": 2}, start="cut", trials=3000).matched < 3000
    assert run(train, boots_slowly, {"north": 2}, start="dark", trials=3000).matched < 3000


def test_at_rest_is_warm_however_early_the_first_break(make_sheet: MakeSheet) -> None:
    sheet = make_sheet(selects_by="step", reset=None, settled=None)
    assert run(counted(1), {"north": (sheet, 2)}, {"north": 3}, trials=3000).matched == 3000


def test_supply_without_end_may_belong_to_the_train_of_a_step_lamp(make_sheet: MakeSheet) -> None:
    sheet = make_sheet(selects_by="step", settled=None, same_train=(0.15, math.inf))
    train = after_reset(3, lead_in_s=SETTLE)
    assert run(train, {"north": (sheet, None)}, {"north": 4}, start="cut").matched == 200


def test_the_right_scene_with_a_count_pending_is_a_miss(make_sheet: MakeSheet) -> None:
    result = run(Train((Pulse(0.3, 0.5),)), {"north": (make_sheet(), 3)}, {"north": 3})
    assert result.matched == 0
    assert str(result.details[0]) == "trial 1: north shows scene 3 with a count of 1 pending, wanted 3"


def test_a_step_lamp_that_never_forgets_must_be_known(make_sheet: MakeSheet) -> None:
    sheet = make_sheet(selects_by="step", reset=None)
    for start in ("rest", "dark", "cut"):
        train = counted(2, lead_in_s=0.0 if start == "rest" else SETTLE)
        unknown = run(train, {"north": (sheet, None)}, {"north": 4}, start=start)
        known = run(train, {"north": (sheet, 2)}, {"north": 4}, start=start)
        assert unknown.matched < 100
        assert known.matched == 200


def test_dark_takes_the_known_scene_through_the_power_down(make_sheet: MakeSheet) -> None:
    train = counted(1, lead_in_s=SETTLE)
    for after, shown in (("remembered", 4), ("first", 2), ("next", 5)):
        sheet = make_sheet(selects_by="step", reset=None, after_power_down=after)
        assert run(train, {"north": (sheet, 3)}, {"north": shown}, start="dark").matched == 200


def test_every_scene_and_pending_count_is_met_at_the_start(make_sheet: MakeSheet) -> None:
    """A train without breaks shows what lamps begin with: in 300 trials, each wanted scene misses."""
    for start in ("rest", "dark", "cut"):
        results = [
            run(Train((), SETTLE), {"north": (make_sheet(), None)}, {"north": code}, start=start, trials=300)
            for code in range(1, 6)
        ]
        assert sum(result.matched for result in results) == 300
        assert min(result.matched for result in results) > 20


def test_a_failing_trial_can_be_had_again_by_its_seed(make_sheet: MakeSheet) -> None:
    sheets = {"north": (make_sheet(), None), "south": (make_sheet(), None)}
    wanted = {"north": 3, "south": 2}
    result = run(counted(3), sheets, wanted, trials=50, seed=40)
    assert result.first_failing_seed == 40
    assert result.misses == {"north": 0, "south": 50}
    again = run(counted(3), sheets, wanted, trials=1, seed=40)
    assert again.details == result.details
    assert str(result.details[0]) == "trial 40: south shows scene 3, wanted 2"


def test_a_lamp_of_which_no_scene_is_wanted(make_sheet: MakeSheet) -> None:
    with pytest.raises(ValueError, match="no scene is wanted of south"):
        run(counted(1), {"north": (make_sheet(), None), "south": (make_sheet(), None)}, {"north": 1})


def test_two_types_steered_apart_by_one_train(make_sheet: MakeSheet) -> None:
    """A counts a 0.15 s break that B rides through: they end on different counts of one train."""
    counts = make_sheet()
    rides = make_sheet(ignored=(0, 0.2), pulse=(0.3, 3.0), settled=(3.5, math.inf))
    pulses = (Pulse(0.15, 0.5), Pulse(0.5, 0.5), Pulse(0.15, 0.5), Pulse(0.5, SETTLE))
    result = run(Train(pulses), {"a": (counts, None), "b": (rides, None)}, {"a": 4, "b": 2})
    assert result.matched == 200
