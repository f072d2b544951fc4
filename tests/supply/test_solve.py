"""Volts in a tree, against closed forms, Kirchhoff's laws, and what must be so of any tree."""

from __future__ import annotations

import math
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.supply.network import Flow, Load, Network
from sequencer.supply.solve import solve
from tests.supply.trees import drawn_tree, pair

# Constant power through a resistance, V = (V0 + sqrt(V0^2 - 4 P R)) / 2, as circuit theory has it: 12 V, 0.5 ohm.
CLOSED = [(10, 11.5678), (30, 10.5826), (60, 8.4495), (72, 6.0000)]


@pytest.mark.parametrize(("watts", "volts"), CLOSED)
def test_one_lamp(watts: float, volts: float) -> None:
    network = pair(0.5 + 0j, complex(watts))
    flow = solve(network)
    assert flow.volts_at(network.loads[0]) == pytest.approx(volts, abs=5e-5)
    assert flow.amps_of(network.loads[0]) == pytest.approx(watts / volts, rel=1e-5)


@pytest.mark.parametrize("watts", [73, 144, 288, 1e6])
def test_one_lamp_more_than_the_cable_carries(watts: float) -> None:
    """At 288 W the first guess of the volts is exactly none."""
    flow = solve(pair(0.5 + 0j, complex(watts)))
    assert (flow.collapse, flow.dark) == ("far", ("far",))
    assert flow.volts == (12 + 0j, 12 + 0j)


def closed_form(source: float, ohm: complex, va: complex) -> float | None:
    """The volts at one lamp; None where there are none.

    From ``|V|^4 + (2 (R P + X Q) - V0^2) |V|^2 + |Z|^2 |S|^2 = 0``, the receiving end of a short line in any
    textbook of power systems (from memory); with X = Q = 0 its limit is P = V0^2 / (4 R).
    """
    half = (source**2 - 2 * (ohm * va.conjugate()).real) / 2
    root = half**2 - abs(ohm) ** 2 * abs(va) ** 2
    return None if half < 0 or root < 0 else math.sqrt(half + math.sqrt(root))


angles = st.floats(0, 1.2)
cases = st.tuples(st.floats(10, 15), st.floats(0.01, 2), angles, angles)


@given(case=cases, part=st.floats(0.01, 0.999))
def test_one_lamp_with_reactance(case: tuple[float, float, float, float], part: float) -> None:
    source, z, turn, lag = case
    ohm, full = z * complex(math.cos(turn), math.sin(turn)), complex(math.cos(lag), math.sin(lag))
    va = full * most(source, ohm, full) * part
    network = pair(ohm, va, source)
    flow = solve(network)
    assert flow.volts_at(network.loads[0]) == pytest.approx(closed_form(source, ohm, va), rel=1e-9)


def most(source: float, ohm: complex, full: complex) -> float:
    """The greatest VA of a lamp with this power factor: where the two roots meet."""
    return source**2 / (2 * (abs(ohm) + (ohm * full.conjugate()).real))


@given(case=cases)
def test_collapse_is_where_the_closed_form_says(case: tuple[float, float, float, float]) -> None:
    source, z, turn, lag = case
    ohm, full = z * complex(math.cos(turn), math.sin(turn)), complex(math.cos(lag), math.sin(lag))
    limit = most(source, ohm, full)
    assert solve(pair(ohm, full * limit * (1 - 1e-9), source)).collapse is None
    assert solve(pair(ohm, full * limit * (1 + 1e-9), source)).collapse == "far"


@given(source=st.floats(10, 15), ohm=st.floats(0.01, 2))
def test_resistance_alone_carries_a_quarter_of_the_square(source: float, ohm: float) -> None:
    limit = source**2 / (4 * ohm)
    network = pair(complex(ohm), complex(limit * (1 - 1e-9)), source)
    assert solve(network).volts_at(network.loads[0]) == pytest.approx(source / 2, rel=1e-4)
    assert solve(pair(complex(ohm), complex(limit * (1 + 1e-9)), source)).collapse == "far"


seeds = st.integers(0, 10_000)


