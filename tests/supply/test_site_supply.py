"""The supply in a site file: the exact line for everything that does not fit, and what is read otherwise."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.errors import InputError
from sequencer.sitefile import load_site
from sequencer.supply.advise import advise
from sequencer.supply.feed import feed_of
from sequencer.supply.received import at_lamps
from sequencer.tomlfile import printable
from tests.supply.sites import Change, cases, pad, write


@pytest.mark.parametrize(("changes", "expected"), cases("supply.txt"))
def test_each_misfit_has_its_line(tmp_path: Path, changes: list[Change], expected: list[str]) -> None:
    path = write(tmp_path, *changes)
    with pytest.raises(InputError) as refused:
        load_site(path)
    assert [line.replace(f"{tmp_path}/", "") for line in refused.value.problems] == expected


def without(tmp_path: Path, instead: str) -> Path:
    """The site with other text in place of its supply."""
    path = write(tmp_path)
    text = path.read_text(encoding="utf-8")
    text = text[: text.index("[supply")] + instead + text[text.index("[[scene]]") :]
    path.write_text(text, encoding="utf-8")
    return path


def test_a_site_without_a_supply_is_sound(tmp_path: Path) -> None:
    assert load_site(without(tmp_path, "")).supply == {}


@pytest.mark.parametrize("tables", ["[[supply]]\n", "[supply]\ndeep = 3\n"])
def test_a_supply_is_a_table_a_circuit(tmp_path: Path, tables: str) -> None:
    with pytest.raises(InputError) as refused:
        load_site(without(tmp_path, tables))
    assert str(refused.value).endswith(
        "site.toml: [supply] must be one table a circuit, as in [supply.NAME] (near line 22)"
    )


def test_what_is_read(tmp_path: Path) -> None:
    supply = pad(tmp_path).supply["deep"]
    assert [(run.start, run.to, run.size, run.metres) for run in supply.runs] == [
        ("transformer", "box", "AWG 10", pytest.approx(9.144)),
        ("box", "rock", "4 mm2", 5.0),
    ]
    assert [(cord.name, cord.node) for cord in supply.lamps] == [("north", "box"), ("south", "rock")]
    assert [(tap.volts, tap.mark) for tap in supply.transformer.taps] == [
        (12, None),
        (13, "left"),
        (14, None),
    ]


ELECTRONIC = (
    ("va = 300", 'va = 300\nkind = "electronic"\nstart_delay_s = [0.02, 0.1]'),
    ('regulation = 0.05\nregulation_of = "full_load"\n', ""),
)


def test_an_electronic_transformers_start_is_part_of_closing_where_the_relay_is_before_it(
    tmp_path: Path,
) -> None:
    primary = pad(tmp_path, *ELECTRONIC, ('side = "secondary"\nmake', 'side = "primary"\nmake'))
    assert primary.circuit("deep").relay.make_s == (pytest.approx(0.025), pytest.approx(0.112))
    assert primary.circuit("deep").relay.break_s == (0.003, 0.008)
    secondary = pad(tmp_path, *ELECTRONIC)
    assert secondary.circuit("deep").relay.make_s == (0.005, 0.012)


def test_more_runs_than_any_pad_has_are_not_walked(tmp_path: Path) -> None:
    runs = "".join(
        f'[[supply.deep.run]]\nfrom = "n{n + 1}"\nto = "n{n}"\nlength_m = 1\nawg = 12\n' for n in range(2000)
    )
    with pytest.raises(InputError) as refused:
        pad(tmp_path, ("[[supply.deep.run]]", f"{runs}[[supply.deep.run]]"))
    assert "[supply] deep: run has 2002 entries: more than 200 has no pad" in str(refused.value)


SWAPS = ["0", "-1", "inf", "nan", '"text"', "true", "[]", "{}", "1e308", "1e-308", "[supply.deep]", "=", "\n"]
PLACES = st.tuples(st.integers(0, 999), st.sampled_from([r"[\d.]+", r"\S+"]), st.sampled_from(SWAPS))


@settings(max_examples=300, deadline=None)
@given(edits=st.lists(PLACES, min_size=1, max_size=3))
def test_a_damaged_supply_ends_in_one_of_two_ways(
    tmp_path_factory: pytest.TempPathFactory, edits: list[tuple[int, str, str]]
) -> None:
    """Refused in lines, or advised upon."""
    path = write(tmp_path_factory.getbasetemp())
    head, mark, text = path.read_text(encoding="utf-8").partition("[supply.deep]")
    for place, what, swap in edits:
        spots = list(re.finditer(what, text))
        spot = spots[place % len(spots)]
        text = text[: spot.start()] + swap + text[spot.end() :]
    path.write_text(head + mark + text, encoding="utf-8")
    told: tuple[str, ...] = ()
    try:
        feed = feed_of(load_site(path), "deep")
        if feed is not None:
            told = tuple(map(str, advise(feed).findings))
            assert all(0 <= got.least_v <= got.greatest_v for got in at_lamps(feed).values())
    except InputError as error:
        told = error.problems or ("",)
    assert all(line and printable(line) == line for line in told)
