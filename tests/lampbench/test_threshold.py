"""The estimator: right as often as it says, against an independent reckoning, and sound whatever it is told."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise, permutations
from random import Random
from statistics import NormalDist
from typing import NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.bench.threshold import (
    Belief,
    Prior,
    Shown,
    _taught,
    belief,
    choose,
    expected_bits,
    learn,
)

WIDE = Prior(0.005, 20.0)
PLAIN = Prior(0.01, 10.0, outside=0.0, jitter_s=1e-6, spreads=((1e-6, 1.0),), lapses=((0.0, 1.0),))


class Lamp(NamedTuple):
    """An edge with its own clock error (even, +- a fraction, anew for each length) before eyes that lapse."""

    edge_s: float
    error: float = 0.0
    lapse: float = 0.0
    make_s: float = 0.0035
    break_s: float = 0.0025

    def shown(self, lengths_s: tuple[float, ...], rng: Random) -> int:
        if rng.random() < self.lapse:
            return rng.randint(0, len(lengths_s))
        relay = (
            rng.uniform(-self.make_s, self.make_s) + rng.uniform(-self.break_s, self.break_s)
            for _ in lengths_s
        )
        at = (self.edge_s * (1 + rng.uniform(-self.error, self.error)) for _ in lengths_s)
        return sum(x + r >= e for x, r, e in zip(lengths_s, relay, at, strict=True))


def measured(lamp: Lamp, rng: Random, most: int, prior: Prior = WIDE, precision: float = 0.05) -> Belief:
    known = belief(prior)
    for _ in range(40):
        low, high = known.interval()
        if high - low <= max(precision * known.estimate_s, 4 * prior.jitter_s):
            break
        lengths = choose(known, most)
        known = learn(known, lengths, lamp.shown(lengths, rng))
    return known


def drawn(rng: Random) -> Lamp:
    """Edges from 10 ms to 10 s; half the lamps have the same clock error always, half another every time."""
    edge_s = math.exp(rng.uniform(math.log(0.01), math.log(10)))
    return Lamp(edge_s, rng.choice((0.01, 0.03, 0.05)) * (rng.random() < 0.5), 0.02)


@pytest.mark.parametrize("most", [1, 3])
def test_intervals_cover_as_often_as_they_say(most: int) -> None:
    """1000 lamps in all; the 95 % interval holds the edge for 92 to 98 % of them, the certain bounds for 97 %."""
    held = safe = 0
    for seed in range(500):
        rng = Random(seed)
        lamp = drawn(rng)
        known = measured(lamp, rng, most)
        low, high = known.interval()
        held += low <= lamp.edge_s <= high
        short, long = known.certain()
        safe += short <= lamp.edge_s * (1 - lamp.error) and lamp.edge_s * (1 + lamp.error) <= long
    assert 0.92 <= held / 500 <= 0.98
    assert safe / 500 >= 0.97


def test_posterior_against_an_independent_one() -> None:
    """A fine even grid, the normal distribution of Python's own library, and every parameter summed over."""
    prior = Prior(0.05, 2.0, jitter_s=0.004)
    shown = [((0.3,), 0), ((0.6,), 1), ((0.35, 0.4, 0.5), 2), ((0.39,), 1), ((0.37,), 0), ((0.38, 0.41), 1)]
    known = belief(prior)
    for lengths, found in shown:
        known = learn(known, lengths, found)
    step = math.log(40.0) / 4000
    places = [0.05 * math.exp(step * (i + 0.5)) for i in range(4000)]
    weights = [
        sum(
            share * often * math.prod(_chance(edge, spread, lapse, x, m) for x, m in shown)
            for spread, share in prior.spreads
            for lapse, often in prior.lapses
        )
        for edge in places
    ]
    for quantile in (0.025, 0.25, 0.5, 0.75, 0.975):
        held, wanted = 0.0, quantile * sum(weights)
        expected = next(e for e, w in zip(places, weights, strict=True) if (held := held + w) >= wanted)
        assert known.quantile(quantile) == pytest.approx(expected, rel=0.01)


