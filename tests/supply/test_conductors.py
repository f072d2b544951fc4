"""Ohms of copper against the tables of the standards."""

from __future__ import annotations

import pytest

from sequencer.sitefile.supply import Cable
from sequencer.supply.conductors import (
    MAX_OHM_PER_KM,
    at_temperature,
    awg_diameter_mm,
    cable_ohm,
    ohm_per_m,
    reactance_per_m,
)

M_PER_KFT = 304.8

# ASTM B258, diameter of solid conductors, inch.
DIAMETERS = {18: 0.0403, 16: 0.05082, 14: 0.06408, 12: 0.08081, 10: 0.1019, 8: 0.1285, 6: 0.1620, 4: 0.2043}

# NEC Chapter 9 Table 8, direct current at 75 degrees Celsius, uncoated copper, ohm/kft (secondary copy).
SOLID = {18: 7.77, 16: 4.89, 14: 3.07, 12: 1.93, 10: 1.21, 8: 0.764}
STRANDED = {18: 7.95, 16: 4.99, 14: 3.14, 12: 1.98, 10: 1.24, 8: 0.778, 6: 0.491, 4: 0.308}

# NEC Chapter 9 Table 9, alternating current resistance in PVC conduit at 75 degrees Celsius, ohm/kft (secondary copy).
IN_PVC = {14: 3.1, 12: 2.0, 10: 1.2, 8: 0.78, 6: 0.49, 4: 0.31}

# IEC 60228, greatest resistance at 20 degrees Celsius, plain copper, ohm/km (secondary copy).
CLASS_2 = {0.75: 24.5, 1: 18.1, 1.5: 12.1, 2.5: 7.41, 4: 4.61, 6: 3.08, 10: 1.83, 16: 1.15, 25: 0.727}
CLASS_5 = {0.75: 26.0, 1: 19.5, 1.5: 13.3, 2.5: 7.98, 4: 4.95, 6: 3.30, 10: 1.91, 16: 1.21, 25: 0.780}

# IEC 60228 Annex B, factor from a temperature back to 20 degrees Celsius (secondary copy; it is 250/(230 + t)).
BACK_TO_20 = {5: 1.064, 75: 0.820, 90: 0.781}


@pytest.mark.parametrize(("awg", "inch"), DIAMETERS.items())
def test_diameters(awg: int, inch: float) -> None:
    assert awg_diameter_mm(awg) / 25.4 == pytest.approx(inch, rel=1e-3)


@pytest.mark.parametrize(("awg", "ohm"), SOLID.items())
def test_solid_wire_is_in_the_table_within_half_a_percent(awg: int, ohm: float) -> None:
    assert ohm_per_m(awg, None, "solid", 75) * M_PER_KFT == pytest.approx(ohm, rel=0.005)


@pytest.mark.parametrize(("awg", "ohm"), STRANDED.items())
def test_stranded_wire_is_in_the_table_within_one_percent(awg: int, ohm: float) -> None:
    assert ohm_per_m(awg, None, "stranded", 75) * M_PER_KFT == pytest.approx(ohm, rel=0.01)


@pytest.mark.parametrize(("awg", "ohm"), IN_PVC.items())
def test_at_mains_frequency_resistance_is_what_it_is_for_direct_current(awg: int, ohm: float) -> None:
    """To the table's two digits: no skin effect is reckoned with, and none is needed up to AWG 4."""
    assert ohm_per_m(awg, None, "stranded", 75) * M_PER_KFT == pytest.approx(ohm, rel=0.04)


def test_metric_sizes_are_those_of_the_standard() -> None:
    found = {
        size: tuple(ohm_per_m(None, size, strand, 20) * 1000 for strand in ("solid", "stranded", "class5"))
        for size in MAX_OHM_PER_KM
    }
    wanted = {size: (CLASS_2[size], CLASS_2[size], CLASS_5[size]) for size in CLASS_2}
    assert found == {size: pytest.approx(ohms) for size, ohms in wanted.items()}


@pytest.mark.parametrize(("celsius", "back"), BACK_TO_20.items())
def test_temperature(celsius: float, back: float) -> None:
    """The standard's factor is rounded; the coefficient of IEC 60028 is within 0.45 % of it."""
    assert at_temperature(1.0, celsius) * back == pytest.approx(1.0, rel=0.0045)


def test_a_metric_conductor_is_near_the_gauge_of_the_same_area() -> None:
    """AWG 12 is 3.31 mm2 (ASTM B258): its metres times its area are copper's, whichever way it is called."""
    gauge, metric = ohm_per_m(12, None, "stranded", 20) * 3.31, ohm_per_m(None, 2.5, "stranded", 20) * 2.5
    assert gauge == pytest.approx(metric, rel=0.06)


def test_reactance_grows_with_frequency_and_hardly_with_size() -> None:
    assert reactance_per_m(12, None, 120) == pytest.approx(2 * reactance_per_m(12, None, 60))
    assert 0.15e-3 < reactance_per_m(4, None, 60) < reactance_per_m(18, None, 60) < 0.35e-3


def test_a_cable_goes_out_and_back_and_has_its_joints_in_either_conductor() -> None:
    """AWG 12 solid at 75 degrees Celsius: 1.93 ohm/kft (NEC Chapter 9 Table 8)."""
    bare = Cable(length_ft=100, awg=12, strand="solid", temperature_c=75)
    assert cable_ohm(bare, 60).real == pytest.approx(2 * 0.193, rel=0.002)
    jointed = Cable(length_ft=100, awg=12, strand="solid", temperature_c=75, joints=3, joint_ohm=0.01)
    assert (cable_ohm(jointed, 60) - cable_ohm(bare, 60)) == pytest.approx(0.06)


def test_feet_are_metres() -> None:
    assert Cable(length_ft=100, awg=12).metres == pytest.approx(Cable(length_m=30.48, awg=12).metres)
