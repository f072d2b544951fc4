"""The lengths that are certain: ``a/(1-t) + pad`` to ``b/(1+t) - pad``, rounded to the safe side."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.automaton.guards import guards, safe_window
from sequencer.units import FOREVER_NS
from tests.automaton.sheets import INF, sheet

MS = 1_000_000


@pytest.mark.parametrize(
    ("limits_s", "tolerance", "pad_s", "first_ns", "last_ns"),
    [
        # As it stands in the datasheet, when clock, relay and margin take nothing.
        ((0.12, 3.0), 0.0, 0.0, 120 * MS, 3000 * MS),
        # The pad alone, both ends inwards.
        ((0.12, 3.0), 0.0, 0.036, 156 * MS, 2964 * MS),
        # The clock alone: 0.12 / 0.97 = 0.123711340 2..., up; 3.0 / 1.03 = 2.912621359 2..., down.
        ((0.12, 3.0), 0.03, 0.0, 123_711_341, 2_912_621_359),
        # Both: 0.159711340 2... up; 2.876621359 2... down.
        ((0.12, 3.0), 0.03, 0.036, 159_711_341, 2_876_621_359),
        # What starts at 0 starts at 0: nothing is shorter. 0.02 / 1.03 - 0.036 = -0.016582524 2..., down.
        ((0.0, 0.02), 0.03, 0.036, 0, -16_582_525),
        ((0.0, 0.3), 0.04, 0.036, 0, 252_461_538),  # 0.3 / 1.04 = 0.288461538 4...
        # What has no end has none: 10 / 0.97 + 0.036 = 10.345278350 5..., up.
        ((10.0, INF), 0.03, 0.036, 10_345_278_351, FOREVER_NS),
        # A float's last digit is no nanosecond: 0.1 + 0.2 is 0.3, 0.7 - 0.1 is 0.6.
        ((0.1, 0.7), 0.0, 0.2, 300 * MS, 500 * MS),
        ((0.3, 0.7), 0.0, 0.1, 400 * MS, 600 * MS),
    ],
)
def test_a_window_is_certain_between(
    limits_s: tuple[float, float], tolerance: float, pad_s: float, first_ns: int, last_ns: int
) -> None:
    window = safe_window("pulse", limits_s, tolerance, pad_s)
    assert (window.first_ns, window.last_ns) == (first_ns, last_ns)
    assert (window.name, window.limits_s) == ("pulse", limits_s)


@pytest.mark.parametrize(
    ("limits_s", "tolerance", "pad_s", "closed"),
    [
        ((1.0, 1.0), 0.0, 0.0, False),  # a single length is a length
        ((1.0, 1.0), 0.0, 1e-9, True),
        ((1.0, 1.072), 0.0, 0.036, False),  # 1.036 exactly is left
        ((1.0, 1.071_999_999), 0.0, 0.036, True),
        ((0.95, 1.05), 0.05, 0.0, False),  # 0.95 / 0.95 = 1.05 / 1.05: 1.0 is left
        ((0.95, 1.05), 0.051, 0.0, True),
        ((0.0, 0.02), 0.03, 0.036, True),
        ((10.0, INF), 0.4, 10.0, False),
    ],
)
def test_a_window_closes_when_nothing_is_left(
    limits_s: tuple[float, float], tolerance: float, pad_s: float, closed: bool
) -> None:
    assert safe_window("pulse", limits_s, tolerance, pad_s).closed is closed


def test_all_windows_of_a_type_in_order_of_length() -> None:
    g = guards(sheet(clock_tolerance=0.03), 0.036)
    assert [(w.name, w.first_ns, w.last_ns) for w in g.breaks] == [
        ("ignored", 0, -16_582_525),
        ("pulse", 159_711_341, 2_876_621_359),
        ("reset", 6_737_030_928, 7_730_990_291),  # 6.5 / 0.97 + 0.036; 8.0 / 1.03 - 0.036
        ("power_down", 10_345_278_351, FOREVER_NS),
    ]
    assert (g.same_train.first_ns, g.same_train.last_ns) == (190_639_176, 1_905_747_572)
    assert g.settled is not None
    assert (g.settled.first_ns, g.settled.last_ns) == (3_644_247_423, FOREVER_NS)
    assert (g.warm_up.first_ns, g.warm_up.last_ns) == (1_066_927_836, FOREVER_NS)


def test_what_a_datasheet_leaves_out() -> None:
    g = guards(sheet("step", reset=None, warm_up=None), 0.0)
    assert [w.name for w in g.breaks] == ["ignored", "pulse", "power_down"]
    assert g.settled is None
    assert (g.warm_up.first_ns, g.warm_up.last_ns) == (150 * MS, FOREVER_NS)  # same_train's start


def test_the_length_that_two_windows_claim_is_neither_s() -> None:
    """Where they touch, and neither margin nor clock parts them, a nanosecond either side does."""
    touching = sheet(ignored=(0, 0.12), reset=(3.0, 3.0), power_down=(3.0, INF))
    assert [(w.first_ns, w.last_ns, w.closed) for w in guards(touching, 0.0).breaks] == [
        (0, 120 * MS - 1, False),
        (120 * MS + 1, 3000 * MS - 1, False),
        (3000 * MS + 1, 3000 * MS - 1, True),
        (3000 * MS + 1, FOREVER_NS, False),
    ]
    assert [w.first_ns for w in guards(touching, 0.001).breaks] == [0, 121 * MS, 3001 * MS, 3001 * MS]


def test_a_break_shorter_than_the_pad_is_not_sure_to_be_one() -> None:
    """Even to a lamp that notices the shortest; a supply of any length may still be enough for it."""
    jumpy = sheet(ignored=(0, 0), pulse=(0, 3.0), same_train=(0, 2.0), warm_up=None)
    g = guards(jumpy, 0.036)
    assert [(w.first_ns, w.last_ns) for w in g.breaks[:2]] == [(0, -36 * MS), (36 * MS, 2964 * MS)]
    assert (g.same_train.first_ns, g.warm_up.first_ns) == (0, 0)
    assert [w.first_ns for w in guards(jumpy, 0.0).breaks[:2]] == [0, 1]


def pair_of(amounts: list[float]) -> st.SearchStrategy[list[float]]:
    return st.tuples(st.sampled_from(amounts), st.sampled_from(amounts)).map(sorted)


@given(
    limits=st.sampled_from([(0.0, 0.5), (0.2, 1.3), (0.7, INF)]),
    pads=pair_of([0.0, 1e-9, 0.006, 0.036, 0.1]),
    tolerances=pair_of([0.0, 0.01, 0.1, 0.4]),
)
def test_pad_and_tolerance_only_take_away(
    limits: tuple[float, float], pads: list[float], tolerances: list[float]
) -> None:
    """Nested: what is certain with more margin or a worse clock is certain with less."""
    wide = safe_window("pulse", limits, tolerances[0], pads[0])
    narrow = safe_window("pulse", limits, tolerances[1], pads[1])
    assert wide.first_ns <= narrow.first_ns
    assert wide.last_ns >= narrow.last_ns
    if limits[0] > 0 and pads[1] - pads[0] > 0:
        assert wide.first_ns < narrow.first_ns
    if limits[1] < INF and tolerances[1] > tolerances[0]:
        assert wide.last_ns > narrow.last_ns


def test_supply_is_noticed_from_where_the_datasheet_says_on_a_slow_clock() -> None:
    """0.4 s / 0.97 + 36 ms; left out, same_train's start; from 0, still enough to be supply at all."""
    sheet_of = {"said": {"noticed": (0.4, INF)}, "left out": {}, "at once": {"noticed": (0, INF)}}
    found = {
        name: guards(sheet(clock_tolerance=0.03, **changes), 0.036).noticed
        for name, changes in sheet_of.items()
    }
    assert {name: window.first_ns for name, window in found.items()} == {
        "said": 448_371_135,
        "left out": 190_639_176,
        "at once": 36_000_000,
    }
    assert found["said"].limits_s == (0.4, INF)