def _chance(edge: float, spread: float, lapse: float, lengths: tuple[float, ...], found: int) -> float:
    normal = NormalDist(edge, math.hypot(spread * edge, 0.004))
    chances = {0: 1.0}
    for length in lengths:
        p = normal.cdf(length)
        chances = {
            m: chances.get(m, 0.0) * (1 - p) + chances.get(m - 1, 0.0) * p for m in range(len(chances) + 1)
        }
    return (1 - lapse) * chances[found] + lapse / (len(lengths) + 1)


def test_a_sure_answer_at_the_median_is_worth_a_bit() -> None:
    known = belief(PLAIN)
    assert expected_bits(known, (known.estimate_s,)) == pytest.approx(1.0, abs=0.02)
    quarters = tuple(known.quantile(share) for share in (0.25, 0.5, 0.75))
    assert expected_bits(known, quarters) == pytest.approx(2.0, abs=0.06)
    assert expected_bits(known, (0.01,)) == pytest.approx(0.0, abs=0.02)


def test_a_lapse_costs_what_shannon_says() -> None:
    """A binary symmetric channel: 1 - h(p) bits, here p = 0.05 (Shannon 1948)."""
    known = belief(PLAIN._replace(lapses=((0.1, 1.0),)))
    lost = -(0.05 * math.log2(0.05) + 0.95 * math.log2(0.95))
    assert expected_bits(known, (known.estimate_s,)) == pytest.approx(1 - lost, abs=0.02)


@given(st.floats(0.02, 8.0), st.integers(1, 3))
@settings(max_examples=25, deadline=None)
def test_expected_bits_are_what_learning_then_gives(at: float, most: int) -> None:
    """Entropy before, less the entropy after each answer, each as likely as it is."""
    known = belief(Prior(0.01, 10.0))
    lengths = tuple(at * 1.2**i for i in range(most) if at * 1.2**i < 10)
    # Taught on the same cells: on others the entropy is another.
    shown = [Shown(lengths, m) for m in range(len(lengths) + 1)]
    after = [_taught(replace(known, shown=(one,)), one) for one in shown]
    chances = _mixture(known, after)
    remains = sum(p * _entropy(one.cells) for p, one in zip(chances, after, strict=True))
    assert expected_bits(known, lengths) == pytest.approx(_entropy(known.cells) - remains, abs=0.02)


def _mixture(known: Belief, after: list[Belief]) -> list[float]:
    """The chance of each answer by the model, for an edge drawn from what is known."""
    chances = [0.0] * len(after)
    lapse = sum(rate * share for rate, share in known.prior.lapses)
    size = len(after)
    for row, mass in enumerate(known.cells):
        found = [0.0] * size
        if row in (0, len(known.cells) - 1):
            found[size - 1 if row == 0 else 0] = 1.0
        else:
            low, high = (math.exp(b) for b in known.bounds[row - 1 : row + 1])
            for spread, share in known.prior.spreads:
                blur = math.sqrt(
                    (spread * (low + high) / 2) ** 2 + known.prior.jitter_s**2 + (high - low) ** 2 / 12
                )
                some = {0: 1.0}
                for length in after[0].shown[-1].lengths_s:
                    p = NormalDist((low + high) / 2, blur).cdf(length)
                    some = {
                        m: some.get(m, 0.0) * (1 - p) + some.get(m - 1, 0.0) * p for m in range(len(some) + 1)
                    }
                found = [f + share * some[m] for m, f in enumerate(found)]
        chances = [c + mass * ((1 - lapse) * f + lapse / size) for c, f in zip(chances, found, strict=True)]
    return chances


def _entropy(cells: tuple[float, ...]) -> float:
    return -sum(c * math.log2(c) for c in cells if c > 0)


ANSWERS = st.lists(
    st.tuples(st.lists(st.floats(0.006, 19.0), min_size=1, max_size=4), st.floats(0, 1)), max_size=8
)


