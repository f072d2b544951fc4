"""The capacitor and dropout from ride-through against volts: worked examples, errors that are the errors."""

from __future__ import annotations

import math
from random import Random
from statistics import fmean, pstdev

import pytest

from sequencer.bench.held_up import Fitted, Point, fit
from sequencer.supply.rectifier import RECTIFIER_V, hold_up_s


def peaks(*given: tuple[float, float], watts: float) -> list[Point]:
    """Points from (peak, seconds)."""
    return [Point(peak / math.sqrt(2), watts, held, 1e-4) for peak, held in given]


def test_published_examples_of_the_formula() -> None:
    """Design notes, secondary copy: 114 uF hold 200 W for 20 ms from 400 to 300 V. By the formula: 3.70 ms."""
    found = fit(peaks((400.0, 0.020), (300.0, 0.0), watts=200.0), rectifier_v=0.0)
    assert isinstance(found, Fitted)
    assert found.capacitance_f == pytest.approx(114e-6, rel=0.005)
    assert found.dropout_v == pytest.approx(300.0)
    found = fit(peaks((17.0, 3.70e-3), (10.0, 0.0), watts=12.0), rectifier_v=0.0)
    assert isinstance(found, Fitted)
    assert found.capacitance_f == pytest.approx(470e-6, rel=0.002)


def test_a_line_by_hand_with_its_errors() -> None:
    """Three points on y = 2 P t against u = V1^2, worked by hand.

    P = 10 W: t = 0.1, 0.2, 0.3 s give y = 2, 4, 6 J; u = 100, 200, 300 V^2: slope 0.02 F, through the origin, so
    10 mF more to lose: shifted by u0 = 50, dropout sqrt(50) = 7.071 V. All errors 0.01 s, so 0.2 J: the slope's is
    0.2 / sqrt(20000) = 1.414e-3 F; square's is 1/slope * sqrt(0.04/3 + (4/0.02)^2 * (1.414e-3)^2) = 15.28 V^2, so the
    dropout's is 15.28 / (2 * 7.071) = 1.080 V.
    """
    points = [
        Point(math.sqrt(u) / math.sqrt(2), 10.0, t, 0.01) for u, t in ((150, 0.1), (250, 0.2), (350, 0.3))
    ]
    found = fit(points, rectifier_v=0.0)
    assert isinstance(found, Fitted)
    assert found.capacitance_f == pytest.approx(0.02)
    assert found.dropout_v == pytest.approx(math.sqrt(50))
    assert found.capacitance_error_f == pytest.approx(1.4142e-3, rel=1e-4)
    assert found.dropout_error_v == pytest.approx(1.080, rel=1e-3)
    assert found.chi2 == pytest.approx(0.0, abs=1e-9)


def test_the_errors_are_the_errors() -> None:
    """Over 1000 lamps the pulls have mean 0 and standard deviation 1, and chi2 has its degrees of freedom."""
    rng = Random(1)
    pulls_c, pulls_v, chi2 = [], [], []
    for _ in range(1000):
        points = []
        for volts in (10.0, 11.5, 13.0, 14.5):
            held = hold_up_s(7e-3, math.sqrt(2) * volts - RECTIFIER_V, 8.5, 20.0)
            points.append(Point(volts, 20.0, rng.gauss(held, 4e-4), 4e-4))
        found = fit(points)
        assert isinstance(found, Fitted)
        pulls_c.append((found.capacitance_f - 7e-3) / found.capacitance_error_f)
        pulls_v.append((found.dropout_v - 8.5) / found.dropout_error_v)
        chi2.append(found.chi2)
    for pulls in (pulls_c, pulls_v):
        assert abs(fmean(pulls)) < 0.12
        assert 0.92 < pstdev(pulls) < 1.08
    assert 1.8 < fmean(chi2) < 2.2


@pytest.mark.parametrize(
    ("points", "why"),
    [
        ([Point(12.0, 20.0, 0.02, 1e-3)], "fewer than two different volts"),
        ([Point(12.0, 20.0, 0.02, 1e-3), Point(12.0, 20.0, 0.03, 1e-3)], "fewer than two different volts"),
        ([Point(10.0, 20.0, 0.03, 1e-3), Point(14.0, 20.0, 0.02, 1e-3)], "no capacitor does that"),
        ([Point(10.0, 20.0, 0.10, 1e-3), Point(14.0, 20.0, 0.11, 1e-3)], "something else ends it"),
    ],
)
def test_no_line_that_physics_allows(points: list[Point], why: str) -> None:
    found = fit(points)
    assert isinstance(found, str)
    assert why in found
