"""Every plan on the simulated pad, which shares nothing with the planner; and edges moved until it fails.

The simulated lamp is a machine in continuous time with its own clock, capacitor and counter. Whatever its
clock, its limits, its scene at first and the relay's delays, it must follow a plan to its end; and a little
past the slack that a plan claims, the worst of lamps must part.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.automaton.behaviour import behaviour
from sequencer.planner import LampRequest, Plan, PlanRequest, plan, request_for
from sequencer.planner.proof import Walk, breaks_of_train, starting_states
from sequencer.sim.relay import Manner
from sequencer.sitefile import load_site
from sequencer.train import Delays, Pulse, Train
from tests.automaton.sheets import INF, sheet
from tests.planner.drawn import requests, small_sheets
from tests.planner.pads import parted, rehearsed
from tests.planner.requests import ask, planned

SITE = load_site(Path(__file__).parents[2] / "config" / "quarry-lane.toml")
WORST: tuple[Manner, ...] = ("long breaks", "short breaks", "extreme")


def keeps_its_limits(request: PlanRequest, train: Train) -> None:
    """What every train owes to those in the water and to the relay."""
    for pulse in train.pulses:
        assert 0 < pulse.off_s <= request.max_dark_s
        assert pulse.off_s + pulse.on_s >= 1 / request.max_flashes_per_s - 1e-9
        assert pulse.on_s >= request.pad_s - 1e-9


# -- plans hold ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("start", ["rest", "dark", "cut"])
@pytest.mark.parametrize("scene", ["evening", "quiet", "festival", "clean-up"])
@pytest.mark.parametrize("circuit", ["lap-pool", "plunge-pool"])
def test_every_scene_of_the_demo_site(circuit: str, scene: str, start: str) -> None:
    asked = request_for(SITE, circuit, scene, start=start)  # type: ignore[arg-type]
    train = planned(asked).train
    keeps_its_limits(asked, train)
    result = rehearsed(asked, train, trials=100)
    assert result.matched == 100, result.details
    if start != "cut":
        assert [parted(asked, train, manner) for manner in WORST[:2]] == [0, 0]


def holds(asked: PlanRequest, found: Plan, seed: int) -> None:
    keeps_its_limits(asked, found.train)
    for lamp in found.lamps:
        assert lamp.slack_s is None or lamp.slack_s >= asked.margin_s - 2e-9
    result = rehearsed(asked, found.train, trials=8, seed=seed)
    assert result.matched == 8, result.details


@pytest.mark.parametrize("start", ["rest", "dark", "cut"])
@pytest.mark.parametrize("types", [1, 2, 3])
def test_every_plan_for_any_fleet(types: int, start: str) -> None:
    """Fleets drawn with all kinds of lamps, clocks, relays and margins."""
    tally: Counter[str] = Counter()

    @settings(max_examples={1: 60, 2: 40, 3: 30}[types], deadline=None, derandomize=True, database=None)
    @given(
        asked=requests(st.just(types), small_sheets(4), (1e-6, 0.01, 0.03, 0.06), (start,)),
        seed=st.integers(0, 2**32),
    )
    def every_lamp_matches(asked: PlanRequest, seed: int) -> None:
        found = plan(asked, budget=1000)
        tally["with a train"] += isinstance(found, Plan) and bool(found.train.pulses)
        if isinstance(found, Plan):
            holds(asked, found, seed)

    every_lamp_matches()
    assert tally["with a train"] >= 8


# -- and only just ---------------------------------------------------------------------------------------

DELAYS = Delays((0.005, 0.012), (0.003, 0.008))
TRUE = {"delays": DELAYS, "margin_s": 0.03}
COUNTS = sheet(reset=None, clock_tolerance=0.03)
RIDES = sheet(ignored=(0, 0.3), pulse=(0.5, 3.0), same_train=(0.2, 2.5), reset=None, clock_tolerance=0.05)
STEPS = sheet("step", clock_tolerance=0.04, pulse=(0.45, 2.0), reset=(3.2, 4.5), power_down=(8.0, INF))
APART = [
    ask({"a": (COUNTS, 3), "b": (RIDES, 1)}, **TRUE),  # one train, two counts
    ask({"a": (COUNTS, 1), "b": (RIDES, 3)}, **TRUE),  # one lost while the other is counted, then counted
    ask({"s": (STEPS, 3)}, **TRUE),
    request_for(SITE, "lap-pool", "quiet"),
]


@pytest.mark.parametrize("asked", APART, ids=["apart", "lost", "steps", "demo"])
@pytest.mark.parametrize("manner", WORST)
def test_every_corner_follows_a_plan(asked: PlanRequest, manner: Manner) -> None:
    assert parted(asked, planned(asked).train, manner) == 0


class Boundary(NamedTuple):
    """A length of a train, the boundary a lamp relies on there, and how far (s) it may still move."""

    lamp: LampRequest
    slack_s: float
    break_no: int
    part: str
    window: str
    lower: bool

    @property
    def worst(self) -> Manner:
        """How the relay makes the length come out on the wrong side: breaks long, or short."""
        return "long breaks" if self.lower == (self.part == "on") else "short breaks"


def boundaries(asked: PlanRequest, train: Train) -> list[Boundary]:
    """Every boundary that the proof of a plan says some type relies on, tightest first."""
    found = set()
    for lamp in {lamp.stem: lamp for lamp in asked.lamps}.values():
        acts = behaviour(lamp.datasheet, asked.pad_s)
        spread = round(asked.delays.spread_s * 1e9)
        walk = Walk(acts, starting_states(acts, asked, lamp.known), round(asked.pad_s * 1e9), spread)
        walk.over(*breaks_of_train(train))
        off, on = lamp.datasheet.off, lamp.datasheet.on
        starts = {"warm_up": lamp.datasheet.warm_up[0], "same_train": on.same_train[0]}
        starts["noticed"] = lamp.datasheet.noticed[0]
        starts |= {"settled": on.settled[0]} if on.settled else {}
        starts |= {name: window[0] for name, window in off if window}
        for r in walk.relied:
            lower = r.limit_s == starts[r.window]
            found.add((r.slack_ns / 1e9, r.break_no, r.part, r.window, lower, lamp.lamp))
    lamps = {lamp.lamp: lamp for lamp in asked.lamps}
    return [Boundary(lamps[name], *rest) for *rest, name in sorted(found)]


def stretched(train: Train, at: Boundary, by_s: float) -> Train:
    """The train with one length moved towards a boundary, and all that follows with it."""
    change = -by_s if at.lower else by_s
    pulses = list(train.pulses)
    off_s, on_s = pulses[at.break_no - 1]
    moved = Pulse(off_s + change, on_s) if at.part == "off" else Pulse(off_s, on_s + change)
    pulses[at.break_no - 1] = moved
    return Train(tuple(pulses), train.lead_in_s)


def one_edge_off(train: Train, at: Boundary, by_s: float) -> dict[int, float]:
    """One command so early or late that a length is moved towards a boundary by so much."""
    closing, following = 2 * at.break_no - 1, 2 * at.break_no  # counted from 0
    towards = -by_s if at.lower else by_s
    if at.part == "off":
        return {closing: towards}
    return {following: towards} if at.break_no < train.relay_cycles else {closing: -towards}


HAIR = 1e-6


def beyond_the_relay(asked: PlanRequest, train: Train, at: Boundary) -> float:
    """The end of a train is no edge of the relay: at the last supply half the spread of opening is spare."""
    last = at.part == "on" and at.break_no == train.relay_cycles
    return (asked.delays.break_s[1] - asked.delays.break_s[0]) / 2 if last else 0.0


@pytest.mark.parametrize(
    ("asked", "kinds"),
    [
        (
            APART[0],
            {
                ("off", "pulse"),
                ("off", "ignored"),
                ("on", "same_train"),
                ("on", "settled"),
                ("on", "noticed"),
            },
        ),
        (
            APART[2],
            {("off", "pulse"), ("off", "reset"), ("on", "warm_up"), ("on", "same_train"), ("on", "noticed")},
        ),
        (
            APART[3],
            {
                ("off", "pulse"),
                ("off", "ignored"),
                ("off", "reset"),
                ("off", "power_down"),
                ("on", "same_train"),
                ("on", "settled"),
                ("on", "warm_up"),
                ("on", "noticed"),
            },
        ),
    ],
    ids=["apart", "steps", "demo"],
)
def test_a_length_past_any_boundary_parts_the_worst_of_lamps_and_one_short_of_it_none(
    asked: PlanRequest, kinds: set[tuple[str, str]]
) -> None:
    """To the microsecond, in plans in which no type is ever left in doubt."""
    train = planned(asked).train
    found = boundaries(asked, train)
    assert {(at.part, at.window) for at in found} == kinds
    for at in found:
        if at.window == "noticed" and any(
            it.lamp == at.lamp and it.part == "on" and it.lower and it.window != "noticed"
            and it.break_no >= at.break_no and it.slack_s <= at.slack_s
            for it in found
        ):  # fmt: skip
            continue  # with less supply than that it goes wrong already
        within, past = at.slack_s - HAIR, at.slack_s + beyond_the_relay(asked, train, at) + HAIR
        lamp = at.lamp.lamp
        assert parted(asked, stretched(train, at, within), at.worst, lamp=lamp) == 0, at
        assert parted(asked, stretched(train, at, past), at.worst, lamp=lamp) > 0, at


@pytest.mark.parametrize("asked", APART, ids=["apart", "lost", "steps", "demo"])
def test_one_edge_past_its_slack_parts_the_worst_of_lamps(asked: PlanRequest) -> None:
    """Where a plan is tightest, only one command comes too early or late, and the log would show it."""
    train = planned(asked).train
    tight = [at for at in boundaries(asked, train) if at.slack_s <= asked.margin_s + HAIR]
    assert {at.lamp.stem for at in tight} == {lamp.stem for lamp in asked.lamps}
    for at in tight:
        within, past = at.slack_s - HAIR, at.slack_s + beyond_the_relay(asked, train, at) + HAIR
        early_or_late = (one_edge_off(train, at, by_s) for by_s in (within, past))
        inside, outside = (
            parted(asked, train, at.worst, lamp=at.lamp.lamp, late_commands=late) for late in early_or_late
        )
        assert inside == 0, at
        assert outside > 0, at


def test_a_weaker_relay_than_planned_for_parts_lamps() -> None:
    """The spread a plan reckons with is used up: with a relay of twice the spread, and no margin, it fails."""
    asked = ask({"a": (COUNTS, 3), "b": (RIDES, 1)}, delays=DELAYS)
    train = planned(asked).train
    assert parted(asked, train, "short breaks") == parted(asked, train, "long breaks") == 0
    worse = asked._replace(delays=Delays((0.0015, 0.0155), (0.0005, 0.0105)))
    assert parted(worse, train, "short breaks") > 0
    assert parted(worse, train, "long breaks") > 0
