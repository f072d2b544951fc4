"""A circuit's supply as a network, and what would be if."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.errors import InputError
from sequencer.supply.feed import (
    Feed,
    Primary,
    network_of,
    no_load_and_ohm,
    primary_of,
    va_of,
    with_conductor,
    with_lamp,
    with_tap,
)
from sequencer.supply.solve import solve
from tests.supply.sites import Change, feed

# Regulation, both definitions (IEC 61558 and the trade use either; check which your plate means): 12 V, 300 VA.
OF_FULL, OF_NONE = ('regulation_of = "full_load"', 'regulation_of = "full_load"'), ("full_load", "no_load")
NO_LOAD = [(OF_FULL, 12 * 1.05), (OF_NONE, 12 / 0.95)]


@pytest.mark.parametrize(("change", "volts"), NO_LOAD)
def test_at_rated_load_a_tap_gives_its_nominal_volts(tmp_path: Path, change: Change, volts: float) -> None:
    transformer = feed(tmp_path, change).supply.transformer
    no_load, ohm = no_load_and_ohm(transformer, 12)
    assert no_load == pytest.approx(volts)
    assert no_load - ohm * (300 / 12) == pytest.approx(12)


OWN = ('regulation = 0.05\nregulation_of = "full_load"', "r_ohm = 0.02\nx_ohm = 0.01")


def test_with_r_and_x_too(tmp_path: Path) -> None:
    """Rated load of unity power factor: |12 + (0.02 + 0.01j) 25| = 12.5025."""
    transformer = feed(tmp_path, OWN).supply.transformer
    no_load, ohm = no_load_and_ohm(transformer, 12)
    assert (no_load, ohm) == (pytest.approx(12.5025, abs=5e-5), 0.02 + 0.01j)


def test_on_another_tap_r_and_x_go_with_the_square_of_the_turns(tmp_path: Path) -> None:
    found = feed(tmp_path, OWN)
    moved = with_tap(found, 14)
    assert moved.supply.transformer.r_ohm == pytest.approx(0.02 * (14 / 12) ** 2)
    _, ohm = no_load_and_ohm(found.supply.transformer, 14)
    assert network_of(moved).ohms[1] == pytest.approx(ohm)
    assert with_tap(moved, 12).supply.transformer.r_ohm == pytest.approx(0.02)


# what is said of the primary -> low, here, high (ANSI C84.1 range A: 5 %; IEC 60038: 10 %; both from memory)
PRIMARIES: list[tuple[tuple[Change, ...], Primary]] = [
    ((), Primary(114, 120, 126)),
    ((("va = 300", "va = 300\nmeasured_primary_v = 118"),), Primary(114, 118, 126)),
    ((("va = 300", "va = 300\nmeasured_primary_v = 130"),), Primary(123.5, 130, 136.5)),
    ((("va = 300", "va = 300\nprimary_range_v = [116, 123]"),), Primary(116, 120, 123)),
    ((("va = 300", "va = 300\nprimary_range_v = [116, 119]"),), Primary(116, 120, 120)),
    ((('"nec"', '"iec"'), ("primary_v = 120", "primary_v = 230")), Primary(207, 230, 253)),
]


@pytest.mark.parametrize(("changes", "wanted"), PRIMARIES)
def test_the_primary(tmp_path: Path, changes: tuple[Change, ...], wanted: Primary) -> None:
    assert primary_of(feed(tmp_path, *changes)) == pytest.approx(wanted)


def test_the_tree_in_the_order_of_its_feeding(tmp_path: Path) -> None:
    network = network_of(feed(tmp_path))
    fed = {name: network.nodes[network.parents[i]] for i, name in enumerate(network.nodes) if i}
    assert fed == {
        "transformer": "source",
        "box": "transformer",
        "north": "box",
        "rock": "box",
        "south": "rock",
    }
    assert all(parent < node for node, parent in enumerate(network.parents) if node)
    assert [(load.name, load.least_v, load.greatest_v) for load in network.loads] == [
        ("north", 11, 15),
        ("south", 11, 15),
    ]


def test_volt_amperes_are_watts_over_power_factor() -> None:
    assert abs(va_of(30, 0.92)) == pytest.approx(30 / 0.92)
    assert va_of(30, 1.0) == 30


def test_the_relays_contact_counts_where_the_lamps_amps_go_through_it(tmp_path: Path) -> None:
    bare = network_of(feed(tmp_path)).ohms[1]
    worn: Change = ("contact_ohm = 0", "contact_ohm = 0.03")
    assert network_of(feed(tmp_path, worn)).ohms[1] - bare == pytest.approx(0.03)
    before: Change = ('side = "secondary"\nmake', 'side = "primary"\nmake')
    assert network_of(feed(tmp_path, worn, before)).ohms[1] == pytest.approx(bare)


def lowest(found: Feed) -> float:
    network = network_of(found)
    flow = solve(network, keep_lit=True)
    return min(flow.volts_at(load) for load in network.loads)


def test_what_would_be_if(tmp_path: Path) -> None:
    found = feed(tmp_path)
    assert lowest(with_tap(found, 13)) > lowest(found) + 1
    assert (
        lowest(with_conductor(found, "box", "14"))
        < lowest(found)
        < lowest(with_conductor(found, "south", "10"))
    )
    assert lowest(with_conductor(found, "rock", "10mm2")) > lowest(found)
    more = with_lamp(with_lamp(found, "rock", "south"), "rock", "south")
    assert list(more.sheets) == ["north", "south", "south again", "south again again"]
    assert lowest(more) < lowest(found)


SIZES = "AWG 18, 16, 14, 12, 10, 8, 6, 4, or 0.75mm2, 1mm2, 1.5mm2, 2.5mm2, 4mm2, 6mm2, 10mm2, 16mm2, 25mm2"
BAD = [
    (lambda f: with_tap(f, 11), ["deep: no tap of 11 V: the transformer has 12, 13, 14"]),
    (
        lambda f: with_conductor(f, "rok", "13"),
        [
            'deep: no run or lamp "rok": did you mean "rock"?',
            f'deep: no conductor "13": there is {SIZES}',
        ],
    ),
    (
        lambda f: with_lamp(f, "nort", "nort"),
        [
            'deep: no run leads to "nort": known are "transformer", "box", "rock"',
            'deep: no lamp "nort": did you mean "north"?',
        ],
    ),
]


@pytest.mark.parametrize(("change", "lines"), BAD)
def test_what_cannot_be(tmp_path: Path, change: object, lines: list[str]) -> None:
    assert callable(change)
    with pytest.raises(InputError) as refused:
        change(feed(tmp_path))
    assert list(refused.value.problems) == lines
