"""The real stand: its own code, its instruments over real pseudo-terminals, and the player's process."""

from __future__ import annotations

import json
import os
import signal
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from random import Random
from typing import Any

import pytest

from sequencer.bench import rigstand
from sequencer.bench.accept import Course, Options, Run
from sequencer.bench.asking import Asking, Assumed
from sequencer.bench.colours import mean_colour
from sequencer.bench.discover import discover
from sequencer.bench.drive import drive
from sequencer.bench.exercises import Trainer
from sequencer.bench.rigfile import load_rig
from sequencer.bench.rigstand import RigStand, doubts, scenes_to_see
from sequencer.bench.stand import Spoiled
from sequencer.clock import VirtualClock
from sequencer.datasheet import Datasheet
from sequencer.errors import HardwareError
from sequencer.instruments import sensor, supply
from sequencer.instruments.eyes import Sighting
from sequencer.instruments.light import D65_XYZ, Triple
from sequencer.instruments.operator import OperatorEyes
from sequencer.instruments.twins import SimulatedScpi, SimulatedSensor
from sequencer.player.job import PlayResult
from sequencer.player.process import play
from sequencer.sim.lamp import SimLamp
from sequencer.sim.nature import Nature
from sequencer.sim.pad import SimPad
from sequencer.sim.relay import SimContact
from sequencer.train import Delays, EdgeLog, Limits, Pulse, Stamp, Train
from tests.automaton.sheets import sheet as made
from tests.lampbench.defects import sheet_of
from tests.lampbench.lamps import unlike

DELAYS = Delays((0.005, 0.012), (0.003, 0.008))
SPEC: dict[str, object] = {"driver": "simulated", "contact": "normally_closed"}


class Table:
    """A simulated lamp behind a simulated contact in virtual time, played as the player plays."""

    def __init__(self, sheet: Datasheet, lamp: SimLamp, delays: Delays = DELAYS) -> None:
        self.sheet, self.lamp = sheet, lamp
        self.clock = VirtualClock()
        self.pad = SimPad(self.clock, SimContact(self.clock, delays, True, Random(1)), {"lamp": lamp})

    def play(
        self,
        train: Train,
        _delays: Delays,
        _spec: Mapping[str, object],
        _tolerance: Sequence[float],
        *,
        limits: Limits,
    ) -> PlayResult:
        assert limits.refusal(train.pulses) is None
        return PlayResult(self.pad.play(train).log, 0.0, 0.0)

    def light(self, at: float) -> Triple:
        """Its light at a sensor that counts to about a thousand."""
        from coloraide import Color

        showing = self.lamp.showing(self.clock.now())
        scene = None if showing is None else self.sheet.scene_by_code(showing)
        if scene is None:
            return (0.0, 0.0, 0.0)
        shown = mean_colour(scene)
        if scene.period_s is not None and scene.colours:
            shown = scene.colours[int(at / scene.period_s * len(scene.colours)) % len(scene.colours)]
        x, y, z = Color(shown).convert("xyz-d65").coords(nans=False)
        return (1000 * x, 1000 * y, 1000 * z)


WHITE = tuple(1000 * c for c in D65_XYZ)


def test_a_lamp_is_accepted_through_a_sensor_and_a_supply_on_real_ptys() -> None:
    """The whole path but the relay: what the sensor's own code makes of 50 ms readings, and SCPI for the volts."""
    sheet = sheet_of("c")
    table = Table(sheet, SimLamp(sheet, Nature.steady(Random(5)), scene=3))
    line = {"serial_number": None, "baud": 115200, "timeout_s": 5.0}
    eye = {"white": WHITE, "spread": 0.3, "allowance": 6.0, "still_s": 8.0, "longest_s": 100.0}
    with (
        SimulatedSensor(table.light, noise=0.003, seed=2) as far_eye,
        SimulatedScpi((0.0, 20.0)) as far_supply,
        sensor.open_({**line, **eye, "port": far_eye.port}) as eyes,
        supply.open_({**line, "port": far_supply.port, "settle_s": 0.0}) as volts,
    ):
        stand = RigStand(
            SPEC, DELAYS, eyes, volts, (8.0, 16.0), play=table.play, now=table.clock.now, sleep=table.pad.wait
        )
        course = Course(Trainer(sheet, DELAYS), Options(tours=1, repeats=1), stand.volts_range)
        run, verdict = drive(Run(course), stand, lambda _: None, lambda _: None)
        assert verdict.accepted, [
            (e.exercise.what, e.exercise.expects, e.seen) for e in run.log if not e.right
        ]
        assert far_supply.volts == 12.5
        assert stand.spent.relay_cycles == sum(len(e.exercise.train.pulses) for e in run.log)


