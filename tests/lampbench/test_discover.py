"""Discovery, held against lamps that it has never seen: the automaton must be theirs, not only as many scenes."""

from __future__ import annotations

import json
import math
import tomllib
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.bench.accept import Course, Options, Run
from sequencer.bench.asking import BACK, Asking, Assumed, assumed_of
from sequencer.bench.discover import discover
from sequencer.bench.discovered import datasheet_toml, discovered_fields
from sequencer.bench.drive import drive
from sequencer.bench.edges import Line, ladder
from sequencer.bench.exercises import Trainer
from sequencer.bench.gallery import Gallery, name_of
from sequencer.bench.learner import _wrapped
from sequencer.bench.simulated import EyesThatErr, SimStand
from sequencer.bench.stand import Sighting, Spoiled
from sequencer.datasheet import Datasheet, load_datasheet
from sequencer.errors import InputError
from sequencer.sim.lamp import SimLamp
from sequencer.sim.nature import Nature
from sequencer.sim.relay import Manner
from sequencer.train import Pulse, Train
from tests.automaton.sheets import INF, sheet
from tests.lampbench.lamps import drawn_lamp, unlike

LAMPS = Path(__file__).parents[2] / "config" / "lamps"
COLOURS = ["#2050c0", "#c04020", "#30a040", "#d0c040", "#a040b0", "#e8e8e8"]


def coloured(kind: str, size: int = 4, **changes: Any) -> Datasheet:
    return sheet(kind, dict(enumerate(COLOURS[:size], start=1)), **changes)


def table_lamp(true: Datasheet, seed: int = 1, lapse: float = 0.0, manner: Manner = "drawn") -> SimStand:
    nature = replace(Nature.steady(Random(seed)), wakes_early=True)
    return SimStand(SimLamp(true, nature, scene=1), eyes=EyesThatErr(lapse=lapse), seed=seed, manner=manner)


@pytest.mark.parametrize("seed", range(1001, 1015))
def test_a_lamp_drawn_by_chance_is_recovered(seed: int) -> None:
    """A few of those of tests/bench/discover_bench.py, with other seeds; docs/measured.md has the rate over 200."""
    lamp = drawn_lamp(seed)
    found = discover(Asking(lamp.stand()))
    assert found.sheet is not None, found.why
    assert unlike(lamp.sheet, Datasheet.model_validate(found.sheet)) is None
    assert found.spent.relay_cycles <= 3000


@pytest.mark.parametrize(
    ("kind", "changes", "expected"),
    [
        ("count", {"overflow": "unknown"}, {"selects_by": "count", "overflow": "unknown"}),
        ("count", {"overflow": "ignored"}, {"overflow": "ignored"}),
        ("count", {"overflow": "wraps"}, {"overflow": "wraps"}),
        ("count", {"after_power_down": "first"}, {"after_power_down": "first"}),
        (
            "step",
            {"after_power_down": "remembered"},
            {"selects_by": "step", "after_power_down": "remembered"},
        ),
        ("step", {"after_power_down": "first", "reset": None}, {"after_power_down": "first"}),
        ("step", {"after_power_down": "next", "reset": None}, {"after_power_down": "next"}),
        ("step", {"after_power_down": "next"}, {"after_power_down": "next"}),
    ],
)
def test_each_kind_is_named(kind: str, changes: dict[str, Any], expected: dict[str, str]) -> None:
    true = coloured(kind, **changes)
    found = discover(Asking(table_lamp(true)))
    assert found.sheet is not None, found.why
    assert expected.items() <= found.sheet["lamp"].items()
    assert len(found.sheet["scene"]) == 4
    assert unlike(true, Datasheet.model_validate(found.sheet)) is None
    seen_apart = true.off.reset is not None and true.lamp.after_power_down != "first"
    assert ("reset" in found.sheet["off"]) == seen_apart


@pytest.mark.parametrize("stem", ["type-a", "type-b", "type-c", "type-e"])
def test_what_was_written_is_read_and_then_accepts_the_lamp(stem: str, tmp_path: Path) -> None:
    true = load_datasheet(LAMPS / f"{stem}.toml")
    found = discover(Asking(table_lamp(true, lapse=0.01)), name='the "odd" one \\ shed')
    path = tmp_path / "found.toml"
    path.write_text(datasheet_toml(found, "2026-11-25"), encoding="utf-8")
    read = load_datasheet(path)
    assert read.lamp.name == 'the "odd" one \\ shed'
    assert unlike(true, read) is None
    run = Run(Course(Trainer(read), Options(tours=2)))
    _, verdict = drive(run, table_lamp(true), lambda _: None, lambda _: None)
    assert verdict.accepted, verdict.failures