@given(ANSWERS)
@settings(max_examples=40, deadline=None)
def test_whatever_it_is_told_it_stays_a_belief(answers: list[tuple[list[float], float]]) -> None:
    known = belief(WIDE)
    for lengths, share in answers:
        known = learn(known, tuple(lengths), round(share * len(lengths)))
        assert sum(known.cells) == pytest.approx(1.0)
        assert all(a < b for a, b in pairwise(known.bounds))
        shares = [known.quantile(q / 20) for q in range(1, 20)]
        assert all(a <= b for a, b in pairwise(shares))
        short, long = known.certain()
        assert short <= known.estimate_s <= long
    assert all(WIDE.low_s <= x <= WIDE.high_s for x in choose(known, 3))


@given(st.floats(0.01, 100.0))
@settings(max_examples=15, deadline=None)
def test_the_unit_of_time_does_not_matter(scale: float) -> None:
    answers = [((0.3,), 0), ((0.6,), 1), ((0.35, 0.4, 0.5), 2), ((0.39,), 1)]
    prior = Prior(0.05, 2.0, (0.2, 0.8), jitter_s=0.004)
    other = Prior(0.05 * scale, 2.0 * scale, (0.2 * scale, 0.8 * scale), jitter_s=0.004 * scale)
    one, two = belief(prior), belief(other)
    for lengths, found in answers:
        one = learn(one, lengths, found)
        two = learn(two, tuple(x * scale for x in lengths), found)
    assert two.estimate_s == pytest.approx(one.estimate_s * scale, rel=1e-6)


def test_the_order_of_answers_hardly_matters() -> None:
    """It decides when the cells are laid anew, and a quantile is only as fine as these."""
    answers = [((0.3,), 0), ((0.6,), 1), ((0.35, 0.4, 0.5), 2), ((0.39,), 1)]
    found = []
    for order in permutations(answers):
        known = belief(Prior(0.05, 2.0, jitter_s=0.004))
        for lengths, m in order:
            known = learn(known, lengths, m)
        found.append(known.interval())
    assert max(low for low, _ in found) == pytest.approx(min(low for low, _ in found), rel=0.03)
    assert max(high for _, high in found) == pytest.approx(min(high for _, high in found), rel=0.03)


@pytest.mark.parametrize("most", [1, 4])
@pytest.mark.parametrize(("edge_s", "side"), [(0.0, "below"), (math.inf, "above")])
def test_no_edge_within_reach_is_found_soon(edge_s: float, side: str, most: int) -> None:
    known, rng = belief(WIDE), Random(3)
    for shown in range(12):
        if getattr(known, side) > 0.98:
            assert shown <= 8
            return
        lengths = choose(known, most)
        known = learn(known, lengths, Lamp(edge_s).shown(lengths, rng))
    pytest.fail(f"{side} is only {getattr(known, side)}")


def test_a_wrong_first_answer_is_made_good() -> None:
    """The edge is at 0.1 s, and the first look says that 0.5 s is short."""
    known, rng = learn(belief(WIDE), (0.5,), 0), Random(5)
    for _ in range(25):
        lengths = choose(known)
        known = learn(known, lengths, Lamp(0.1).shown(lengths, rng))
    low, high = known.interval()
    assert low <= 0.1 <= high


def test_a_rough_idea_spares_presentations_and_a_wrong_one_is_left() -> None:
    for likely, most in (((0.9, 1.2), 10), ((0.01, 0.02), 20)):
        known = measured(Lamp(1.0), Random(1), 1, WIDE._replace(likely=likely))
        low, high = known.interval()
        assert low <= 1.0 <= high
        assert len(known.shown) <= most


def test_an_unsteady_lamp_is_seen_to_be_one() -> None:
    steady = unsteady = belief(WIDE)
    rng = Random(2)
    for i in range(30):
        x = 1.0 + 0.02 * (i % 7 - 3)
        steady = learn(steady, (x,), int(x >= 1.0))
        unsteady = learn(unsteady, (x,), int(x >= rng.gauss(1.0, 0.08)))
    assert steady.spread() < 0.01
    assert unsteady.spread() > 0.03
    assert steady.certain()[0] > 0.95
    assert unsteady.certain()[0] < 0.92


def test_more_found_long_than_shown_is_refused() -> None:
    with pytest.raises(ValueError, match="2 of 1 lengths"):
        learn(belief(WIDE), (1.0,), 2)
