"""Text laid out for a width: nothing stands out, no word is broken, nothing is lost."""

from __future__ import annotations

import io
import os
import pty
import shlex
import termios

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.layout import LEAST_WIDTH, fitted, table, width_for

WORD = st.text("abcdefg.-_:", min_size=1, max_size=18)
CELL = st.lists(WORD, max_size=9).map(" ".join)
NAME = st.lists(WORD, min_size=1, max_size=3).map(" ".join)
SIDES = ["ll", "lr", "lrl", "llrrrl"]


@st.composite
def tables(draw: st.DrawFn) -> tuple[list[tuple[str, ...]], str]:
    sides = draw(st.sampled_from(SIDES))
    figure = st.integers(0, 10**6).map(lambda n: f"{n / 100:.2f}")
    row = st.tuples(NAME, *(figure if side == "r" else CELL for side in sides[1:]))
    heads = draw(st.tuples(*(NAME for _ in sides)))
    return [heads, *draw(st.lists(row, min_size=1, max_size=6))], sides


@given(tables(), st.integers(30, 140))
def test_a_table_keeps_within_its_width_and_every_word_whole(
    drawn: tuple[list[tuple[str, ...]], str], width: int
) -> None:
    rows, sides = drawn
    lines = table(rows, sides, width=width)
    assert [line for line in lines if len(line) > width] == []
    shown = {word.removesuffix(":") for line in lines for word in line.split()}
    wanted = {word.removesuffix(":") for row in rows[1:] for cell in row for word in cell.split()}
    assert wanted <= shown


@given(tables())
def test_a_table_that_fits_is_laid_out_as_without_a_limit(
    drawn: tuple[list[tuple[str, ...]], str],
) -> None:
    rows, sides = drawn
    lines = table(rows, sides)
    assert table(rows, sides, width=max(map(len, lines)) + 40) == lines


ROWS = [
    ("lamp", "ends on", "slack", "tightest"),
    ("north", "passing shower (7)", "30.0 ms", "supply after break 2: same_train begins at 0.15 s"),
    ("", "moss (3)", "4.0 ms", ""),
]


def test_long_cells_wrap_and_figures_keep_their_unit() -> None:
    assert table(ROWS, "llrl", width=60) == [
        "  lamp    ends on        slack   tightest",
        "  north   passing      30.0 ms   supply after break 2:",
        "          shower (7)             same_train begins at 0.15 s",
        "          moss (3)      4.0 ms",
    ]


def test_where_columns_have_no_room_rows_are_stacked() -> None:
    assert table(ROWS, "llrl", width=30) == [
        "  lamp: north",
        "    ends on: passing shower",
        "      (7)",
        "    slack: 30.0 ms",
        "    tightest: supply after",
        "      break 2: same_train",
        "      begins at 0.15 s",
        "  lamp: north",
        "    ends on: moss (3)",
        "    slack: 4.0 ms",
    ]


def test_a_table_without_heads_is_stacked_without_labels() -> None:
    rows = [
        ("lap-pool", "switch simulated, button simulated, sense simulated, occupied simulated, indicator")
    ]
    assert table(rows, "ll", heads=False, width=24) == [
        "  lap-pool",
        "    switch simulated,",
        "      button simulated,",
        "      sense simulated,",
        "      occupied",
        "      simulated,",
        "      indicator",
    ]


@given(st.lists(NAME, max_size=30).map(" ".join), st.integers(24, 100))
def test_a_line_is_wrapped_at_words(text: str, width: int) -> None:
    out = fitted(text, width)
    assert out.split() == text.split()
    assert all(len(line) <= width for line in out.split("\n"))
    assert fitted(text, None) == text


@pytest.mark.parametrize("width", [30, 40, 60])
def test_a_command_that_is_wrapped_can_still_be_pasted(width: int) -> None:
    command = "lampstep play 'my pool.toml' --circuit lap-pool --scene 'clean up' --from 'north steps=fern'"
    out = fitted(f"Next: clear the water, then {command}", width)
    head, _, typed = out.partition("lampstep")
    assert head.split() == ["Next:", "clear", "the", "water,", "then"]
    pasted = f"lampstep{typed}".replace("\\\n", "")
    assert shlex.split(pasted) == shlex.split(command)


def test_columns_counts_before_what_the_terminal_says(monkeypatch: pytest.MonkeyPatch) -> None:
    main, terminal = pty.openpty()
    with os.fdopen(terminal, "w") as stream:
        termios.tcsetwinsize(terminal, (24, 72))
        assert width_for(stream) == 72
        monkeypatch.setenv("COLUMNS", "100")
        assert width_for(stream) == 100
        monkeypatch.setenv("COLUMNS", "wide")
        assert width_for(stream) == 72
        termios.tcsetwinsize(terminal, (24, 3))
        assert width_for(stream) == LEAST_WIDTH
        termios.tcsetwinsize(terminal, (0, 0))
        assert width_for(stream) is None
    os.close(main)


def test_a_file_has_no_width(monkeypatch: pytest.MonkeyPatch) -> None:
    assert width_for(io.StringIO()) is None
    assert width_for(None) is None
    monkeypatch.setenv("COLUMNS", "80")
    assert width_for(io.StringIO()) == 80
