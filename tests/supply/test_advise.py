"""Advice: what is refused, what falls short, which tap is best, which conductor would serve."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.supply.advise import LIMITS, Advice, advise
from sequencer.supply.ampacity import MM2
from sequencer.supply.feed import network_of, primary_of, with_conductor, with_tap
from sequencer.supply.solve import solve
from tests.supply.sites import Change, cases, feed


def advice(folder: Path, *changes: Change) -> Advice:
    return advise(feed(folder, *changes))


def lines(found: Advice) -> list[str]:
    return [f"{finding.level}: {finding}" for finding in found.findings]


LONG = ("length_m = 6", "length_m = 16")  # the cord of "south"


def test_a_weak_lamp_is_named_with_the_tap_that_cures_it(tmp_path: Path) -> None:
    found = advice(tmp_path, LONG)
    assert not found.holds
    assert found.in_use.short == ("south",)
    assert found.best is not None
    assert found.best.tap_v == 13
    (line,) = lines(found)
    assert line.startswith('short: deep: lamp "south" gets ')
    assert line.endswith(" (all lamps at full watts, 114 V on the primary): take the tap of 13 V")
    cured = advise(with_tap(feed(tmp_path, LONG), 13))
    assert cured.holds
    assert cured.in_use.margin_v == pytest.approx(found.best.margin_v)


def test_the_best_tap_is_the_one_with_the_widest_margin(tmp_path: Path) -> None:
    """The margin is to a lamp's own range on either side, and to the region's limit."""
    found = advice(tmp_path)
    for tap in found.taps:
        figures = [lamp for case in tap.cases for lamp in case.lamps]
        low, high = min(lamp.volts for lamp in figures), max(lamp.volts for lamp in figures)
        assert tap.margin_v == pytest.approx(min(low - 11, 15 - high))
        assert tap.holds == (tap.margin_v >= 0)
    margins = sorted((tap.margin_v for tap in found.taps), reverse=True)
    assert found.best is not None
    assert found.best.margin_v == margins[0]
    assert found.by_v == pytest.approx(margins[0] - margins[1])


def test_each_tap_is_solved_at_three_primaries_with_all_with_each_alone_and_dim(tmp_path: Path) -> None:
    tap = advice(tmp_path).in_use
    assert [(case.primary, case.load) for case in tap.cases] == [
        (primary, load) for primary in ("low", "now", "high") for load in ("all", "alone", "dim")
    ]
    together, alone = tap.cases[0].lamps, tap.cases[1].lamps
    assert all(a.volts < b.volts for a, b in zip(together, alone, strict=True))
    assert tap.cases[0].va > tap.cases[1].va


@pytest.mark.parametrize(("changes", "wanted"), cases("advice.txt"))
def test_what_is_said(tmp_path: Path, changes: list[Change], wanted: list[str]) -> None:
    assert (lines(advice(tmp_path, *changes)) or ["nothing"]) == wanted


def test_a_run_that_many_share(tmp_path: Path) -> None:
    """Two lamps of 120 W on one AWG 14 (15 A at 60 degrees: NEC Table 310.16, secondary copy)."""
    changes = (("watts = 30", "watts = 96"), ("awg = 10", "awg = 14"), ("length_ft = 30", "length_ft = 3"))
    found = advice(tmp_path, *changes)
    assert any(
        line.startswith('refused: deep: run to "box": ')
        and 'in AWG 14, shared by "north", "south", which may carry 15 A' in line
        for line in lines(found)
    )


def test_a_continuous_load_counts_for_a_quarter_more(tmp_path: Path) -> None:
    """NEC 210.19(A)(1): the conductor must be good for 125 % of what burns all evening."""
    changes = (("watts = 30", "watts = 65"), ("awg = 10", "awg = 14"), ("length_ft = 30", "length_ft = 3"))
    found = advice(tmp_path, *changes)
    run = found.runs[0]
    assert run.amps < 15 < run.continuous_a == pytest.approx(1.25 * run.amps)
    assert any(
        line.startswith('doubt: deep: run to "box": ') and "NEC 210.19(A)(1)" in line for line in lines(found)
    )


@pytest.mark.parametrize(
    "changes",
    [
        (('from = "box"', 'from = "transformer"'),),
        (('node = "box"', 'node = "transformer"'),),
        (('node = "box"', 'node = "transformer"'), ('node = "rock"', 'node = "transformer"')),
    ],
)
def test_the_protection_carries_whatever_leaves_the_transformer(
    tmp_path: Path, changes: tuple[Change, ...]
) -> None:
    """Two ways from the transformer, 8 A each, through one fuse of 15 A: neither way alone would trip it."""
    found = advice(tmp_path, ("watts = 30", "watts = 85"), *changes)
    lamps = found.in_use.cases[0].lamps
    assert all(lamp.amps * 1.25 < 15 for lamp in lamps)
    amps = sum(lamp.amps for lamp in lamps)  # one power factor: the phases differ by less than a hundredth
    (line,) = (line for line in lines(found) if "may trip 15 A" in line)
    assert line.startswith(f"doubt: deep: {amps:.1f} A all evening counts as {amps * 1.25:.1f} A")


def test_the_thinnest_conductor_serves_and_the_next_does_not(tmp_path: Path) -> None:
    found = feed(tmp_path, ("tap = 12\n", "tap = 13\n"), ("amps = 15", "amps = 7"))
    sizes = {run.to: run.thinnest for run in advise(found).runs}
    assert sizes == {"box": "AWG 14", "rock": "1 mm2"}
    network = network_of(with_conductor(found, "box", "16"))
    flow = solve(network, network.emf_v * primary_of(found).low_v / 120, keep_lit=True)
    assert min(flow.volts_at(load) for load in network.loads) < 11
    assert MM2[0.75] < 7 <= MM2[1.0]  # the protection does not protect a thinner one


def test_where_no_tap_holds_none_is_best(tmp_path: Path) -> None:
    found = advice(tmp_path, ("length_m = 6", "length_m = 200"))
    assert found.best is None
    assert found.by_v is None
    assert "no tap cures it" in lines(found)[0]


def test_a_collapse_is_told_with_its_lamp(tmp_path: Path) -> None:
    found = advice(tmp_path, ("length_m = 6", "length_m = 400"))
    assert found.in_use.cases[0].collapse == "south"
    assert found.in_use.cases[0].lamps[1].volts == 0
    assert "cannot be fed at all (the volts collapse)" in lines(found)[0]


def test_the_limits_are_those_of_the_codes() -> None:
    """NEC 680.2: 15 V RMS; IEC 60364-7-702, zone 0: SELV of 12 V AC (both secondary copies)."""
    assert (LIMITS["nec"][0], LIMITS["iec"][0]) == (15, 12)
