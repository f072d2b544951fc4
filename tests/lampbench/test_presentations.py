"""What a train tells: for lamps of every nature, the scene seen after it is read as what really fell long."""

from __future__ import annotations

import math
from random import Random

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from sequencer.bench.presentations import PITCH_S, fits, most_lengths, present, stand_on
from sequencer.bench.simulated import EyesThatErr, SimStand
from sequencer.bench.subject import EdgeName, Footing, Subject, footings
from sequencer.datasheet import Datasheet
from sequencer.errors import InputError
from sequencer.sim.lamp import SimLamp
from sequencer.sim.nature import Nature
from sequencer.train import Train
from tests.lampbench.defects import sheet_of
from tests.lampbench.truth import shows, ticks

CLEAR = 0.02
"""Lengths are at least this part away from the edge: nearer, a float or the lamp's clock decides."""


@pytest.mark.parametrize("stem", "abcde")
@given(st.integers(0, 10**6), st.lists(st.floats(0.02, 0.98), min_size=1, max_size=4, unique=True))
@settings(max_examples=40, deadline=None)
def test_it_is_read_as_what_fell_long(stem: str, seed: int, parts: list[float]) -> None:
    rng = Random(seed)
    sheet = sheet_of(stem)
    nature = Nature.steady(rng) if rng.random() < 0.5 else Nature.corner(rng)
    subject = Subject(sheet)
    edge = rng.choice([edge for edge in subject.edges if subject.hidden(edge) is None])
    footing = (
        with_pulse_known(next(footings(sheet)), sheet, nature)
        if rng.random() < 0.7
        else next(footings(sheet))
    )
    assume(edge != "noticed" or footing.longest_pulse_s)
    low, high = reach(subject, edge)
    if edge == "noticed":  # where the second pulse is surely missed
        high = min(high, edge_of(subject, "gap", sheet, nature) * (1 - CLEAR))
        assume(low < high)
    lengths = tuple(sorted(low * (high / low) ** part for part in parts))
    lengths = lengths[: most_lengths(subject, edge, footing, lengths[0])]
    at = edge_of(subject, edge, sheet, nature)
    assume(all(abs(math.log(length / at)) > CLEAR for length in lengths))
    seen = rng.choice(subject.codes)
    while not fits(subject, edge, lengths, footing, seen):
        lengths = lengths[:-1]
    lamp = SimLamp(sheet, nature, scene=seen)
    stand = SimStand(lamp, manner="mean", eyes=EyesThatErr(noise=0.0))
    shown = present(subject, edge, lengths, footing, seen)
    stand.supply(60.0)
    stand.send(Train(shown.pulses))
    stand.supply(1.0)
    code = shows(stand)
    assert shown.reads.get(code, shown.otherwise) == sum(length > at for length in lengths)
    assert all(pulse.off_s + pulse.on_s >= PITCH_S - 1e-9 for pulse in shown.pulses)


def with_pulse_known(footing: Footing, sheet: Datasheet, nature: Nature) -> Footing:
    """As it is once this lamp's own pulse's end was found."""
    end_s = ticks(sheet, nature)["pulse's end"][0] / (1 + nature.clock * sheet.lamp.clock_tolerance)
    return footing._replace(longest_pulse_s=0.95 * end_s, beyond_pulse_s=1.1 * end_s)


def reach(subject: Subject, edge: EdgeName) -> tuple[float, float]:
    """Lengths on both sides of the edge, where the datasheet is sure of all else."""
    low, high = subject.claimed(edge)
    if edge == "settling":
        return low / 1.5, high * 1.3
    if edge == "pulse's end":
        return low / 1.5, high * 1.1
    if edge == "reset's end":
        assert subject.sheet.off.reset is not None
        return subject.sheet.off.reset[0] * 1.1, high * 1.1
    return max(low / 1.5, 0.012), high * 1.2


def edge_of(subject: Subject, edge: EdgeName, sheet: Datasheet, nature: Nature) -> float:
    """In real time, for the scene that it is on while this edge is asked."""
    if edge in ("ride-through", "dim ride-through"):
        home = subject.bright_and_dim[edge == "dim ride-through"]
        lamp = SimLamp(sheet, nature, scene=home or subject.codes[0])
        return lamp._draw_ride_through()
    rate = 1 + nature.clock * sheet.lamp.clock_tolerance
    return max(ticks(sheet, nature)[edge][0] / rate, 1e-9)


@pytest.mark.parametrize("stem", "abcde")
def test_a_footing_tells_whether_it_bears(stem: str) -> None:
    sheet = sheet_of(stem)
    subject, footing = Subject(sheet), next(footings(sheet))
    for seed in range(20):
        rng = Random(seed)
        for wrong in (False, True):
            seen = rng.choice(subject.codes)
            lamp = SimLamp(sheet, Nature.steady(rng), scene=seen)
            stand = SimStand(lamp, manner="mean")
            given = footing._replace(pulse_s=sheet.off.ignored[1] / 2) if wrong else footing
            pulses, code = stand_on(subject, given, seen)
            stand.supply(60.0)
            stand.send(Train(pulses))
            stand.supply(1.0)
            assert (shows(stand) == code) is not wrong


def test_the_run_is_the_longest_still_one_that_eyes_tell_apart() -> None:
    sheet = sheet_of("a")  # six still scenes, then a moving one
    assert Subject(sheet).run == (1, 5)
    assert Subject(sheet, frozenset({frozenset({2, 3})})).run == (3, 6)
    assert Subject(sheet, frozenset(frozenset({a, a + 1}) for a in (1, 2, 4, 5))).run == (3, 4)


def test_scenes_that_cannot_be_told_apart_are_said() -> None:
    sheet = sheet_of("a")
    every = frozenset(frozenset({a, b}) for a in range(1, 8) for b in range(1, 8) if a != b)
    with pytest.raises(InputError, match="Bench type A: no two scenes whose codes follow each other"):
        _ = Subject(sheet, every).run


def test_what_no_eye_can_tell_is_known_beforehand() -> None:
    sheet = sheet_of("c")
    lamp = sheet.lamp.model_copy(update={"after_power_down": "next"})
    moves_on = sheet.model_copy(update={"lamp": lamp})
    assert Subject(moves_on).hidden("pulse's end") is None  # there is a reset
    no_reset = moves_on.model_copy(update={"off": sheet.off.model_copy(update={"reset": None})})
    assert "both move it one on" in (Subject(no_reset).hidden("pulse's end") or "")
    assert "first scene" in (Subject(sheet_of("b")).hidden("reset's end") or "")
