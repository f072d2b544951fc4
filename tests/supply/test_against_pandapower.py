"""Volts and amps in drawn trees are those that pandapower, an outside library, finds."""

from __future__ import annotations

from random import Random

import pytest

from sequencer.supply.network import Network
from sequencer.supply.solve import solve
from tests.supply.peer import solved
from tests.supply.trees import drawn_tree

SEEDS = range(40)


def tree(seed: int) -> Network:
    rng = Random(seed)
    return drawn_tree(rng, rng.randint(1, 16), rng.uniform(11, 15), rng.uniform(0.02, 0.35))


@pytest.mark.parametrize("seed", SEEDS)
def test_a_drawn_tree(seed: int) -> None:
    network = tree(seed)
    peer, ours = solved(network), solve(network)
    assert peer is not None
    assert ours.dark == ()
    assert [abs(v) for v in ours.volts] == pytest.approx(peer.volts, abs=1e-8, rel=0)
    assert [abs(a) for a in ours.amps[1:]] == pytest.approx(peer.amps[1:], abs=1e-8, rel=0)


def test_where_pandapower_finds_no_volts_they_collapse() -> None:
    """The one of the first 300 drawn trees that asks too much of its cables."""
    network = tree(176)
    assert solved(network) is None
    assert solve(network).collapse == network.loads[0].name


def test_the_drawn_trees_are_worth_the_comparison() -> None:
    """They lose from little to so much that sweeps alone would not do."""
    flows = [(network, solve(network)) for network in map(tree, SEEDS)]
    lost = [1 - min(map(abs, flow.volts)) / network.emf_v for network, flow in flows]
    assert min(lost) < 0.05
    assert max(lost) > 0.35
