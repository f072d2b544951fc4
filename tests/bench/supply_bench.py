"""How long the volts of a pad take, against pandapower's power flow on the same trees in the same run.

Run it by hand: ``PYTHONPATH=. python tests/bench/supply_bench.py [SECONDS]`` (it wants pandapower). Each tree is
solved in turn by either, so that whatever else the machine does falls on both alike; the ratio of the medians is the
figure (aims: 12 lamps under 0.2 ms and 150 times; growth in proportion to the lamps; still faster at 1000).
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable
from random import Random
from typing import Any

from sequencer.supply.network import Network
from sequencer.supply.solve import solve
from tests.supply.peer import built, run
from tests.supply.trees import drawn_tree

SIZES = {12: 1e-13, 100: 1e-11, 1000: 1e-10}
"""Lamps, and the tolerance at which pandapower still says that it has converged."""


def seconds(call: Callable[[], object]) -> float:
    """CPU seconds of one call."""
    before = time.process_time()
    call()
    return time.process_time() - before


def medians(network: Network, net: Any, tolerance: float, limit_s: float) -> tuple[float, float]:
    """Of either's times (s), taken in turn."""
    ours: list[float] = []
    theirs: list[float] = []
    until = time.monotonic() + limit_s
    while time.monotonic() < until or len(ours) < 5:
        ours.append(seconds(lambda: [solve(network) for _ in range(10)]) / 10)
        theirs.append(seconds(lambda: run(net, tolerance)))
    return statistics.median(ours), statistics.median(theirs)


def main(limit_s: float = 10.0) -> None:
    """A line a size."""
    print("| lamps | nodes | lampstep | a lamp | pandapower | times |\n|---|---|---|---|---|---|")
    for lamps, tolerance in SIZES.items():
        network = drawn_tree(Random(1), lamps, drop=0.12)
        net = built(network)
        run(net, tolerance)
        solve(network)
        mine, peer = medians(network, net, tolerance, limit_s / len(SIZES))
        each = f"{mine / lamps * 1e6:.1f} us"
        print(
            f"| {lamps} | {len(network.nodes)} | {mine * 1e3:.3f} ms | {each} "
            f"| {peer * 1e3:.1f} ms | {peer / mine:.0f} |"
        )


if __name__ == "__main__":
    main(*(float(word) for word in sys.argv[1:]))
