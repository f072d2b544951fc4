"""What one lamp makes of a train: where nothing departs from the datasheet as the automaton has it, else by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.automaton.behaviour import Behaviour, behaviour
from sequencer.datasheet import load_datasheet
from sequencer.diagnosis.reader import Hearing, Parting, read
from sequencer.train import Pulse, Train

LAMPS = Path(__file__).parents[2] / "config" / "lamps"
COUNTS = behaviour(load_datasheet(LAMPS / "type-a.toml"), 0.0)
"""Counts breaks of 0.12 to 1.5 s; up to 0.02 s ignored; seven scenes."""
STEPS = behaviour(load_datasheet(LAMPS / "type-c.toml"), 0.0)
"""Steps on breaks of 0.45 to 2 s; up to 0.3 s ignored; 3.2 to 4.5 s is a reset; five scenes."""
THREE = Train((Pulse(0.2, 0.3), Pulse(0.2, 0.3), Pulse(0.2, 5.0)))


def shown(
    act: Behaviour, train: Train, start: int = 0, hearing: Hearing | None = None, **more: object
) -> dict[int | None, float]:
    found: dict[int | None, float] = {}
    for (code, _), chance in read(act, train, start, hearing or Hearing(), **more).items():  # type: ignore[arg-type]
        found[code] = found.get(code, 0.0) + chance
    return found


def test_a_sound_lamp_ends_where_it_is_sent() -> None:
    assert shown(COUNTS, THREE) == {3: pytest.approx(1)}


def test_missed_pulses_are_binomial() -> None:
    """Each of three pulses is missed with 1/2; that none is taken leaves the lamp where it was.

    1.2 s between them is enough for a first pulse (warm_up), and not too long for a further one (same_train).
    """
    slow = Train((Pulse(0.2, 1.2), Pulse(0.2, 1.2), Pulse(0.2, 5.0)))
    found = shown(COUNTS, slow, 6, Hearing(misses=0.5))
    assert found == pytest.approx({3: 1 / 8, 2: 3 / 8, 1: 3 / 8, 6: 1 / 8})


def test_how_many_were_missed_is_told() -> None:
    assert read(COUNTS, THREE, 6, Hearing(misses=1.0)) == {(6, 3): 1.0}


@pytest.mark.parametrize(
    ("hearing", "ends"),
    [
        (Hearing(stuck=True), {6: 1.0}),
        (Hearing(dark=True), {None: 1.0}),
        (Hearing(rides_s=0.25), {6: 1.0}),
        (Hearing(rides_s=0.15), {3: 1.0}),
        (Hearing(pending=2, had_s=1.0), {5: 1.0}),
    ],
)
def test_departures(hearing: Hearing, ends: dict[int | None, float]) -> None:
    found = shown(COUNTS, THREE, 6, hearing)
    assert found.keys() >= ends.keys()
    assert all(found[code] == chance for code, chance in ends.items())


def test_an_unknown_start_is_any_scene() -> None:
    assert shown(COUNTS, THREE, 0, Hearing(stuck=True)) == pytest.approx(dict.fromkeys(range(1, 8), 1 / 7))


def test_a_contact_that_parts_counts_once_more() -> None:
    """It touches for 0.3 s and parts for 0.2 s: a whole pulse more, well inside every window."""
    assert shown(COUNTS, THREE, parting=Parting((1,), 0.3, 0.2)) == {4: pytest.approx(1)}
    assert shown(STEPS, THREE, 2, parting=Parting((1,), 0.3, 0.2)) == {2: pytest.approx(1)}


def test_a_length_a_third_of_the_way_through_a_gap_is_noticed_by_a_lamp_in_three() -> None:
    """Between 0.02 s (0.0194 s by a slow clock) and 0.12 s (0.1237 s by a fast one)."""
    between = 0.02 / 1.03 + (0.12 / 0.97 - 0.02 / 1.03) / 3
    found = shown(COUNTS, Train((Pulse(between, 5.0),)), 6)
    assert found == pytest.approx({1: 1 / 3, 6: 2 / 3}, rel=1e-6)


def test_a_spent_capacitor_notices_what_is_to_be_ridden_through() -> None:
    assert shown(STEPS, THREE, 2) == {2: pytest.approx(1)}
    weak = shown(STEPS, Train((Pulse(0.2, 2.0),)), 2, Hearing(holds_s=0.004))
    assert weak == {3: pytest.approx(1)}


def test_a_reset_is_heard_by_a_lamp_that_misses_every_pulse() -> None:
    train = Train((Pulse(3.6, 2.0), Pulse(0.6, 1.0)))
    assert shown(STEPS, train, 4) == {2: pytest.approx(1)}
    assert shown(STEPS, train, 4, Hearing(misses=1.0)) == {1: pytest.approx(1)}
