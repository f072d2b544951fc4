"""What the simulated lamp shows from moment to moment, and its capacitor, in exact values."""

from __future__ import annotations

import math
from collections.abc import Callable
from random import Random

import pytest

from sequencer.datasheet import Datasheet
from sequencer.sim.lamp import SimLamp, hold_up_s
from sequencer.sim.nature import Nature

MakeSheet = Callable[..., Datasheet]

PHYSICS = {
    "electrical": {"watts": 30.0, "power_factor": 0.92, "volts": (11.0, 15.0)},
    "hold_up": {"capacitance_f": 7e-3, "dropout_v": 8.5},
}


def test_a_break_seen_from_the_water(make_sheet: MakeSheet) -> None:
    """Ride-through halfway from 0.02 to 0.12 s, settling halfway from 2.0 to 3.5 s, a clock without error."""
    lamp = SimLamp(make_sheet(), Nature(), scene=4)
    lamp.supply(False, 1.0)
    assert lamp.showing(1.06) == 4  # on its capacitor
    assert lamp.showing(1.08) is None
    assert lamp.remembered(1.08) == 4
    lamp.supply(True, 1.5)
    assert (lamp.showing(1.5), lamp.pending(1.5)) == (4, 1)
    assert (lamp.showing(4.24), lamp.pending(4.24)) == (4, 1)
    assert (lamp.showing(4.26), lamp.pending(4.26)) == (1, 0)
    assert lamp.history(5.0) == (
        (0.0, 4),
        (pytest.approx(1.07, abs=1e-9), None),
        (1.5, 4),
        (pytest.approx(4.25, abs=1e-9), 1),
    )


@pytest.mark.parametrize(("clock", "settles_at"), [(-1.0, 2.75 / 0.97), (0.0, 2.75), (1.0, 2.75 / 1.03)])
def test_its_own_clock_moves_its_own_moment(make_sheet: MakeSheet, clock: float, settles_at: float) -> None:
    lamp = SimLamp(make_sheet(), Nature(clock=clock), scene=1, pending=3, supplied_for=0.0)
    assert lamp.pending(settles_at - 1e-6) == 3
    assert lamp.showing(settles_at + 1e-6) == 3


def test_a_steady_lamp_never_changes_its_mind(make_sheet: MakeSheet) -> None:
    lamp = SimLamp(make_sheet(selects_by="step"), Nature(ride_through=0.3), scene=1)
    at = 0.0
    for _ in range(50):  # rides through 0.02 + 0.3 * 0.1 = 0.05 s
        lamp.supply(False, at)
        lamp.supply(True, at + 0.0499)
        at += 5
    assert lamp.showing(at) == 1


def test_a_contrary_lamp_changes_it_all_the_time(make_sheet: MakeSheet) -> None:
    lamp = SimLamp(make_sheet(selects_by="step", scenes=90), Nature.contrary(Random(1)), scene=1)
    at = 0.0
    for _ in range(50):
        lamp.supply(False, at)
        lamp.supply(True, at + 0.07)
        at += 5
    steps = lamp.showing(at)
    assert steps is not None
    assert 10 < steps < 40


def test_what_is_dark_stays_dark_and_comes_back_by_its_datasheet(make_sheet: MakeSheet) -> None:
    for after, scene in (("remembered", 3), ("first", 1), ("next", 4)):
        sheet = make_sheet(selects_by="step", after_power_down=after)
        lamp = SimLamp(sheet, Nature(), scene=3, dark_for=math.inf)
        assert lamp.showing(5.0) is None
        lamp.supply(True, 9.0)
        assert lamp.showing(9.0) == scene


def test_a_break_goes_on_from_before_the_beginning(make_sheet: MakeSheet) -> None:
    """0.06 s without supply before, 0.005 s after: ridden through; a little longer: noticed."""
    for more, pending in ((0.005, 0), (0.015, 1)):
        lamp = SimLamp(make_sheet(), Nature(), scene=2, supplied_for=9.0, dark_for=0.06)
        lamp.supply(True, more)
        assert lamp.pending(more) == pending


def test_a_count_that_was_over_before_the_beginning_is_chosen(make_sheet: MakeSheet) -> None:
    lamp = SimLamp(make_sheet(), Nature(), scene=2, pending=5, supplied_for=4.0)
    assert (lamp.showing(0.0), lamp.pending(0.0)) == (5, 0)
    assert lamp.history(0.0) == ((0.0, 5),)


@pytest.mark.parametrize("early", [0.0, 0.999])
def test_time_runs_forward_only(make_sheet: MakeSheet, early: float) -> None:
    lamp = SimLamp(make_sheet(), Nature(), scene=1)
    lamp.supply(False, 1.0)
    with pytest.raises(ValueError, match="already past"):
        lamp.supply(True, early)


