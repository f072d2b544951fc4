"""No two breaks of a bench run are nearer together than its rig's flash limit allows, and none is too long."""

from __future__ import annotations

import math
from dataclasses import replace
from random import Random
from typing import Any

import pytest

from sequencer.bench.asking import Asking, Assumed
from sequencer.bench.discover import discover
from sequencer.bench.measure import Run, drive
from sequencer.bench.measurement import Findings, Options, course_for
from sequencer.bench.rigstand import RigStand
from sequencer.bench.simulated import EyesThatErr, SimStand
from sequencer.bench.subject import jitter_of
from sequencer.datasheet import Datasheet
from sequencer.errors import InputError
from sequencer.instruments.eyes import Sighting
from sequencer.player.job import Job, PlayResult, check
from sequencer.sim.lamp import SimLamp
from sequencer.sim.nature import Nature
from sequencer.train import Delays, EdgeLog, Limits, Pulse, Stamp, Train
from tests.lampbench.defects import sheet_of
from tests.lampbench.lamps import drawn_lamp
from tests.lampbench.truth import roughly


class Watched(SimStand):
    """A stand that writes down every break: when it began and how long it was. Its own limit is off."""

    def __init__(self, *given: Any, **more: Any) -> None:
        super().__init__(*given, **more, limits=Limits(1e6, math.inf))
        self.opened: list[tuple[float, float]] = []

    def dark(self, seconds: float) -> None:
        self.opened.append((self._due, seconds))
        super().dark(seconds)

    def broken(self, limits: Limits) -> list[str]:
        """Each interval that is too short, each break that is too long."""
        starts = [at for at, _ in self.opened]
        found = [
            f"{b - a:.3f} s after the break at {a:.3f} s"
            for a, b in zip(starts, starts[1:], strict=False)
            if b - a < 1 / limits.max_flashes_per_s - 1e-6
        ]
        return found + [f"{off:.3f} s dark" for _, off in self.opened if off > limits.max_dark_s + 1e-6]


def watched(kind: str, seed: int) -> Watched:
    rng = Random(seed)
    sheet = sheet_of(kind)
    nature = replace(Nature.steady(rng, rng.choice(("steady", "drifting"))), wakes_early=True)
    lamp = SimLamp(sheet, nature, scene=rng.choice(sheet.scenes).code)
    return Watched(lamp, seed=seed, eyes=EyesThatErr(lapse=0.01))


LIMITS = [Limits(3.0, 60.0), Limits(1.0, 60.0), Limits(0.4, 30.0), Limits(1.0, 8.0)]


def measured(stand: SimStand, limits: Limits, seed: int) -> Findings:
    rough = roughly(stand.lamp.datasheet, Random(seed))
    options = Options(limits=limits, longest_s=min(20.0, limits.max_dark_s))
    course = course_for(rough, 5.0, jitter_of(Delays()), options)
    return drive(Run(course), stand, lambda _: None, lambda *_: None)[1]


@pytest.mark.parametrize("limits", LIMITS)
@pytest.mark.parametrize("kind", "abcde")
def test_measure_keeps_the_limits(kind: str, limits: Limits) -> None:
    stand = watched(kind, 11)
    found = measured(stand, limits, 11)
    assert len(stand.opened) > 20 or found.stuck
    assert stand.broken(limits) == []
    if limits.max_flashes_per_s >= 1:
        assert found.stuck is None
        assert sum(one.outcome == "found" for one in found.measured) >= 3


def test_measure_says_what_the_limits_hide() -> None:
    found = measured(watched("a", 3), Limits(1.0, 4.0), 3)
    notes = {one.name: one.note for one in found.measured}
    assert "max_dark_s is 4 s" in notes["warm-up"]
    slow = measured(watched("d", 3), Limits(0.25, 60.0), 3)
    notes = {one.name: one.note for one in slow.measured}
    assert "max_flashes_per_s = 0.25" in notes["gap"]


@pytest.mark.parametrize("limits", LIMITS[:3])
@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_discover_keeps_the_limits(seed: int, limits: Limits) -> None:
    drawn = drawn_lamp(seed, 6)
    lamp = SimLamp(drawn.sheet, drawn.nature, scene=drawn.scene)
    stand = Watched(lamp, eyes=EyesThatErr(noise=1.0), seed=drawn.seed)
    assumed = Assumed(max_flashes_per_s=limits.max_flashes_per_s, longest_s=limits.max_dark_s, most_scenes=8)
    found = discover(Asking(stand, assumed))
    assert len(stand.opened) > 20
    assert stand.broken(limits) == []
    if limits.max_flashes_per_s >= 1:
        assert found.end == "whole", found.why


