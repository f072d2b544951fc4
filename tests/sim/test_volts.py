"""Volts of the simulated pad: feed and capacitors against outside sums, and rehearsals of plans with wrong volts."""

from __future__ import annotations

import math
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from sequencer.datasheet import Datasheet
from sequencer.planner import Plan, PlanRequest, plan, request_for
from sequencer.sim.feed import RECHARGES_S, FeedInTime, SimFeed, sim_feed
from sequencer.sim.rectifier import (
    DIODES_V,
    STEPS,
    Bridge,
    charged,
    held_s,
    left_v,
    recharged_v,
    ripple,
    wait_s,
)
from sequencer.sim.rehearsal import Rehearsal, rehearse
from sequencer.sitefile import Pad, load_site
from sequencer.sitefile.supply import Supply
from sequencer.supply import received, ride_through
from sequencer.supply.rectifier import Charged
from tests.supply import sites

WORKSHOP = Bridge(12.6 * math.sqrt(2), 0.2, 0.0, 1 / 120, 7e-3, 8.5, 30.0)

# -- the rectifier, against a general integrator ---------------------------------------------------------------


def integrated(bridges: list[Bridge], shared_ohm: float, halves: int = 40) -> list[tuple[float, float]]:
    """(lowest, highest) capacitor volts of lamps behind one shared resistance, by scipy's solver, over a half period.

    Each bridge's ``ohm`` is its own cord's. What conducts is found anew at each moment: nodes of a resistive tree.
    """
    first = bridges[0]
    omega = math.pi / first.half_s

    def amps(source: float, volts: Any) -> list[float]:
        on = [i for i, v in enumerate(volts) if source > v]
        while on:  # the shared node's volts from those that conduct; drop whoever would then draw nothing
            if shared_ohm:
                top = source / shared_ohm + sum(volts[i] / bridges[i].ohm for i in on)
                node = top / (1 / shared_ohm + sum(1 / bridges[i].ohm for i in on))
            else:
                node = source
            off = [i for i in on if node <= volts[i]]
            if not off:
                return [(node - v) / bridges[i].ohm if i in on else 0.0 for i, v in enumerate(volts)]
            on = [i for i in on if i not in off]
        return [0.0] * len(bridges)

    def change(t: float, volts: Any) -> list[float]:
        drawn = amps(abs(first.peak_v * math.sin(omega * t)) - DIODES_V, volts)
        return [(a - b.watts / v) / b.farad for a, b, v in zip(drawn, bridges, volts, strict=True)]

    start = [first.peak_v - DIODES_V] * len(bridges)
    times = np.linspace((halves - 1) * first.half_s, halves * first.half_s, 400)
    found = solve_ivp(change, (0, times[-1]), start, max_step=first.half_s / 200, t_eval=times, rtol=1e-7)
    return [(float(min(volts)), float(max(volts))) for volts in found.y]


@pytest.mark.parametrize("ohm", [0.05, 0.2, 0.8])
@pytest.mark.parametrize("watts", [12.0, 30.0])
def test_ripple_is_that_of_a_fine_integration(ohm: float, watts: float) -> None:
    bridge = WORKSHOP._replace(ohm=ohm, watts=watts)
    ((lowest, highest),) = integrated([bridge], 0.0)
    assert min(ripple(bridge)) == pytest.approx(lowest, abs=0.05)
    assert max(ripple(bridge)) == pytest.approx(highest, abs=0.05)


def test_lamps_on_one_cable_sag_together() -> None:
    """Three lamps share 0.1 ohm and have 0.05, 0.1 and 0.3 ohm of their own; a lamp's share is by watts.

    That is a shortcut: the lamps do not charge at quite the same moments. It is good to a quarter of a volt.
    """
    own, watts, shared = (0.05, 0.1, 0.3), (30.0, 15.0, 22.0), 0.1
    alone = [WORKSHOP._replace(ohm=ohm, watts=w) for ohm, w in zip(own, watts, strict=True)]
    for bridge, (lowest, highest) in zip(alone, integrated(alone, shared), strict=True):
        seen = bridge._replace(ohm=bridge.ohm + shared * sum(watts) / bridge.watts)
        assert min(ripple(seen)) == pytest.approx(lowest, abs=0.25)
        assert max(ripple(seen)) == pytest.approx(highest, abs=0.25)


