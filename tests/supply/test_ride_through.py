"""Ride-through by physics, and what of a datasheet it moves."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.automaton.guards import guards
from sequencer.datasheet import Datasheet
from sequencer.supply.rectifier import RECTIFIER_V, Source, hold_up_s, shortest
from sequencer.supply.ride_through import (
    Held,
    Moved,
    charged,
    greatest_watts,
    joined,
    longest_at,
    moves,
    windows_at,
)


def sheet(capacitance_f: float | None = 7e-3, **off: Any) -> Datasheet:
    """A lamp of 30 W that runs from 11 to 15 V, and whose dimmest scene draws 15 W."""
    data: dict[str, Any] = {
        "lamp": {
            "name": "x",
            "selects_by": "count",
            "after_power_down": "remembered",
            "clock_tolerance": 0.03,
        },
        "off": {"ignored": [0, 0.02], "pulse": [0.12, 1.5], "power_down": [2.8, math.inf], **off},
        "on": {"same_train": [0.15, 2.0], "settled": [3.5, math.inf]},
        "electrical": {"watts": 30.0, "power_factor": 0.92, "volts": [11.0, 15.0]},
        "scene": [{"code": 1, "name": "a", "watts": 15.0}, {"code": 2, "name": "b"}],
    }
    if capacitance_f is not None:
        data["hold_up"] = {"capacitance_f": capacitance_f, "dropout_v": 8.5}
    return Datasheet.model_validate(data)


def held(datasheet: Datasheet, low: float, high: float) -> Held:
    """From the peak of so many volts RMS, as if nothing were lost on the way and the peak lasted (as on DC)."""
    lamp = charged(datasheet, greatest_watts(datasheet))
    most = longest_at(datasheet, math.sqrt(2) * high)
    if lamp is None or most is None:
        return math.inf, 0.0
    (least,) = shortest((lamp,), Source(math.sqrt(2) * low, 0.0))
    return least.break_s, most


# Worked examples of power-supply design notes (the first: 20 ms from 114 uF) and of the same formula by hand.
WORKED = [((114e-6, 400, 300, 200), 0.020), ((470e-6, 17, 10, 12), 3.70e-3), ((1.0, 5, 6, 10), 0.0)]


@pytest.mark.parametrize(("given", "seconds"), WORKED)
def test_worked_examples(given: tuple[float, float, float, float], seconds: float) -> None:
    assert hold_up_s(*given) == pytest.approx(seconds, rel=3e-3)


def test_peak_and_rectifier_are_counted() -> None:
    """By hand: 12 V RMS is 16.97 V peak, 15.57 V behind the rectifier; 7 mF down to 8.5 V."""
    least, most = held(sheet(), 12.0, 12.0)
    assert least == pytest.approx(7e-3 * (15.5706**2 - 8.5**2) / 60, rel=1e-5)
    assert most == pytest.approx(2 * least)  # the dimmest scene draws half
    assert RECTIFIER_V == 1.4


def test_a_scene_above_the_worst_case_is_the_worst_case() -> None:
    """By hand: 40 W empty it in three quarters of the time that 30 W take."""
    more = sheet().model_copy(
        update={"scenes": tuple(s.model_copy(update={"watts": 40.0}) for s in sheet().scenes)}
    )
    assert held(more, 12.0, 12.0)[0] == pytest.approx(0.75 * held(sheet(), 12.0, 12.0)[0])


# name, datasheet, volts, what moves
CASES: dict[str, tuple[Datasheet, tuple[float, float], tuple[Moved, ...]]] = {
    "volts enough and few farads": (sheet(), (12.5, 13.0), ()),
    "low: notices what should be ignored": (
        sheet(),
        (11.0, 13.0),
        (Moved("ignored", "ends", 0.02, 0.014951),),
    ),
    "hardly alive: notices everything": (sheet(), (7.0, 13.0), (Moved("ignored", "ends", 0.02, 0.0),)),
    "high: rides through what should be a pulse": (
        sheet(30e-3),
        (12.5, 14.0),
        (Moved("pulse", "begins", 0.12, 0.266273),),
    ),
    "higher: the more": (sheet(30e-3), (12.5, 15.0), (Moved("pulse", "begins", 0.12, 0.320313),)),
    "so much that the pulse is gone": (
        sheet(0.5, reset=[2.0, 2.5]),
        (12.5, 14.0),
        (
            Moved("pulse", "begins", 0.12, 4.437880),
            Moved("reset", "begins", 2.0, 4.437880),
            Moved("power_down", "begins", 2.8, 4.437880),
        ),
    ),
    "no physics": (sheet(None), (5.0, 30.0), ()),
}


@pytest.mark.parametrize("name", CASES)
def test_what_moves(name: str) -> None:
    before, volts, wanted = CASES[name]
    after = windows_at(before, held(before, *volts))
    found = moves(before, after)
    assert [m[:3] for m in found] == [m[:3] for m in wanted]
    assert [m.to_s for m in found] == pytest.approx([m.to_s for m in wanted], abs=1e-6)
    assert (after is before) == (not wanted)
    assert (after.on, after.scenes, after.lamp) == (before.on, before.scenes, before.lamp)


def test_a_closed_window_is_closed_to_the_planner() -> None:
    found = {w.name: w for w in guards(windows_at(sheet(0.5), held(sheet(0.5), 12.5, 14.0)), 0.036).breaks}
    assert found["pulse"].closed
    assert not found["power_down"].closed


@given(low=st.floats(5, 16), wide=st.floats(0, 5), more=st.floats(0, 5), farads=st.floats(1e-4, 0.1))
def test_a_wider_range_of_volts_never_makes_more_certain(
    low: float, wide: float, more: float, farads: float
) -> None:
    before = sheet(farads)
    narrow = windows_at(before, held(before, low, low + wide))
    broad = windows_at(before, held(before, max(0.0, low - more), low + wide + more))
    assert broad.off.ignored[1] <= narrow.off.ignored[1] <= before.off.ignored[1]
    assert broad.off.pulse[0] >= narrow.off.pulse[0] >= before.off.pulse[0]


@given(volts=st.floats(5, 16), more=st.floats(0, 5))
def test_higher_volts_move_both_edges_up(volts: float, more: float) -> None:
    before = sheet(20e-3)
    low, high = (windows_at(before, held(before, v, v)) for v in (volts, volts + more))
    assert low.off.ignored[1] <= high.off.ignored[1]
    assert low.off.pulse[0] <= high.off.pulse[0]


def test_ranges_join() -> None:
    assert joined([(11.0, 12.0), (10.0, 11.5)]) == (10.0, 12.0)


def test_a_moved_edge_costs_what_it_moved() -> None:
    assert Moved("pulse", "begins", 0.125, 0.25).cost_s == 0.125