@pytest.mark.parametrize("scene", [1, 2])
@pytest.mark.parametrize(
    ("kind", "size", "keeps"),
    [
        ("count", 3, "remembered"),
        ("count", 4, "first"),
        ("step", 2, "remembered"),
        ("step", 2, "first"),
        ("step", 3, "first"),
        ("step", 4, "first"),
        ("step", 4, "next"),
    ],
)
def test_two_breaks_that_it_takes_for_one_are_no_two_pulses(
    kind: str, size: int, keeps: str, scene: int
) -> None:
    """It starts 0.3 s after a break. With less supply, two pulses are one power-down: it may look like none or two."""
    changes = {"pulse": (0.1, 0.7), "power_down": (0.9, INF), "reset": None, "same_train": (0.3, 1.5)}
    changes |= {"settled": (2.5, INF)} if kind == "count" else {"same_train": (0.3, INF)}
    true = coloured(kind, size, after_power_down=keeps, clock_tolerance=0.0, warm_up=None, **changes)
    lamp = SimLamp(true, Nature(start_up=1.0, gap=0.2, boot=0.2, wakes_early=True), scene=scene)
    found = discover(Asking(SimStand(lamp, manner="mean")))
    assert found.sheet is not None, found.why
    read = Datasheet.model_validate(found.sheet)
    assert read.on.same_train[0] >= 0.3
    assert read.noticed[0] >= 0.3
    assert read.warm_up[0] >= 0.3
    assert found.lengths is not None
    assert found.lengths.gap_edge is not None
    assert found.lengths.gap_edge[1] >= 0.3


def test_windows_lie_within_what_this_lamp_does() -> None:
    """Whatever is certain by what was written, is so for the lamp, whose limits are known here."""
    for seed in range(1, 8):
        true = coloured("count", clock_tolerance=0.0)
        stand = table_lamp(true, seed)
        found = discover(Asking(stand))
        assert found.sheet is not None, found.why
        off, nature, t = Datasheet.model_validate(found.sheet).off, stand.lamp.nature, 0.03
        ride = 0.02 + nature.ride_through * 0.1
        pulse_end = 3.0 + nature.pulse_end * 3.5
        reset_end = 8.0 + nature.reset_end * 2.0
        assert off.ignored[1] / (1 + t) < ride < off.pulse[0] / (1 - t)
        assert off.reset is not None
        assert off.pulse[1] / (1 + t) < pulse_end < off.reset[0] / (1 - t)
        assert off.reset[1] / (1 + t) < reset_end < off.power_down[0] / (1 - t)


def test_scenes_that_look_alike_are_told_by_what_comes_after_them() -> None:
    """A ring of blue, red, blue, green: the two blues look the same, and the ring has four places."""
    ring = sheet(
        "step", {1: "#2050c0", 2: "#c04020", 3: "#2050c0", 4: "#30a040"}, after_power_down="remembered"
    )
    found = discover(Asking(table_lamp(ring)))
    assert found.sheet is not None, found.why
    colours = [scene["colour"] for scene in found.sheet["scene"]]
    assert colours[::2] == [colours[0]] * 2 or colours[1::2] == [colours[1]] * 2
    assert len({scene["name"] for scene in found.sheet["scene"]}) == len(colours) == 4
    assert found.learned is not None
    assert found.learned.states == 4


def test_a_lamp_with_one_scene_is_said_to_show_nothing() -> None:
    found = discover(Asking(table_lamp(coloured("count", 1))))
    assert (found.end, found.sheet) == ("unclear", None)
    assert "no break changed what the lamp shows" in found.why