def test_inductance_and_resistance_only_take_away() -> None:
    """Without either, the crest is the peak less two diodes, whatever the watts (a step's width short of it)."""
    free = WORKSHOP._replace(ohm=1e-6)
    assert max(ripple(free)) == pytest.approx(free.peak_v - DIODES_V, abs=0.02)
    assert max(ripple(WORKSHOP)) < max(ripple(free)) - 1.0
    assert max(ripple(WORKSHOP._replace(henry=1e-3))) < max(ripple(WORKSHOP))


def test_a_capacitor_that_is_let_fall_and_fed_again() -> None:
    """7 mF from 15 V to 8.5 V at 30 W: 0.5 C (V1^2 - V2^2) / P is 17.8 ms (the usual formula)."""
    assert held_s(WORKSHOP, 15.0) == pytest.approx(0.01782, abs=1e-5)
    assert left_v(WORKSHOP, 15.0, 0.01) == pytest.approx(math.sqrt(15.0**2 - 2 * 30 * 0.01 / 7e-3))
    assert left_v(WORKSHOP, 15.0, 1.0) == 8.5
    assert recharged_v(WORKSHOP, 8.5, 7, 40 * STEPS) == ripple(WORKSHOP)[7]
    few = [volts for volts, _ in charged(WORKSHOP, 8.5, 0.0, 0, STEPS)]
    assert recharged_v(WORKSHOP, 8.5, 0, STEPS) == few[-1] < ripple(WORKSHOP)[0]


