"""Volts in a tree of constant-power lamps: a backward/forward sweep, and Newton's method near the limit.

The sweep (currents from the lamps to the source, then volts from the source to the lamps) is the usual one for
radial networks; it converges by a constant factor a round, the part of the volts that the cable loses. Where
that is slow, near the greatest power that the cable carries, Newton's method takes over; on a tree its linear
system is solved by one pass to the source and one back, so it, too, takes time in proportion to the nodes.
From above, both go down to the higher of the two solutions, the one at which a lamp runs. Where Newton's step
ceases to have a direction there is no solution: the volts collapse.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from sequencer.supply.network import Flow, Network

RELATIVE = 1e-12
"""How near to the solution, as a part of the source's volts."""
_SWEEPS = 60
_SLOW = 0.4  # a sweep that leaves more than this of the last one's change is left to Newton
_STEPS = 100


class _Found(NamedTuple):
    volts: list[complex]
    amps: list[complex]
    holds: bool


def solve(
    network: Network,
    emf_v: float | None = None,
    *,
    va: Mapping[str, complex] | None = None,
    keep_lit: bool = False,
) -> Flow:
    """The volts and amps everywhere.

    ``emf_v``: the source, by default the network's own. ``va``: what lamps take, by name (0 is off), by
    default all at full watts. A lamp below its least volts goes dark, the one furthest below first, and the
    rest is solved again; ``keep_lit`` leaves it on whatever it gets, as far as there is a solution.

    >>> from sequencer.supply.network import Load
    >>> lamp = Load("far", 1, 30 + 0j, 8.0, 15.0)
    >>> pair = Network(("source", "far"), (0, 0), (0j, 0.5 + 0j), (lamp,), 12.0)
    >>> round(solve(pair).volts_at(lamp), 4)  # (12 + sqrt(12^2 - 4 * 30 * 0.5)) / 2
    10.5826
    >>> solve(pair, va={"far": 73 + 0j}).collapse  # more than 12^2 / (4 * 0.5) = 72 W
    'far'
    """
    source = network.emf_v if emf_v is None else emf_v
    takes = [load.va if va is None else va.get(load.name, 0j) for load in network.loads]
    dark: list[str] = []
    attempted: list[float] = []
    collapse: str | None = None
    while True:
        at = [(load.node, power) for load, power in zip(network.loads, takes, strict=True) if power]
        found = _solved(network, source, at)
        falling = _falling(network, found, takes, keep_lit=keep_lit)
        if falling is None:
            return Flow(tuple(found.volts), tuple(found.amps), tuple(dark), tuple(attempted), collapse)
        name, node = network.loads[falling].name, network.loads[falling].node
        if not found.holds:
            collapse = collapse or name
        takes[falling] = 0j
        dark.append(name)
        attempted.append(abs(found.volts[node]) if found.holds else 0.0)


def _falling(network: Network, found: _Found, takes: Sequence[complex], *, keep_lit: bool) -> int | None:
    """The lamp that goes dark next, None when all that are on stay on."""
    if found.holds and keep_lit:
        return None
    lit = [(index, load) for index, load in enumerate(network.loads) if takes[index]]
    if not found.holds:  # where the sweeps came down furthest
        return min(lit, key=lambda one: found.volts[one[1].node].real)[0]
    shares = [(abs(found.volts[load.node]) / load.least_v, index) for index, load in lit if load.least_v]
    share, worst = min(shares, default=(1.0, None))
    return worst if share < 1 - 1e-9 else None


