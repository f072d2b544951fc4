"""The simulated pad: a train through contact and lamps, the timeline, and faults."""

from __future__ import annotations

import math
from collections.abc import Callable
from random import Random

import pytest

from sequencer.clock import VirtualClock
from sequencer.datasheet import Datasheet
from sequencer.sim.lamp import SimLamp
from sequencer.sim.nature import Nature
from sequencer.sim.pad import Showing, SimPad
from sequencer.sim.relay import Manner, SimContact
from sequencer.train import Delays, Pulse, Stamp, Train

MakeSheet = Callable[..., Datasheet]

DELAYS = Delays(make_s=(0.005, 0.015), break_s=(0.002, 0.008))  # means 10 and 5 ms
TWO = Train((Pulse(0.5, 1.0), Pulse(0.5, 5.0)))


def pad_of(
    manner: Manner = "mean", *, mains: bool = True, normally_closed: bool = True, **lamps: SimLamp
) -> SimPad:
    clock = VirtualClock()
    return SimPad(
        clock, SimContact(clock, DELAYS, normally_closed, Random(0), manner=manner), lamps, mains=mains
    )


def lamp_of(sheet: Datasheet, scene: int = 4, **state: float) -> SimLamp:
    return SimLamp(sheet, Nature(), scene=scene, **state)


def test_a_train_brings_two_lamps_together(make_sheet: MakeSheet) -> None:
    sheet = make_sheet()
    played = pad_of(north=lamp_of(sheet, 4), south=lamp_of(sheet, 5)).play(TWO)
    assert played.showing == {"north": Showing(2, 0), "south": Showing(2, 0)}


def test_the_timeline_counts_from_the_trains_start(make_sheet: MakeSheet) -> None:
    """Mean delays are compensated, so that the contact keeps the train's own times."""
    pad = pad_of(north=lamp_of(make_sheet()))
    pad.wait(100)
    played = pad.play(Train(TWO.pulses, lead_in_s=2.0))
    line = played.timeline
    assert line.length_s == pytest.approx(9.0)
    assert line.supply == (pytest.approx((0.0, 2.0)), pytest.approx((2.5, 3.5)), pytest.approx((4.0, 9.0)))
    at, codes = zip(*line.scenes["north"], strict=True)
    assert codes == (4, None, 4, None, 4, 2)
    assert at == pytest.approx((0.0, 2.07, 2.5, 3.57, 4.0, 6.75))


def test_the_log_is_the_players(make_sheet: MakeSheet) -> None:
    log = pad_of(north=lamp_of(make_sheet())).play(TWO, late_commands={1: 0.25}).log
    assert log.outcome == "finished"
    assert log.stamps[1] == Stamp(0.5, pytest.approx(0.49), pytest.approx(0.74), True)
    assert [stamp.late_s for stamp in log.stamps] == pytest.approx([0, 0.25, 0, 0])


def test_the_first_command_may_come_early(make_sheet: MakeSheet) -> None:
    log = pad_of(north=lamp_of(make_sheet())).play(TWO, late_commands={0: -0.3}).log
    assert log.stamps[0].late_s == pytest.approx(-0.3)


@pytest.mark.parametrize(
    ("manner", "break_s"), [("long breaks", 0.508), ("short breaks", 0.492), ("mean", 0.5)]
)
def test_each_length_errs_by_the_spread(make_sheet: MakeSheet, manner: Manner, break_s: float) -> None:
    (_, off_at), (on_at, _) = pad_of(manner, north=lamp_of(make_sheet())).play(TWO).timeline.supply[:2]
    assert on_at - off_at == pytest.approx(break_s)
    assert DELAYS.spread_s == pytest.approx(0.008)


def test_a_slow_edge_is_in_no_log(make_sheet: MakeSheet) -> None:
    """The last closing comes only after the train's end."""
    played = pad_of(north=lamp_of(make_sheet(reset=None))).play(TWO, slow_edges={3: 9.6})
    assert [stamp.late_s for stamp in played.log.stamps] == pytest.approx([0, 0, 0, 0])
    assert played.showing["north"] == Showing(None, 1)


def test_a_train_finds_a_resting_step_lamp_at_rest(make_sheet: MakeSheet) -> None:
    """After one train the lamp is awake; the next begins from rest and wants the warm-up again."""
    pad = pad_of(north=SimLamp(make_sheet(selects_by="step"), Nature(boot=1.0), scene=1))
    short = Train((Pulse(0.5, 0.5),))
    assert pad.play(short).showing["north"].code == 2
    assert pad.play(short).showing["north"].code == 2  # 0.5 s of supply since the last break
    assert pad.play(Train(short.pulses, lead_in_s=2.0)).showing["north"].code == 3


def test_from_dark(make_sheet: MakeSheet) -> None:
    pad = pad_of(mains=False, north=SimLamp(make_sheet(), Nature(), scene=3, dark_for=math.inf))
    assert pad.showing() == {"north": Showing(None, 0)}
    pad.restore(10.0)
    pad.wait(9.9)
    assert pad.showing()["north"].code is None
    pad.wait(0.2)
    assert pad.showing()["north"].code == 3