@pytest.mark.parametrize(
    ("first_break", "supplied_for", "doubtful"),
    [
        (0.5, 1 / 0.97, False),  # a pulse for certain, and warm for certain
        (0.5, 0.9, True),  # perhaps not warm
        (0.1, 9.0, True),  # perhaps ridden through
        (4.0, 9.0, True),  # perhaps a reset
    ],
)
@pytest.mark.parametrize("wakes_early", [False, True])
def test_a_step_lamp_wakes_by_a_certain_pulse_and_perhaps_by_a_doubtful_one(
    make_sheet: MakeSheet, first_break: float, supplied_for: float, doubtful: bool, wakes_early: bool
) -> None:
    """0.3 s of supply are enough for the second pulse when awake (0.15 s), but not at rest (here 0.4 s)."""
    nature = Nature(boot=0.4, wakes_early=wakes_early)
    lamp = SimLamp(make_sheet(selects_by="step"), nature, scene=1, supplied_for=supplied_for)
    lamp.supply(False, 0.0)
    lamp.supply(True, first_break)
    assert lamp.showing(first_break) == 2
    lamp.supply(False, first_break + 0.3)
    lamp.supply(True, first_break + 0.8)
    assert lamp.showing(first_break + 0.8) == (2 if doubtful and not wakes_early else 3)


def test_no_such_scene(make_sheet: MakeSheet) -> None:
    with pytest.raises(ValueError, match="test count: no scene has code 9"):
        SimLamp(make_sheet(), Nature(), scene=9)


def test_a_supply_edge_that_changes_nothing_is_none(make_sheet: MakeSheet) -> None:
    lamp = SimLamp(make_sheet(), Nature(), scene=1)
    lamp.supply(True, 1.0)
    lamp.supply(False, 2.0)
    lamp.supply(False, 2.06)  # the break began at 2.0 and is noticed at 2.07
    assert lamp.showing(2.069) == 1
    assert lamp.showing(2.071) is None


# -- the capacitor ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("physics", "milliseconds"),
    [
        # Design notes of power supplies, read in a secondary copy; 114 uF there is rounded.
        ({"capacitance_f": 114e-6, "from_v": 400, "to_v": 300, "watts": 200}, pytest.approx(20, rel=3e-3)),
        # Computed from the same formula, t = C (V1^2 - V2^2) / (2 P).
        ({"capacitance_f": 470e-6, "from_v": 17, "to_v": 10, "watts": 12}, pytest.approx(3.70, abs=5e-3)),
        # It falls no further than nothing.
        ({"capacitance_f": 470e-6, "from_v": 10, "to_v": 10, "watts": 12}, 0.0),
        ({"capacitance_f": 470e-6, "from_v": 9, "to_v": 10, "watts": 12}, 0.0),
    ],
)
def test_hold_up(physics: dict[str, float], milliseconds: float) -> None:
    assert 1000 * hold_up_s(**physics) == milliseconds


def notices(lamp: SimLamp, length: float) -> bool:
    lamp.supply(False, 0.0)
    return lamp.showing(length) is None


@pytest.mark.parametrize(
    ("volts", "ignored_s", "rides_s"),
    [
        (0.25, 0.02, 0.007 * (2 * 12.0**2 - 8.5**2) / 60),  # 12 V RMS: 25.2 ms
        (1.0, 0.02, 0.007 * (2 * 15.0**2 - 8.5**2) / 60),  # 15 V RMS: 44.1 ms
        (0.0, 0.03, 0.03 / 1.03),  # 11 V RMS would give 19.8 ms, but the datasheet's promise stands
    ],
)
def test_ride_through_from_the_capacitor(
    make_sheet: MakeSheet, volts: float, ignored_s: float, rides_s: float
) -> None:
    sheet = make_sheet(ignored=(0, ignored_s), **PHYSICS)
    nature = Nature(volts=volts, ride_through=0.9)
    assert not notices(SimLamp(sheet, nature, scene=1), rides_s - 1e-6)
    assert notices(SimLamp(sheet, nature, scene=1), rides_s + 1e-6)


def test_a_dimmer_scene_rides_longer(make_sheet: MakeSheet) -> None:
    """Half the watts, twice the time: 50.3 ms at 12 V."""
    sheet = make_sheet(**PHYSICS)
    scenes = tuple(s.model_copy(update={"watts": 15.0 if s.code == 2 else None}) for s in sheet.scenes)
    sheet = sheet.model_copy(update={"scenes": scenes})
    assert notices(SimLamp(sheet, Nature(volts=0.25), scene=1), 0.045)
    assert not notices(SimLamp(sheet, Nature(volts=0.25), scene=2), 0.045)
    assert notices(SimLamp(sheet, Nature(volts=0.25), scene=2), 0.051)


def test_without_volts_the_gap_alone_counts(make_sheet: MakeSheet) -> None:
    sheet = make_sheet(**PHYSICS)
    assert not notices(SimLamp(sheet, Nature(ride_through=1.0), scene=1), 0.1199)


def test_a_weak_lamp_breaks_the_promise(make_sheet: MakeSheet) -> None:
    lamp = SimLamp(make_sheet(), Nature(), scene=1, ride_through_s=0.004)
    assert notices(lamp, 0.005)