def test_a_lamp_that_does_what_no_datasheet_says_gets_none() -> None:
    """It forgets its scene only from the third on: remembered from some scenes, first from others."""

    class Odd(SimLamp):
        def _restart(self, scene: int) -> None:
            super()._restart(1 if scene > 2 else scene)

    true = coloured("count", overflow="wraps", reset=None)
    stand = SimStand(Odd(true, Nature(), scene=1), eyes=EyesThatErr())
    found = discover(Asking(stand))
    assert (found.end, found.sheet) == ("unclear", None)
    assert "none of: remembered, first, next" in found.why


def test_a_budget_ends_it_before_it_is_overspent() -> None:
    for budget in (10, 60, 150, 300):
        found = discover(Asking(table_lamp(coloured("count")), Assumed(budget_cycles=budget)))
        assert found.end == "over budget"
        assert found.spent.relay_cycles <= budget
        assert f"{budget} relay cycles are spent: while it was to" in found.why
    found = discover(Asking(table_lamp(coloured("step")), Assumed(budget_s=900.0)))
    assert found.end == "over budget"
    assert found.spent.seconds < 960


class BrokenOffError(Exception): ...


@pytest.mark.parametrize("kind", ["count", "step"])
def test_taken_up_again_it_comes_to_the_same(kind: str) -> None:
    """Broken off three times, each time taken up from JSON, on a lamp that was left where it was."""
    true = coloured(kind, 5)
    whole = discover(Asking(table_lamp(true)))
    stand = table_lamp(true)
    record: dict[str, Any] | None = None
    for stop in (40, 60, 90):

        def keep(now: Asking, stop: int = stop) -> None:
            if len(now.log) >= stop:
                raise BrokenOffError

        ask = Asking(stand, record=record, keep=keep)
        with pytest.raises(BrokenOffError):
            discover(ask)
        assert len(ask.log) == stop
        record = json.loads(json.dumps(ask.record()))
    assert record is not None
    ask = Asking(stand, assumed_of(record), record=record)
    found = discover(ask)
    assert found.sheet is not None, found.why
    assert whole.sheet is not None
    assert found.sheet["lamp"] == whole.sheet["lamp"]
    assert unlike(true, Datasheet.model_validate(found.sheet)) is None


def test_taken_up_on_a_lamp_that_was_moved_it_goes_back_first() -> None:
    true = coloured("step", 5)
    stand = table_lamp(true)

    def keep(now: Asking) -> None:
        if len(now.log) == 60:
            raise BrokenOffError

    ask = Asking(stand, keep=keep)
    with pytest.raises(BrokenOffError):
        discover(ask)
    stand.dark(0.5)  # somebody's thumb
    stand.supply(5.0)
    found = discover(Asking(stand, record=json.loads(json.dumps(ask.record()))))
    assert found.sheet is not None, found.why
    assert unlike(true, Datasheet.model_validate(found.sheet)) is None


def test_a_run_that_is_taken_up_twice_keeps_every_answer() -> None:
    """Each time the lamp was moved meanwhile, and is led back first: that way back is no answer."""
    true = coloured("count", 4)
    stand = table_lamp(true, manner="mean")
    record: dict[str, Any] | None = None
    for length in (40, 80):

        def keep(ask: Asking, length: int = length) -> None:
            if len(ask.log) >= length:
                raise BrokenOffError

        ask = Asking(stand, record=record, keep=keep)
        with pytest.raises(BrokenOffError):
            discover(ask)
        record = json.loads(json.dumps(ask.record()))
        stand.send(Train((Pulse(0.2, 1.0), Pulse(0.2, 1.0), Pulse(0.2, 12.0))))  # somebody's thumb
    found = discover(Asking(stand, record=record))
    assert found.sheet is not None, found.why
    assert record is not None
    answers = [one for one in record["asked"] if one[3] != BACK]
    assert len(answers) < len(record["asked"])  # the first way back is in it
    assert [list(one.pulses) for one in found.log[: len(answers)]] == [
        [tuple(pulse) for pulse in one[0]] for one in answers
    ]
    whole = discover(Asking(table_lamp(true, manner="mean")))
    assert [one.pulses for one in found.log if one.why != BACK] == [one.pulses for one in whole.log]


@pytest.mark.parametrize(
    "record",
    [
        {"scenes": [[["#zz0000", None, [], None], 1]], "asked": []},
        {"scenes": [[1, 2]], "asked": []},
        {"scenes": 5, "asked": []},
        {"scenes": [], "asked": [[[[0.1, "a", 2]], 0]]},
    ],
)
def test_a_record_that_is_damaged_is_refused(record: dict[str, Any]) -> None:
    with pytest.raises(InputError, match="no record of a discovery"):
        Asking(table_lamp(coloured("count")), record=record)


