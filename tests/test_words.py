"""Trains in plain characters: nothing left out, nothing out of line."""

from __future__ import annotations

from itertools import groupby
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.datasheet import load_datasheet
from sequencer.layout import table
from sequencer.planner import LampProof, Tightest
from sequencer.train import Pulse, Train
from sequencer.words import LINE_COLUMNS, supply_line, tightest_words, train_lines

LENGTHS = st.floats(0.001, 30.0)
TRAINS = st.builds(
    Train,
    st.lists(st.builds(Pulse, LENGTHS, LENGTHS), min_size=1, max_size=60).map(tuple),
    st.just(0.0) | LENGTHS,
)


@given(TRAINS)
def test_every_break_can_be_counted_in_the_line(train: Train) -> None:
    *drawn, legend = supply_line(train)
    line = "".join(row[9:] for row in drawn)
    runs = [sign for sign, _ in groupby(line)]
    assert "".join(runs) == "=_" * len(train.pulses) + "=>"
    assert all(len(row) <= 9 + LINE_COLUMNS + 6 for row in drawn)
    assert legend.endswith(" s")


@given(TRAINS)
def test_longer_parts_are_never_drawn_shorter(train: Train) -> None:
    line = "".join(row[9:] for row in supply_line(train)[:-1]).rstrip(">")
    drawn = [len(list(run)) for _, run in groupby(line)]
    lengths = [train.lead_in_s, *(t for pulse in train.pulses for t in pulse)]
    by_length = sorted(zip(lengths, drawn, strict=True))
    assert [count for _, count in by_length] == sorted(count for _, count in by_length)


def test_a_train_that_ends_with_its_break_still_shows_the_supply_after_it() -> None:
    assert supply_line(Train((Pulse(1.0, 0.0),)))[0].endswith("_=>")


def test_breaks_are_numbered_and_a_lead_in_comes_first() -> None:
    lines = train_lines(Train((Pulse(0.15, 0.19), Pulse(10.5, 3.7)), lead_in_s=2.0))
    assert lines[3:] == [
        "  first 2.0 s of supply (the lead-in)",
        "  break    off s    on s",
        "      1    0.150   0.190",
        "      2   10.500   3.700",
        "",
        "  2 breaks in 14.54 s, dark for 10.65 s, at most 10.50 s at once",
    ]


@given(st.lists(st.tuples(st.text("ab c", max_size=9), st.text("xyz", max_size=9)), min_size=1, max_size=6))
def test_columns_of_a_table_are_in_line(rows: list[tuple[str, str]]) -> None:
    lines = table(rows, "lr")
    left, right = (max(len(row[i]) for row in rows) for i in (0, 1))
    padded = [line.ljust(2 + left + 3 + right) for line in lines]
    assert [(p[2 : 2 + left].rstrip(), p[5 + left :].strip()) for p in padded] == [
        (a.rstrip(), b) for a, b in rows
    ]


SHEET = load_datasheet(Path(__file__).parents[1] / "config" / "lamps" / "type-a.toml")


@pytest.mark.parametrize(
    ("tightest", "words"),
    [
        (Tightest(2, "off", "pulse", 0.12), "break 2: pulse begins at 0.12 s"),
        (Tightest(2, "off", "pulse", 1.5), "break 2: pulse ends at 1.5 s"),
        (Tightest(1, "on", "same_train", 2.0), "supply after break 1: same_train ends at 2 s"),
        (Tightest(1, "on", "warm_up", 1.0), "supply after break 1: warm_up begins at 1 s"),
        (Tightest(3, "on", "settled", 3.5), "supply after break 3: settled begins at 3.5 s"),
        (None, ""),
    ],
)
def test_where_it_is_tightest(tightest: Tightest | None, words: str) -> None:
    assert tightest_words(LampProof("north", "type-a", "moss", 3, 0.03, tightest), SHEET) == words


def test_a_warm_up_that_the_datasheet_leaves_out_can_be_where_it_is_tightest() -> None:
    sheet = load_datasheet(Path(__file__).parents[1] / "config" / "lamps" / "type-b.toml")
    assert sheet.on.warm_up is None
    proof = LampProof("spout", "type-b", "tarn", 1, 0.03, Tightest(1, "on", "warm_up", 0.3))
    assert tightest_words(proof, sheet) == "supply after break 1: warm_up begins at 0.3 s"