def test_discover_says_what_the_limit_hides() -> None:
    drawn = drawn_lamp(1, 6)
    lamp = SimLamp(drawn.sheet, drawn.nature, scene=drawn.scene)
    stand = SimStand(lamp, eyes=EyesThatErr(noise=1.0), seed=drawn.seed)
    found = discover(Asking(stand, Assumed(max_flashes_per_s=1.0, most_scenes=8)))
    assert any("between two pulses were not tried: max_flashes_per_s = 1" in line for line in found.unsure)


def test_the_simulated_stand_refuses_as_the_player_does() -> None:
    stand = SimStand(SimLamp(sheet_of("a"), Nature(), scene=1), limits=Limits(1.0, 5.0))
    stand.dark(0.3)
    stand.supply(0.6)
    with pytest.raises(InputError, match="max_flashes_per_s = 1 wants at least 1 s"):
        stand.dark(0.3)
    stand.supply(0.2)
    stand.dark(0.3)
    stand.supply(9.0)
    with pytest.raises(InputError, match="max_dark_s = 5"):
        stand.dark(5.1)


class _Eyes:
    threshold = 5.0
    notes = ()

    def look(self) -> Sighting:
        return Sighting("#ffffff")

    def __exit__(self, *_: object) -> None: ...


def test_the_real_stand_sends_every_train_within_its_rigs_limits() -> None:
    """A break that a look follows at once has its supply told, so that the next train cannot come too soon."""
    jobs: list[Job] = []

    def play(train: Train, delays: Delays, spec: Any, bounds: Any, *, limits: Limits) -> PlayResult:
        job = Job(train, delays, spec, bounds, limits=limits)
        check(job)
        jobs.append(job)
        stamps = tuple(Stamp(e.due_s, e.due_s, e.due_s, e.closed) for e in train.edges())
        return PlayResult(EdgeLog(stamps, "finished", rested_s=0.0), 0.0, 0.0)

    spec = {"driver": "simulated", "contact": "normally_closed"}
    limits = Limits(1.0, 40.0)
    stand = RigStand(spec, Delays(), _Eyes(), play=play, limits=limits, now=lambda: 0.0, sleep=lambda _: None)  # type: ignore[arg-type]
    for _ in range(3):
        stand.dark(0.2)
        stand.look()
    assert [job.train.pulses for job in jobs] == [(Pulse(0.2, 0.8),)] * 3
    assert {job.limits for job in jobs} == {limits}
    stand.dark(30.0)
    stand.look()
    stand.dark(0.2)
    stand.supply(0.3)
    stand.dark(0.2)
    with pytest.raises(InputError, match=r"break 1 and the supply after it last 0\.5 s"):
        stand.look()


@pytest.mark.parametrize("counts", [True, False])
def test_a_lamp_of_short_pulses_is_discovered_within_the_default_limit(counts: bool) -> None:
    """Two of its pulses with a short supply between would be three tenths of a second apart."""
    on: dict[str, Any] = {"same_train": (0.06, 1.5 if counts else math.inf)}
    raw = {
        "lamp": {
            "name": "quick",
            "selects_by": "count" if counts else "step",
            "after_power_down": "remembered",
            "clock_tolerance": 0.01,
        },
        "off": {"ignored": (0, 0.02), "pulse": (0.05, 0.2), "power_down": (0.26, math.inf)},
        "on": {**on, "settled": (2.5, math.inf)} if counts else on,
        "scene": [
            {"code": code, "name": str(code), "colour": colour}
            for code, colour in enumerate(("#ff2020", "#20ff20", "#2020ff", "#f0f0f0"), start=1)
        ],
    }
    sheet = Datasheet.model_validate(raw)
    stand = Watched(SimLamp(sheet, Nature(wakes_early=True), scene=2), eyes=EyesThatErr(noise=1.0), seed=3)
    found = discover(Asking(stand, Assumed(most_scenes=6)))
    assert found.end == "whole", found.why
    assert stand.broken(Limits(3.0, 60.0)) == []
