"""How many presentations an edge takes, against plain bisection with repeats in the same run.

Run by hand: ``python tests/bench/threshold_bench.py [LAMPS]``. Prints a markdown table; a minute or two with 300.

Bisection halves the range in proportion until what is left is as narrow as the other's interval may be, and shows each
length until two answers agree (at most three looks), or three (at most five). "missed": the edge is
not within what was left, or not within the 95 % interval.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator
from pathlib import Path
from random import Random
from statistics import fmean, median
from typing import NamedTuple

sys.path[:0] = [str(Path(__file__).parents[2])]

from sequencer.bench.threshold import Prior, belief, choose, learn  # noqa: E402

PRECISION, LAPSE, MOST = 0.05, 0.02, 40
PRIOR = Prior(0.005, 20.0)


class Cost(NamedTuple):
    presentations: int
    cycles: int
    held: bool
    error: float


class Lamp:
    """An edge, a clock error that is the same always or anew every time, a relay that spreads, eyes that lapse."""

    def __init__(self, rng: Random) -> None:
        self.rng = rng
        self.edge_s = math.exp(rng.uniform(math.log(0.01), math.log(10)))
        self.error = rng.choice((0.01, 0.03, 0.05)) * (rng.random() < 0.5)

    def shown(self, lengths: tuple[float, ...]) -> int:
        rng = self.rng
        if rng.random() < LAPSE:
            return rng.randint(0, len(lengths))
        relay = (rng.uniform(-0.0035, 0.0035) + rng.uniform(-0.0025, 0.0025) for _ in lengths)
        edges = (self.edge_s * (1 + rng.uniform(-self.error, self.error)) for _ in lengths)
        return sum(x + r >= e for x, r, e in zip(lengths, relay, edges, strict=True))


def wanted(edge_s: float) -> float:
    return max(PRECISION * edge_s, 4 * PRIOR.jitter_s)


def adaptive(lamp: Lamp, prior: Prior, most: int) -> Cost:
    known, cycles = belief(prior), 0
    while len(known.shown) < MOST:
        low, high = known.interval()
        if high - low <= wanted(known.estimate_s):
            break
        lengths = choose(known, most)
        cycles += len(lengths)
        known = learn(known, lengths, lamp.shown(lengths))
    low, high = known.interval()
    return Cost(len(known.shown), cycles, low <= lamp.edge_s <= high, known.estimate_s / lamp.edge_s - 1)


def bisection(lamp: Lamp, low: float, high: float, agree: int = 2) -> Cost:
    shown = 0
    while high - low > wanted(math.sqrt(low * high)):
        middle = math.sqrt(low * high)
        answers = [0, 0]
        while max(answers) < agree:
            answers[lamp.shown((middle,))] += 1
            shown += 1
        low, high = (low, middle) if answers[1] == agree else (middle, high)
    return Cost(shown, shown, low <= lamp.edge_s <= high, math.sqrt(low * high) / lamp.edge_s - 1)


def rows(lamps: int) -> Iterator[tuple[str, list[Cost]]]:
    def rough(lamp: Lamp) -> tuple[float, float]:
        at = lamp.edge_s * math.exp(Random(lamp.edge_s).uniform(-0.4, 0.4))
        return max(at / 1.6, PRIOR.low_s), min(at * 1.6, PRIOR.high_s)

    def every() -> Iterator[Lamp]:
        return (Lamp(Random(seed)) for seed in range(lamps))

    yield "nothing known: bisection", [bisection(lamp, PRIOR.low_s, PRIOR.high_s) for lamp in every()]
    costs = [bisection(lamp, PRIOR.low_s, PRIOR.high_s, 3) for lamp in every()]
    yield "nothing known: bisection, three agree", costs
    yield "nothing known: one length a train", [adaptive(lamp, PRIOR, 1) for lamp in every()]
    yield "nothing known: four lengths a train", [adaptive(lamp, PRIOR, 4) for lamp in every()]
    yield "known to a factor 1.6: bisection", [bisection(lamp, *rough(lamp)) for lamp in every()]
    yield "known to a factor 1.6: bisection, three agree", [bisection(x, *rough(x), 3) for x in every()]
    for most, words in ((1, "one length a train"), (4, "four lengths a train")):
        costs = [adaptive(lamp, PRIOR._replace(likely=rough(lamp)), most) for lamp in every()]
        yield f"known to a factor 1.6: {words}", costs


def main(lamps: int) -> None:
    print(
        f"{lamps} lamps, edges 10 ms to 10 s, lapses {LAPSE:.0%}, interval {PRECISION:.0%} of the edge or 10 ms\n"
    )
    print(
        "| | presentations, mean | median | most | part of bisection's | lengths shown | missed | error, median |"
    )
    print("|---|---|---|---|---|---|---|---|")
    base = 1.0
    for name, costs in rows(lamps):
        mean = fmean(cost.presentations for cost in costs)
        base = mean if name.endswith("bisection") else base
        print(
            f"| {name} | {mean:.1f} | {median(c.presentations for c in costs):.0f} | "
            f"{max(c.presentations for c in costs)} | {mean / base:.2f} | {fmean(c.cycles for c in costs):.1f} | "
            f"{1 - fmean(c.held for c in costs):.1%} | {median(abs(c.error) for c in costs):.1%} |"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 300)
