"""Faults that a simulated pad can be given: lamps that are deaf, dead or starved, and a contact that chatters."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from random import Random

import pytest

from sequencer.clock import VirtualClock
from sequencer.datasheet import Datasheet, load_datasheet
from sequencer.sim.lamp import SimLamp
from sequencer.sim.nature import Nature
from sequencer.sim.pad import SimPad
from sequencer.sim.relay import SimContact
from sequencer.train import Delays, Pulse, Train

MakeSheet = Callable[..., Datasheet]
TYPE_A = Path(__file__).parents[2] / "config" / "lamps" / "type-a.toml"
TWO = Train((Pulse(0.5, 1.5), Pulse(0.5, 5.0)))


def pad_of(lamp: SimLamp, seed: int = 0) -> SimPad:
    clock = VirtualClock()
    return SimPad(clock, SimContact(clock, Delays(), True, Random(seed), manner="mean"), {"north": lamp})


def shows(pad: SimPad, train: Train = TWO) -> int | None:
    pad.play(train)
    pad.wait(60.0)
    return pad.showing()["north"].code


def test_a_deaf_lamp_lights_and_stays(make_sheet: MakeSheet) -> None:
    lamp = SimLamp(make_sheet(), Nature(), scene=4)
    lamp.deaf = True
    assert shows(pad_of(lamp)) == 4


def test_a_dead_lamp_is_dark(make_sheet: MakeSheet) -> None:
    lamp = SimLamp(make_sheet(), Nature(), scene=4)
    lamp.dead = True
    assert shows(pad_of(lamp)) is None


def test_a_chattering_contact_counts_once_more_a_closing(make_sheet: MakeSheet) -> None:
    """It touches for 0.5 s and parts for 0.5 s, at both closings: each is a pulse of its own."""
    pad = pad_of(SimLamp(make_sheet(), Nature(), scene=5))
    pad.contact.chatter(1.0, 0.5, 0.5)
    assert shows(pad) == 4
    quiet = pad_of(SimLamp(make_sheet(), Nature(), scene=5))
    quiet.contact.chatter(0.0, 0.5, 0.5)
    assert shows(quiet) == 2


@pytest.mark.parametrize(
    ("volts", "misses", "dead"),
    [
        (12.0, 0.0, False),
        (11.0, 0.0, False),
        (10.45, 0.5, False),
        (9.9, 1.0, False),
        (9.0, 1.0, False),
        (7.6, 1.0, True),
    ],
)
def test_a_starved_lamp_misses_in_proportion_to_what_it_lacks(
    volts: float, misses: float, dead: bool
) -> None:
    """Of 11 V a tenth may be lacking: at 10.45 V half of that is. Dark below 0.7 of 11 V, 7.7 V."""
    sheet = load_datasheet(TYPE_A)
    bare = sheet.model_copy(update={"hold_up": None})
    pad = pad_of(SimLamp(bare, Nature(), scene=4))
    pad.starve("north", volts, 0.1)
    lamp = pad.lamps["north"]
    assert lamp.misses == pytest.approx(misses)
    assert lamp.dead is dead


def test_a_starved_lamp_is_dark_when_its_capacitor_never_gets_above_dropout() -> None:
    """Dropout 8.5 V and two diodes: (8.5 + 1.4) / sqrt 2 is 7.0004 V."""
    sheet = load_datasheet(TYPE_A)
    for volts, dead in ((7.01, False), (6.99, True)):
        pad = pad_of(SimLamp(sheet, Nature(), scene=4))
        pad.starve("north", volts, 0.1)
        assert pad.lamps["north"].dead is dead


def test_starving_needs_electrical(make_sheet: MakeSheet) -> None:
    sheet = make_sheet().model_copy(update={"electrical": None})
    with pytest.raises(ValueError, match=r"no \[electrical\]"):
        pad_of(SimLamp(sheet, Nature(), scene=4)).starve("north", 9.0, 0.1)