def test_supply_that_returns_at_a_zero_charges_later() -> None:
    """Above 10 V and two diodes of 17.8 V at its peak: asin(11.4 / 17.82) is 0.221 of a half period."""
    light = WORKSHOP._replace(watts=0.001)
    assert wait_s(light, 10.0, STEPS // 2) == 0.0
    assert wait_s(light, 10.0, 0) == pytest.approx(0.221 / 120, abs=1 / 120 / STEPS)
    assert wait_s(light, 20.0, 0) == math.inf


# -- the feed -----------------------------------------------------------------------------------------------


def lamp_sheet(watts: float, volts: tuple[float, float], power_factor: float = 1.0) -> Datasheet:
    return Datasheet.model_validate(
        {
            "lamp": {"name": "x", "selects_by": "step", "after_power_down": "first", "clock_tolerance": 0.0},
            "off": {"ignored": (0, 0.02), "pulse": (0.12, 3.0), "power_down": (10.0, math.inf)},
            "on": {"same_train": (0.15, math.inf)},
            "electrical": {"watts": watts, "power_factor": power_factor, "volts": volts},
            "scene": [{"code": code, "name": f"scene {code}"} for code in (1, 2)],
        }
    )


def half_ohm(watts: float, volts: tuple[float, float] = (6.0, 15.0)) -> SimFeed:
    """One lamp behind 12 V without load and 0.5 ohm: a tap of 11 V at 2 A."""
    table = {
        "transformer": {
            "primary_v": 120.0,
            "primary_range_v": (120.0, 120.0),
            "frequency_hz": 60.0,
            "va": 22.0,
            "taps": [{"volts": 11.0}],
            "tap": 11.0,
            "r_ohm": 0.5,
        },
        "lamp": [{"name": "north", "node": "transformer", "length_m": 0.0, "awg": 12}],
    }
    return SimFeed(Supply.model_validate(table), "nec", False, {"north": lamp_sheet(watts, volts)})


@pytest.mark.parametrize(
    ("watts", "volts"),  # V = (V0 + sqrt(V0^2 - 4 P R)) / 2, computed; beyond 72 W there is none
    [(10.0, 11.5678), (30.0, 10.5826), (60.0, 8.4495), (71.0, 6.7071), (73.0, 0.0)],
)
def test_constant_power_behind_half_an_ohm(watts: float, volts: float) -> None:
    assert half_ohm(watts).volts(1.0, {"north": watts})["north"] == pytest.approx(volts, abs=1e-3)


@pytest.mark.parametrize(("least", "unsure"), [(10.0, 0.0), (10.59, 0.0), (10.85, 0.453), (11.5, 1.0)])
def test_a_lamp_that_lacks_volts_misbehaves(least: float, unsure: float) -> None:
    """30 W get 10.58 V; a twentieth of its least volts lacking, it does as it likes after every break."""
    fed = FeedInTime(half_ohm(30.0, (least, 15.0)), Random(1)).opens(1.0, {"north": 30.0})["north"]
    assert fed.unsure == pytest.approx(unsure, abs=2e-3)
    assert fed.held_s is None  # no [hold_up]


def test_volts_agree_with_those_that_are_planned_with(tmp_path: Path) -> None:
    """Written twice from one site file; copper of metric sizes has another source, and a few mV of it."""
    site = sites.pad(tmp_path, ("tap = 12\n", "tap = 14\n"))
    feed = sim_feed(site, "deep")
    assert feed is not None
    assert feed.mains == (0.95, 1.05)
    low = feed.volts(0.95, {"north": 30.0, "south": 30.0})
    for lamp in request_for(site, "deep", "rill").lamps:
        assert lamp.gets is not None
        assert low[lamp.lamp] == pytest.approx(lamp.gets.least_v, abs=0.01)
        high = feed.volts(1.05, {lamp.lamp: 1e-9})[
            lamp.lamp
        ]  # not all its scenes have watts: as if it drew nothing
        assert high == pytest.approx(lamp.gets.greatest_v, abs=0.01)


def test_no_feed_where_the_site_tells_of_none() -> None:
    lido = load_site(Path(__file__).parents[2] / "config" / "quarry-lane.toml")
    assert sim_feed(lido, "lap-pool") is None


def test_a_break_soon_after_another_finds_the_capacitor_not_yet_charged(tmp_path: Path) -> None:
    """Of 40 mF behind a long thin cable, 20 ms after the lamp went dark."""
    site = sites.pad(tmp_path, ("capacitance_f = 7e-3", "capacitance_f = 40e-3"))
    feed = sim_feed(site, "deep")
    assert feed is not None
    for seed in range(20):
        fed = FeedInTime(feed, Random(seed))
        full = {"north": 30.0, "south": 30.0}
        held = fed.opens(10.0, full)["south"].held_s
        fed.closes(11.0)
        soon = fed.opens(11.02, full)["south"].held_s
        fed.closes(12.0)
        later = fed.opens(12.0 + 2 * RECHARGES_S, full)["south"].held_s
        assert held is not None
        assert soon is not None
        assert later is not None
        assert soon < 0.9 * min(held, later)


# -- rehearsals -----------------------------------------------------------------------------------------------

ALL_WATTS = ('code = 2\nname = "squall"\n', 'code = 2\nname = "squall"\nwatts = 30\n')
"""Every scene has its watts, so that no lamp need be reckoned with as if it drew nothing."""
BEARS = ("volts = [11, 15]", "volts = [11, 16]")
RIDES = (
    sites.SHEET.replace(*ALL_WATTS)
    .replace(*BEARS)
    .replace("count lamp", "riding lamp")
    .replace("ignored = [0, 0.02]", "ignored = [0, 0.35]")
    .replace("pulse = [0.12, 1.5]", "pulse = [0.5, 1.5]")
    .replace("watts = 30\n", "watts = 10\n")
    .replace("watts = 15\n", "watts = 10\n")
)


def two_types(folder: Path, capacitance_f: float, *changes: sites.Change) -> Pad:
    """North counts what south rides through, as long as its capacitor has what its datasheet promises."""
    site = sites.write(folder, ("tap = 12\n", "tap = 14\n"), ALL_WATTS, BEARS, *changes)
    text = site.read_text(encoding="utf-8").replace('name = "south"\ndatasheet = "a.toml"', SOUTH, 1)
    site.write_text(
        text.replace('name = "squall"\n', 'name = "squall"\npicks = { b = "rill" }\n'), encoding="utf-8"
    )
    sheet = RIDES.replace("capacitance_f = 7e-3", f"capacitance_f = {capacitance_f}")
    (folder / "b.toml").write_text(sheet, encoding="utf-8")
    return load_site(site)


SOUTH = 'name = "south"\ndatasheet = "b.toml"'


def played(site: Pad, request: PlanRequest, found: Plan) -> Rehearsal:
    lamps = [(lamp.lamp, site.datasheets[lamp.stem], lamp.known) for lamp in request.lamps]
    wanted = {lamp.lamp: lamp.wanted for lamp in request.lamps}
    feed = sim_feed(site, "deep")
    assert feed is not None
    return rehearse(
        found.train, lamps, request.delays, wanted, start=request.start, trials=200, seed=1, feed=feed
    )


def planned(site: Pad, scene: str) -> tuple[PlanRequest, Plan | None]:
    request = request_for(site, "deep", scene)
    found = plan(request)
    return request, found if isinstance(found, Plan) else None


@pytest.mark.parametrize("scene", ["rill", "squall"])
@pytest.mark.parametrize("capacitance_f", [0.012, 0.05], ids=["too small", "large"])
def test_a_plan_whose_volts_are_right_holds(tmp_path: Path, capacitance_f: float, scene: str) -> None:
    site = two_types(tmp_path, capacitance_f)
    request, found = planned(site, scene)
    if found is not None:
        result = played(site, request, found)
        assert result.matched == 200, result.details
    assert found is not None or (capacitance_f, scene) == (0.012, "squall")


def test_a_ride_through_that_is_planned_too_long_is_caught(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """12 mF carry 10 W for 0.1 s at these volts; planned with no volts at all, and with four times that."""
    site = two_types(tmp_path, 0.012)
    request, found = planned(site, "squall")
    assert found is None  # the honest answer
    blind = request._replace(
        lamps=tuple(lamp._replace(datasheet=site.datasheets[lamp.stem]) for lamp in request.lamps)
    )
    found = plan(blind)  # type: ignore[assignment]
    assert isinstance(found, Plan)
    assert played(site, blind, found).misses["south"] > 20

    true = ride_through.charged

    def optimistic(sheet: Datasheet, watts: float) -> Charged | None:
        lamp = true(sheet, watts)
        large = lamp is not None and lamp.capacitance_f == 0.012
        return lamp._replace(capacitance_f=4 * 0.012) if large and lamp is not None else lamp

    monkeypatch.setattr(ride_through, "charged", optimistic)
    monkeypatch.setattr(received, "charged", optimistic)
    wrong, found = planned(site, "squall")
    assert found is not None
    assert played(site, wrong, found).misses["south"] > 20


def test_a_ride_through_that_is_planned_too_short_is_caught(tmp_path: Path) -> None:
    """40 mF at 14 V carry the lamps through what their datasheet calls a pulse."""
    site = sites.pad(
        tmp_path,
        ("tap = 12\n", "tap = 14\n"),
        ("capacitance_f = 7e-3", "capacitance_f = 40e-3"),
        ALL_WATTS,
        BEARS,
    )
    request, found = planned(site, "squall")
    assert found is not None
    assert played(site, request, found).matched == 200
    own = site.datasheets["a"]
    blind = plan(request._replace(lamps=tuple(lamp._replace(datasheet=own) for lamp in request.lamps)))
    assert isinstance(blind, Plan)
    assert played(site, request, blind).matched < 150


def test_too_few_volts_are_caught(tmp_path: Path) -> None:
    """Planned for a cable of 4 m; it is 60 m long, and south gets less than its 11 V."""
    near, far = tmp_path / "near", tmp_path / "far"
    near.mkdir()
    far.mkdir()
    believed = sites.pad(near, ("tap = 12\n", "tap = 13\n"), ALL_WATTS)
    true = sites.pad(far, ("tap = 12\n", "tap = 13\n"), ALL_WATTS, ("length_m = 6\n", "length_m = 60\n"))
    request, found = planned(believed, "squall")
    assert found is not None
    assert played(believed, request, found).matched == 200
    result = played(true, request, found)
    assert result.misses["south"] > 50
    assert result.misses["north"] == 0
