"""The runs of a circuit: their currents, what they may carry, and the thinnest that would serve."""

from __future__ import annotations

from typing import NamedTuple

from sequencer.sitefile.supply import AWG_SIZES, MM2_SIZES, TRANSFORMER, Run
from sequencer.supply.ampacity import CONTINUOUS, ampacity, greatest_protection
from sequencer.supply.extremes import HAIR, emf_at
from sequencer.supply.feed import Feed, network_of, primary_of, with_size
from sequencer.supply.solve import solve


class RunFigures(NamedTuple):
    """One run on the tap in use, at its greatest current.

    ``thinnest``: the thinnest size that would serve there, on the best tap where the one in use does not hold; None
    where none would.
    """

    to: str
    start: str
    size: str
    amps: float
    drop_v: float
    ampacity_a: float
    protection_a: float
    carries: tuple[str, ...]
    thinnest: str | None

    @property
    def continuous_a(self) -> float:
        """What the conductor must be good for: 125 % of the current."""
        return self.amps * CONTINUOUS


def run_figures(feed: Feed, moved: Feed) -> tuple[RunFigures, ...]:
    """Each run of ``feed``; the thinnest sizes as on ``moved``.

    Currents are greatest with all lamps lit and the primary low, since the lamps' power is constant.
    """
    network = network_of(feed)
    low_v = emf_at(feed, network, primary_of(feed).low_v)
    flow = solve(network, low_v, keep_lit=True)
    behind = _behind(feed)
    found = []
    for run in feed.supply.runs:
        node = network.nodes.index(run.to, 1)
        drop = abs(flow.volts[network.parents[node]]) - abs(flow.volts[node])
        figures = (run.size, abs(flow.amps[node]), drop, ampacity(run), greatest_protection(run))
        found.append(RunFigures(run.to, run.start, *figures, behind[run.to], _thinnest(moved, run)))
    return tuple(found)


def _behind(feed: Feed) -> dict[str, tuple[str, ...]]:
    """The lamps that each run feeds."""
    behind: dict[str, list[str]] = {run.to: [] for run in feed.supply.runs}
    starts = {run.to: run.start for run in feed.supply.runs}
    for cord in feed.supply.lamps:
        node = cord.node
        while node != TRANSFORMER:
            behind[node].append(cord.name)
            node = starts[node]
    return {node: tuple(lamps) for node, lamps in behind.items()}


def _thinnest(feed: Feed, run: Run) -> str | None:
    """The thinnest size with which, all else as it is, every lamp has its volts and the run its ampacity."""
    if run.awg is not None:
        sizes = [run.model_copy(update={"awg": awg}) for awg in AWG_SIZES]
    else:
        sizes = [run.model_copy(update={"mm2": mm2}) for mm2 in MM2_SIZES]
    guard_a = protection_at_secondary(feed)
    for other in sizes:
        if guard_a is not None and guard_a > greatest_protection(other):
            continue
        changed = with_size(feed, run.to, other.awg, other.mm2)
        network = network_of(changed)
        flow = solve(network, emf_at(changed, network, primary_of(feed).low_v), keep_lit=True)
        amps = abs(flow.amps[network.nodes.index(run.to, 1)])
        fed = all(flow.volts_at(one) >= one.least_v * (1 - HAIR) for one in network.loads)
        if fed and not flow.dark and amps * CONTINUOUS <= ampacity(other):
            return other.size
    return None


def protection_at_secondary(feed: Feed) -> float | None:
    """What the protection lets through the secondary: on the primary, by the ratio of turns (as NEC 240.21(C)(1)
    allows for two-wire single-phase transformers, from memory). None when there is none."""
    guard, transformer = feed.supply.protection, feed.supply.transformer
    if guard is None:
        return None
    return guard.amps if guard.side == "secondary" else guard.amps * transformer.primary_v / transformer.tap