def test_a_normally_open_contact_is_closed_for_the_train(make_sheet: MakeSheet) -> None:
    pad = pad_of(normally_closed=False, north=lamp_of(make_sheet(), 3))
    pad.wait(60)
    assert pad.showing()["north"].code is None
    assert pad.play(Train(TWO.pulses, lead_in_s=4.0)).showing["north"] == Showing(2, 0)


def test_letting_go_of_the_relay_turns_the_lamps_to_rest(make_sheet: MakeSheet) -> None:
    pad = pad_of(north=lamp_of(make_sheet(), 3))
    pad.contact.set(False)
    pad.wait(30)
    assert pad.showing()["north"].code is None
    pad.contact.close()
    pad.wait(1)
    assert pad.showing()["north"].code == 3


# -- faults ---------------------------------------------------------------------------------------


def test_a_blip_is_a_pulse_too_many(make_sheet: MakeSheet) -> None:
    pad = pad_of(north=lamp_of(make_sheet()))
    pad.blip(3.5, 0.2)  # in the last supply, before the count is over
    train = Train((Pulse(0.5, 1.0), Pulse(0.5, 3.0)))
    assert pad.play(train, at=1.0).showing["north"] == Showing(4, 3)  # and the end comes too soon
    pad.wait(1)
    assert pad.showing()["north"] == Showing(3, 0)


def test_a_blip_within_a_break_is_nothing(make_sheet: MakeSheet) -> None:
    pad = pad_of(north=lamp_of(make_sheet()))
    pad.blip(0.1, 0.2)
    assert pad.play(TWO).showing["north"] == Showing(2, 0)


def test_outages_that_overlap_last_until_both_are_over(make_sheet: MakeSheet) -> None:
    pad = pad_of(north=lamp_of(make_sheet()))
    pad.blip(1.0, 2.0)
    pad.blip(2.0, 3.0)
    pad.wait(10)
    assert pad.timeline(0.0).supply == ((0.0, 1.0), (5.0, 10.0))


def test_a_cut_lasts_until_it_is_restored(make_sheet: MakeSheet) -> None:
    pad = pad_of(north=lamp_of(make_sheet()))
    pad.cut(0.5)
    assert pad.play(TWO).showing["north"].code is None
    pad.restore(100.0)
    pad.wait(100)
    assert pad.showing()["north"] == Showing(4, 0)


def test_a_thumb_parts_what_was_together(make_sheet: MakeSheet) -> None:
    """Five flicks at a hand's pace, on lamps of one type and two natures, for some seed."""
    sheet = make_sheet(selects_by="step")

    def parts(seed: int) -> bool:
        pad = pad_of(
            north=SimLamp(sheet, Nature(gap=0.0, boot=0.0), scene=1),
            south=SimLamp(sheet, Nature(gap=1.0, boot=1.0), scene=1),
        )
        over = pad.thumb(1.0, 8, Random(seed))
        pad.wait(over + 20)
        showing = pad.showing()
        assert len(pad.timeline(0.0).supply) == 9
        return showing["north"] != showing["south"]

    assert {parts(seed) for seed in range(40)} == {True, False}


def test_a_fault_cannot_be_laid_in_the_past(make_sheet: MakeSheet) -> None:
    pad = pad_of(north=lamp_of(make_sheet()))
    pad.wait(5)
    with pytest.raises(ValueError, match="in the past of the pad"):
        pad.cut(4.0)


def test_a_lamp_is_swapped_for_one_from_a_box(make_sheet: MakeSheet) -> None:
    sheet = make_sheet()
    pad = pad_of(north=lamp_of(sheet, 4), south=lamp_of(sheet, 4))
    pad.wait(3)
    pad.swap("south", SimLamp(sheet, Nature(), scene=2, at=3.0, dark_for=math.inf))
    assert pad.showing() == {"north": Showing(4, 0), "south": Showing(2, 0)}


def test_a_weak_lamp_counts_what_others_ride_through(make_sheet: MakeSheet) -> None:
    """9 V RMS from 7 mF down to 8.5 V at 30 W: 10.5 ms instead of the promised 20 ms and more."""
    physics = {
        "electrical": {"watts": 30.0, "power_factor": 0.92, "volts": (11.0, 15.0)},
        "hold_up": {"capacitance_f": 7e-3, "dropout_v": 8.5},
    }
    sheet = make_sheet(**physics)
    pad = pad_of(north=lamp_of(sheet), south=lamp_of(sheet))
    pad.weaken("south", 9.0)
    assert pad.lamps["south"].ride_through_s == pytest.approx(0.01047, abs=1e-5)
    pad.blip(2.0, 0.015)
    pad.wait(3)
    assert pad.showing() == {"north": Showing(4, 0), "south": Showing(4, 1)}


def test_weakening_needs_physics(make_sheet: MakeSheet) -> None:
    pad = pad_of(north=lamp_of(make_sheet()))
    with pytest.raises(ValueError, match=r"north: its datasheet has no \[hold_up\]"):
        pad.weaken("north", 9.0)