@settings(max_examples=60)
@given(seed=seeds, lamps=st.integers(1, 20), drop=st.floats(0.01, 0.4))
def test_kirchhoff(seed: int, lamps: int, drop: float) -> None:
    """Every branch loses Z times its amps, every node gives on what comes, every lamp takes its power."""
    network = drawn_tree(Random(seed), lamps, drop=drop)
    flow = solve(network)
    taken = {load.node: load.va for load in network.loads if load.name not in flow.dark}
    for node in range(1, len(network.nodes)):
        lost = flow.volts[network.parents[node]] - flow.volts[node]
        assert lost == pytest.approx(network.ohms[node] * flow.amps[node], abs=1e-9)
        onward = sum(flow.amps[n] for n in range(1, len(network.nodes)) if network.parents[n] == node)
        own = (taken[node] / flow.volts[node]).conjugate() if node in taken else 0
        assert flow.amps[node] == pytest.approx(onward + own, abs=1e-9)


@settings(max_examples=60)
@given(seed=seeds, lamps=st.integers(2, 12), drop=st.floats(0.01, 0.3), more=st.floats(1, 20))
def test_more_load_never_raises_volts(seed: int, lamps: int, drop: float, more: float) -> None:
    """Where reactance is small beside resistance, as in every low-voltage cable."""
    network = drawn_tree(Random(seed), lamps, drop=drop)
    heavier = {load.name: load.va for load in network.loads}
    chosen = network.loads[seed % lamps].name
    heavier[chosen] += more
    before, after = solve(network), solve(network, va=heavier)
    if not after.dark:
        assert all(abs(b) <= abs(a) + 1e-9 for a, b in zip(before.volts, after.volts, strict=True))


FAR, NEAR = Load("far", 2, 30 + 0j, 10.0, 15.0), Load("near", 1, 30 + 0j, 10.0, 15.0)
CHAIN = Network(("source", "near", "far"), (0, 0, 1), (0j, 0.2 + 0j, 0.3 + 0j), (NEAR, FAR), 12.0)


def source_for(far_v: float) -> float:
    """From the far lamp's volts back to the source: Ohm's law, one cable after the other."""
    near_v = far_v + 0.3 * 30 / far_v
    return near_v + 0.2 * (30 / near_v + 30 / far_v)


def test_a_lamp_below_its_least_volts_goes_dark_and_the_others_get_more() -> None:
    flow = solve(CHAIN)
    assert flow.dark == ("far",)
    assert source_for(flow.attempted_v[0]) == pytest.approx(12, rel=1e-12)
    assert flow.volts_at(NEAR) == pytest.approx((12 + math.sqrt(144 - 4 * 30 * 0.2)) / 2, rel=1e-12)
    assert flow.amps_of(FAR) == 0
    assert flow.collapse is None


def test_kept_lit_it_shows_what_it_would_get() -> None:
    flow = solve(CHAIN, keep_lit=True)
    assert flow.dark == ()
    assert source_for(flow.volts_at(FAR)) == pytest.approx(12, rel=1e-12)


def test_lamps_go_dark_one_by_one_the_furthest_below_first() -> None:
    """With both below at first, one that goes dark can save the other."""
    flow = solve(CHAIN, 11.5)
    assert flow.dark == ("far",)
    both = solve(CHAIN, 10.3)
    assert both.dark == ("far", "near")
    assert both.volts == (10.3 + 0j,) * 3


def test_a_collapse_is_told_by_the_lamp_that_it_starts_at() -> None:
    flow = solve(CHAIN, va={"near": 30 + 0j, "far": 200 + 0j}, keep_lit=True)
    assert (flow.collapse, flow.dark, flow.attempted_v) == ("far", ("far",), (0.0,))


def test_off_is_no_load() -> None:
    assert solve(CHAIN, va={}) == Flow((12 + 0j,) * 3, (0j,) * 3)
    alone = solve(CHAIN, va={"near": NEAR.va})
    assert alone.volts[2] == alone.volts[1]


def test_the_source_can_be_another() -> None:
    assert solve(CHAIN, 14.0).volts[0] == 14
    assert solve(CHAIN, 14.0).dark == ()