def _solved(network: Network, source: float, at: Sequence[tuple[int, complex]]) -> _Found:
    """With these loads on: sweeps, then Newton from where the sweeps have come to."""
    parents, ohms = network.parents, network.ohms
    count = len(parents)
    volts = [complex(source)] * count
    amps = [0j] * count
    if not at:
        return _Found(volts, amps, holds=True)
    back = list(zip(range(count - 1, 0, -1), parents[:0:-1], strict=True))
    forth = list(zip(range(1, count), parents[1:], ohms[1:], strict=True))
    before = 0.0
    enough = RELATIVE * source
    for _ in range(_SWEEPS):
        old = [volts[node] for node, _ in at]
        amps = _sweep(back, forth, at, volts)
        change = max([abs(volts[node] - was) for (node, _), was in zip(at, old, strict=True)])
        if change <= enough:
            return _Found(volts, amps, holds=True)
        slow = change > _SLOW * before if before else min(volts[node].real for node, _ in at) <= 0
        if slow:
            break
        before = change
    found = _newton(network, source, at, volts)
    if not found.holds:
        found = _Found([complex(source)] * count, [], holds=False)
        _sweep(back, forth, at, found.volts)  # one sweep from flat shows where it is worst
    return found


def _sweep(
    back: Sequence[tuple[int, int]],
    forth: Sequence[tuple[int, int, complex]],
    at: Sequence[tuple[int, complex]],
    volts: list[complex],
) -> list[complex]:
    """Currents from the lamps to the source, then volts from the source to the lamps, in place.

    ``back``: each node and its parent, the last node first; ``forth``: the first one first, with its ohms.
    """
    amps = [0j] * len(volts)
    for node, power in at:
        amps[node] += (power / volts[node]).conjugate()
    for node, parent in back:
        amps[parent] += amps[node]
    for node, parent, z in forth:
        volts[node] = volts[parent] - z * amps[node]
    return amps


def _newton(
    network: Network, source: float, at: Sequence[tuple[int, complex]], start: list[complex]
) -> _Found:
    """Newton's method; ``holds`` is False where there is no solution.

    A lamp's current, made linear around its volts ``u``, is ``2 I(u) - conj(S) / conj(u)^2 conj(v)``. What a
    node and all behind it take is then ``A v + B conj(v) + C``, and so it is seen through the cable before it.
    """
    parents, ohms = network.parents, network.ohms
    count = len(parents)
    volts = start if min(volts.real for volts in start) > 0 else [complex(source)] * count
    before = float("inf")
    for _ in range(_STEPS):
        a, b, c = [0j] * count, [0j] * count, [0j] * count
        for node, power in at:
            current = (power / volts[node]).conjugate()
            b[node] -= current / volts[node].conjugate()
            c[node] += 2 * current
        ways = [(0j, 0j, 0j)] * count
        for node in range(count - 1, 0, -1):
            z, p = ohms[node], parents[node]
            m, n, fixed = 1 + z * a[node], z * b[node], z * c[node]
            d = abs(m) ** 2 - abs(n) ** 2
            if d <= 0:
                return _Found(start, [], holds=False)
            same, crossed = m.conjugate() / d, -n / d
            rest = -same * fixed - crossed * fixed.conjugate()
            ways[node] = (same, crossed, rest)
            a[p] += a[node] * same + b[node] * crossed.conjugate()
            b[p] += a[node] * crossed + b[node] * same.conjugate()
            c[p] += a[node] * rest + b[node] * rest.conjugate() + c[node]
        new = [complex(source)] * count
        for node in range(1, count):
            up = new[parents[node]]
            same, crossed, rest = ways[node]
            new[node] = same * up + crossed * up.conjugate() + rest
        if any((new[node] / volts[node]).real <= 0 for node, _ in at):
            return _Found(start, [], holds=False)
        change = max(abs(new[node] - volts[node]) for node, _ in at)
        volts = new
        if change <= RELATIVE * source or before <= change <= 1e-9 * source:
            amps = [0j] * count
            for node, power in at:
                amps[node] += (power / volts[node]).conjugate()
            for node in range(count - 1, 0, -1):
                amps[parents[node]] += amps[node]
            return _Found(volts, amps, holds=True)
        before = change
    return _Found(start, [], holds=False)
