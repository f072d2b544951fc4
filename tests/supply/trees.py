"""Trees of cables with lamps on them, invented, for tests and the bench."""

from __future__ import annotations

from random import Random

from sequencer.supply.network import Load, Network


def pair(ohm: complex, va: complex, emf_v: float = 12.0, least_v: float = 0.0) -> Network:
    """One lamp at the end of one cable."""
    return Network(("source", "far"), (0, 0), (0j, ohm), (Load("far", 1, va, least_v, 15.0),), emf_v)


def drawn_tree(rng: Random, lamps: int, emf_v: float = 14.0, drop: float = 0.1) -> Network:
    """A tree of boxes with two lamps for each; up to ``drop`` of the volts are lost on the way to any of them.

    Cables are the thicker, the more hangs on them, so that trees of any size lose about as much.
    """
    nodes, parents, boxes = ["source", "transformer"], [0, 0], [1]
    loads = []
    for lamp in range(lamps):
        if lamp % 2 == 0:
            parents.append(rng.choice(boxes[len(boxes) // 2 :]))
            boxes.append(len(nodes))
            nodes.append(f"box {lamp // 2}")
        parents.append(rng.choice(boxes[-3:]))
        va = complex(rng.uniform(10, 40), rng.uniform(0, 15))
        loads.append(Load(f"lamp {lamp}", len(nodes), va, 0.0, 15.0))
        nodes.append(f"lamp {lamp}")
    ways = [_way(parents, load.node) for load in loads]
    amps, longest = [0.0] * len(nodes), [1] * len(nodes)
    for load, way in zip(loads, ways, strict=True):
        for node in way:
            amps[node] += abs(load.va) / emf_v
            longest[node] = max(longest[node], len(way))
    ohms = [0j]
    for node in range(1, len(nodes)):
        ohm = drop * emf_v / longest[node] / max(amps[node], 1.0) * rng.uniform(0.3, 1.0)
        ohms.append(complex(ohm, ohm * rng.uniform(0, 0.3)))
    return Network(tuple(nodes), tuple(parents), tuple(ohms), tuple(loads), emf_v)


def _way(parents: list[int], node: int) -> list[int]:
    """The nodes from a lamp up to the source, without it."""
    way = []
    while node:
        way.append(node)
        node = parents[node]
    return way