def test_a_lamp_is_accepted_by_an_operator() -> None:
    """The operator is a driver like any other: here one that sees what the lamp shows and types its number."""
    sheet = sheet_of("d")
    table = Table(sheet, SimLamp(sheet, Nature.steady(Random(2)), scene=2))
    codes = [scene.code for scene in sheet.scenes]

    def ask(_: str) -> str:
        code = table.lamp.showing(table.clock.now())
        return "d" if code is None else str(codes.index(code) + 1)

    stand = RigStand(
        SPEC,
        DELAYS,
        OperatorEyes(scenes_to_see(sheet), ask),
        play=table.play,
        now=table.clock.now,
        sleep=table.pad.wait,
    )
    course = Course(Trainer(sheet, DELAYS), Options(tours=2))
    _, verdict = drive(Run(course), stand, lambda _: None, lambda _: None)
    assert verdict.accepted


THREE = dict(enumerate(("#2050c0", "#c04020", "#30a040"), start=1))


@pytest.mark.parametrize("kind", ["count", "step"])
def test_a_lamp_is_discovered_through_a_sensor_although_edges_come_late(kind: str) -> None:
    """Trains are gathered, so a spoiled one is known at the look; what the lamp made of it nobody knows."""
    true = made(kind, THREE)
    table = Table(true, SimLamp(true, Nature.steady(Random(5)), scene=1))
    count = spoiled = 0

    def late(train: Train, *rest: Any, **limits: Any) -> PlayResult:
        nonlocal count, spoiled
        count += 1
        if count <= 60 or count % 20:
            return table.play(train, *rest, **limits)
        spoiled += 1
        half = Train(train.pulses[: (len(train.pulses) + 1) // 2], train.lead_in_s)
        return table.play(half, *rest, **limits)._replace(beyond=(2,))

    line = {"serial_number": None, "baud": 115200, "timeout_s": 5.0}
    eye = {"white": WHITE, "spread": 0.3, "allowance": 6.0, "still_s": 0.5, "longest_s": 10.0}
    with (
        SimulatedSensor(table.light, noise=0.003, seed=2) as far_eye,
        sensor.open_({**line, **eye, "port": far_eye.port}) as eyes,
    ):
        stand = RigStand(SPEC, DELAYS, eyes, play=late, now=table.clock.now, sleep=table.pad.wait)
        found = discover(Asking(stand, Assumed(lapse=0.0)))
    assert found.sheet is not None, found.why
    assert unlike(true, Datasheet.model_validate(found.sheet)) is None
    assert spoiled


def test_a_lamp_is_discovered_by_an_operator() -> None:
    """Nobody has told the operator what there is to see: each light is described once, then picked by its number."""
    true = made("count", THREE)
    table = Table(true, SimLamp(true, Nature.steady(Random(5)), scene=1))
    colours: list[str] = []

    def ask(prompt: str) -> str:
        shown = THREE[table.lamp.showing(table.clock.now()) or 0]
        if prompt.startswith("What"):
            return str(colours.index(shown) + 1) if shown in colours else "o"
        if prompt.startswith("If it moves"):
            return ""
        colours.append(shown)
        return shown

    eyes = OperatorEyes([], ask)
    stand = RigStand(SPEC, DELAYS, eyes, play=table.play, now=table.clock.now, sleep=table.pad.wait)
    found = discover(Asking(stand, Assumed(lapse=0.0)))
    assert found.sheet is not None, found.why
    assert unlike(true, Datasheet.model_validate(found.sheet)) is None
    assert [scene["colour"] for scene in found.sheet["scene"]] == list(THREE.values())


def test_the_volts_of_a_lamp_that_nobody_knows_are_set_before_all_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A supply's output is off until it is set; discovery itself never sets it."""
    text = (Path(__file__).parents[2] / "config" / "rigs" / "workshop.toml").read_text()
    head, _, _ = text.replace('driver = "simulated"\nside', 'driver = "gpio"\npin = 17\nside').partition(
        "[supply]"
    )
    monkeypatch.setattr(rigstand, "_relay", lambda _: (SPEC, DELAYS, ()))
    path = tmp_path / "rig.toml"
    with SimulatedScpi((0.0, 20.0)) as far:
        supply_table = f'[supply]\ndriver = "scpi"\nport = "{far.port}"\nvolts = [8.0, 16.0]\nsettle_s = 0\n'
        path.write_text(f'{head}{supply_table}[eyes]\ndriver = "operator"\n')
        with rigstand.open_stand(load_rig(path), None, 12.5):
            assert (far.volts, far.on) == (12.5, True)
        assert not far.on


class StillEyes:
    """Always the same."""

    threshold = 1.0
    notes: tuple[str, ...] = ()

    def look(self) -> Sighting:
        return Sighting("#ffffff")

    def close(self) -> None: ...
    def __enter__(self) -> StillEyes:
        return self

    def __exit__(self, *_: object) -> None: ...


def recorded(result: Callable[[Train], PlayResult]) -> tuple[RigStand, list[Train], list[float]]:
    trains: list[Train] = []
    slept: list[float] = []

    def play(train: Train, *_: object, **__: object) -> PlayResult:
        trains.append(train)
        return result(train)

    return RigStand(SPEC, DELAYS, StillEyes(), play=play, now=lambda: 0.0, sleep=slept.append), trains, slept


def sound_result(train: Train) -> PlayResult:
    stamps = tuple(Stamp(e.due_s, e.due_s, e.due_s, e.closed) for e in train.edges())
    return PlayResult(EdgeLog(stamps, "finished", rested_s=0.0), 0.0, 0.0)


def test_breaks_and_supply_are_gathered_into_one_train() -> None:
    stand, trains, slept = recorded(sound_result)
    stand.supply(1.0)
    stand.supply(0.5)
    stand.dark(0.2)
    stand.supply(0.25)
    stand.supply(0.25)
    stand.send(Train((Pulse(0.3, 0.4),), lead_in_s=0.1))
    assert trains == []
    stand.look()
    assert [(t.lead_in_s, [tuple(round(v, 9) for v in p) for p in t.pulses]) for t in trains] == [
        (1.5, [(0.2, 0.6), (0.3, 0.4)])
    ]
    stand.supply(2.0)
    stand.look()
    assert (len(trains), slept) == (1, [2.0])
    assert stand.spent.relay_cycles == 2


@pytest.mark.parametrize(
    ("result", "error", "words"),
    [
        (lambda t: sound_result(t)._replace(beyond=(2, 3)), Spoiled, "edges 2, 3 came too late or too early"),
        (
            lambda t: sound_result(t)._replace(log=EdgeLog((), "failed", "the line is lost")),
            HardwareError,
            "relay: the line is lost",
        ),
        (
            lambda t: sound_result(t)._replace(log=EdgeLog((), "broken off", "SIGINT")),
            KeyboardInterrupt,
            None,
        ),
    ],
)
def test_what_may_happen_to_a_train(
    result: Callable[[Train], PlayResult], error: type[BaseException], words: str | None
) -> None:
    stand, _, _ = recorded(result)
    stand.dark(0.2)
    with pytest.raises(error, match=words):
        stand.look()
    assert stand._pulses == []  # it is not sent again by itself


def test_volts_only_where_they_can_be_set() -> None:
    stand, _, _ = recorded(sound_result)
    with pytest.raises(HardwareError, match="fixed and cannot be set"):
        stand.volts(12.0)


def test_the_players_own_process_plays_what_was_gathered(tmp_path: Path) -> None:
    """The real player and its simulated relay: the lengths of the moves, within what a busy machine may be late."""
    edges = tmp_path / "edges.json"
    stand = RigStand({**SPEC, "edges_to": str(edges)}, DELAYS, StillEyes(), margin_s=2.0, limits=Limits(10.0))
    stand.supply(0.05)
    stand.dark(0.1)
    stand.supply(0.15)
    stand.dark(0.1)
    assert stand.look() == Sighting("#ffffff")
    moves = json.loads(edges.read_text())
    assert [closed for _, closed in moves] == [True, False, True, False, True]
    assert stand.spent.relay_cycles == 2


def test_ctrl_c_in_a_train_brings_the_relay_to_rest(tmp_path: Path) -> None:
    """A real signal, in the first break of a long train that the real player plays."""
    edges = tmp_path / "edges.json"
    train = Train((Pulse(20.0, 1.0), Pulse(20.0, 1.0)), lead_in_s=0.01)

    def interrupted(*given: Any, **limits: Any) -> PlayResult:
        return play(*given, **limits, on_start=lambda _: os.kill(os.getpid(), signal.SIGINT))

    stand = RigStand({**SPEC, "edges_to": str(edges)}, DELAYS, StillEyes(), play=interrupted)
    stand.send(train)
    with pytest.raises(KeyboardInterrupt):
        stand.look()
    assert json.loads(edges.read_text())[-1][1] is True  # closed: the lamp is lit


def test_what_the_eyes_cannot_tell_apart_is_said(tmp_path: Path) -> None:
    text = (Path(__file__).parents[2] / "config" / "rigs" / "workshop.toml").read_text()
    real = text.replace('driver = "simulated"\nside', 'driver = "gpio"\npin = 17\nside')
    head, _, rest = real.partition("[supply]")
    eyes = '[eyes]\ndriver = "sensor"\nport = "/dev/ttyACM0"\nwhite = [900, 1000, 1100]\nspread = 0.5\n'
    path = tmp_path / "rig.toml"
    path.write_text(f'{head}[supply]\ndriver = "fixed"\nvolts = 12.0\n{eyes}')
    assert rest
    rig = load_rig(path)
    lines = doubts(rig, sheet_of("a"), 15.0)
    assert any(line.startswith('"passing shower" may be taken for still') for line in lines)
    assert '"slate" and "heather" look alike to these eyes' in lines
    assert not any("look alike" in line for line in doubts(rig, sheet_of("a"), 1.0))
