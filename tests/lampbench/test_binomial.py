"""The bound on a rate: against scipy, against its own definition, and the rule of three."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.bench.binomial import at_most, slip_bound

# One-sided 95 % upper limits. The exact two-sided 90 % interval of Clopper and Pearson (1934) ends there; values
# computed with scipy 1.17, scipy.stats.beta.ppf(0.95, k + 1, n - k), which is the same by a different road.
COMPUTED = [
    (0, 10, 0.2588655508930522),
    (0, 59, 0.04950760988822693),
    (1, 10, 0.39416330243650466),
    (1, 20, 0.2161061642068473),
    (2, 30, 0.19532604365492595),
    (5, 100, 0.1022533776432745),
    (3, 700, 0.011039092170684108),
]


def test_against_scipy_where_it_is_there() -> None:
    beta = pytest.importorskip("scipy.stats").beta
    for n in (1, 2, 5, 10, 59, 300, 2000):
        for k in {0, 1, 2, n // 10, n // 2, n - 1}:
            if k < n:
                for confidence in (0.9, 0.95, 0.99):
                    assert slip_bound(k, n, confidence) == pytest.approx(
                        beta.ppf(confidence, k + 1, n - k), rel=1e-9
                    )


@pytest.mark.parametrize(("slips", "trials", "bound"), COMPUTED)
def test_against_figures_computed_elsewhere(slips: int, trials: int, bound: float) -> None:
    assert slip_bound(slips, trials) == pytest.approx(bound, rel=1e-9)


@given(
    st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n - 1), st.just(n))), st.floats(0.5, 0.999)
)
def test_at_the_bound_so_few_slips_are_as_unlikely_as_said(
    counts: tuple[int, int], confidence: float
) -> None:
    slips, trials = counts
    assert at_most(slips, trials, slip_bound(slips, trials, confidence)) == pytest.approx(
        1 - confidence, rel=1e-6
    )


def test_the_rule_of_three() -> None:
    """Without a slip in n trials the bound is about 3/n (Hanley and Lippman-Hand, JAMA 1983; from memory)."""
    for trials in (100, 300, 1000):
        assert slip_bound(0, trials) == pytest.approx(3 / trials, rel=0.02)


def test_counts_that_make_no_sense() -> None:
    for slips, trials, confidence in ((-1, 5, 0.95), (6, 5, 0.95), (0, 5, 1.0), (0, 5, 0.0)):
        with pytest.raises(ValueError, match="slips in"):
            slip_bound(slips, trials, confidence)
    assert slip_bound(5, 5) == 1.0