def test_a_record_that_is_none_is_refused() -> None:
    with pytest.raises(InputError, match="no record of a discovery"):
        assumed_of({"assumed": {"no such": 1}})


def test_a_spoiled_train_is_sent_again_from_the_same_scene() -> None:
    """Each 25th train is spoiled in its middle: the lamp took its first breaks, and stands where nobody knows."""
    true = coloured("count", 4, overflow="wraps")
    stand = table_lamp(true)
    send = stand.send
    count = 0

    def spoiling(train: Train) -> None:
        nonlocal count
        count += 1
        if count > 60 and count % 25 == 0:
            send(Train(train.pulses[: (len(train.pulses) + 1) // 2]))
            raise Spoiled("an edge came 40 ms late")
        send(train)

    stand.send = spoiling  # type: ignore[method-assign]
    found = discover(Asking(stand))
    assert found.sheet is not None, found.why
    assert unlike(true, Datasheet.model_validate(found.sheet)) is None


def test_the_lead_keeps_the_error_it_states() -> None:
    """Gambler's ruin against simulation: eyes wrong one time in ten, always for the same wrong scene."""
    lead = Assumed(lapse=0.1, error=0.01, looks=10).lead
    assert lead == 4  # (1/9)^3 = 0.0014 is more than 0.001, (1/9)^4 is less
    chance = Random(7)
    wrong = 0
    for _ in range(20000):
        ahead = 0
        while abs(ahead) < lead:
            ahead += -1 if chance.random() < 0.1 else 1
        wrong += ahead < 0
    assert wrong / 20000 <= 0.001


@given(st.lists(st.floats(0.02, 50.0), min_size=1, max_size=3, unique=True))
@settings(max_examples=100, deadline=None)
def test_a_line_brackets_every_change_that_its_first_tries_saw(edges: list[float]) -> None:
    line = Line(lambda s: str(sum(s >= edge for edge in edges)))
    for length in ladder(0.01, 60.0):
        line.at(length)
    line.halve(1.1)
    runs = line.runs()
    for a, b in zip(runs, runs[1:], strict=False):
        assert b.first_s <= a.last_s * 1.1 * 1.01
        assert any(a.last_s < edge <= b.first_s + 1e-4 for edge in edges)


@pytest.mark.parametrize(
    ("seen", "period"),
    [
        ([0, 1, 2, 0, 1], None),
        ([0, 1, 2, 0, 1, 2], 3),
        ([0, 1, 0], None),
        ([0, 1, 0, 1], 2),
        ([0, 1, 0, 2, 0, 1, 0], None),
        ([0, 1, 0, 2, 0, 1, 0, 2], 4),
        (list(range(9)) * 2, 9),
    ],
)
def test_a_table_that_wraps_is_known_by_going_round(seen: list[int], period: int | None) -> None:
    assert _wrapped(seen) == period or (period == 9 and _wrapped(seen[:12]) == 9)


def test_scenes_have_names_of_their_own() -> None:
    gallery = Gallery(5.0)
    for seen in ("#2050c0", "#2050c2", "#2a70d8", "#f4f4f4"):
        gallery.number(Sighting(seen))
    gallery.number(Sighting("#f4f4f4", 12.0))
    assert gallery.names() == ("dusk", "dusk 2", "chalk", "chalk, 12.0 s round")
    assert gallery.scenes[0].times == 2
    assert name_of(Sighting(None, watts=18.3)) == "18 W"


def test_what_was_written_says_what_it_rests_on() -> None:
    found = discover(Asking(table_lamp(coloured("step", reset=None))))
    text = datasheet_toml(found, "2026-11-25")
    assert "# Taken for granted: It has at most 20 scenes" in text
    assert math.isinf(tomllib.loads(text)["off"]["power_down"][1])
    fields = json.loads(json.dumps(discovered_fields(found)))
    assert fields["relay_cycles"] == sum(len(entry["pulses"]) for entry in fields["log"])
    assert found.sheet["on"]["same_train"][1] == INF  # type: ignore[index]
