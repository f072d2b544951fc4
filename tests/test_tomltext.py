"""TOML as text: the parser's words made plain, all of them, and nothing repeated whole."""

from __future__ import annotations

import ast
import inspect
import re
import tomllib
from importlib import import_module
from pathlib import Path

import pytest

from sequencer.errors import InputError
from sequencer.tomlfile import read_toml
from sequencer.tomltext import MAX_NAME, MAX_SHOWN_PATH, UNKNOWN, clipped, plain, quoted, shown_path

# Texts that are not TOML 1.0 (toml.io), what is told of each, and where, counted by hand.
TOLD = [
    ("pulse\n", "no = after the key (line 1, column 6)"),
    ("a = 1\na = 2\n", "a: it is there already, in line 1: keep one (line 2, column 6)"),
    ("[off]\na = 1\n[off]\n", "off: it is there already, in line 1: keep one (line 3, column 5)"),
    (
        "[off.x]\na = 1\n[[off]]\n",
        "off: it has a value already: keep one (line 3, column 6)",
    ),
    (
        "[[circuit]]\n[circuit]\n",
        "circuit: the table circuit is there already: keep one, or write [[circuit]] each time (line 2, column 9)",
    ),
    (
        "a = 1\na.b = 2\n",
        "a.b: it has a value already: keep one (line 2, column 8)",
    ),
    ("a = {}\na.b = 2\n", "a.b: a is whole already: nothing can be added to it here (line 2, column 8)"),
    ("a = {b = 1, b = 2}\n", "a: the key b is there twice: keep one (line 1, column 18)"),
    ('name = "north\n', "name: quotes are not closed on their line (line 1, column 14)"),
    (
        "on = [1 2]\n",
        "on: a square bracket is not closed, or there is no comma between two values (line 1, column 9)",
    ),
    (
        "on = no\n",
        "on: no value: text stands in quotes, several values in square brackets (line 1, column 6)",
    ),
    ("[off\n", "no ] at the end of the table's name (line 1, column 5)"),
    ("a = 1 2\n", "a: something is left over at the end of the line (line 1, column 7)"),
    ("a = 2026-02-30\n", "a: no date or time that there is (line 1, column 5)"),
    ('a = "\x01"\n', "a: the character U+0001 may not stand here (line 1, column 6)"),
    ('a = "\\q"\n', "a: for a plain \\ in double quotes write \\\\, or use single quotes (line 1, column 8)"),
    ("= 1\n", "neither a [table] nor a key with = and its value (line 1, column 1)"),
]


@pytest.mark.parametrize(("text", "told"), TOLD)
def test_what_is_no_toml_is_told_plainly(tmp_path: Path, text: str, told: str) -> None:
    (tmp_path / "x.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_toml(tmp_path / "x.toml", "x.toml")
    assert caught.value.problems == (f"x.toml: not TOML: {told}",)


def test_every_message_of_the_parser_has_plain_words() -> None:
    """All of them, as they stand in the source of the standard library's parser; its names filled in as it does."""
    found = set()
    for node in ast.walk(ast.parse(inspect.getsource(import_module("tomllib._parser")))):
        if not isinstance(node, ast.Call) or getattr(node.func, "id", "") not in {
            "suffixed_err",
            "TOMLDecodeError",
        }:
            continue
        message = node.args[-1]
        if isinstance(message, ast.Constant):
            found.add(message.value)
        elif isinstance(message, ast.JoinedStr) and isinstance(message.values[0], ast.Constant):
            filled = {"key": ("a", "b"), "cont_key": ("a",), "abs_key_parent": ("a",), "expect": '"""'}
            found.add(
                "".join(
                    str(part.value)
                    if isinstance(part, ast.Constant)
                    else repr(filled.get(ast.unparse(part.value), "\n"))  # type: ignore[attr-defined]
                    for part in message.values
                )
            )
    assert len(found) > 15
    for message in found:
        words = plain(message)
        assert words != UNKNOWN, message
        assert not re.search(r"\('|namespace|statement|inline|Unicode|overwrite|mutate", words), message


def test_a_parser_of_another_release_is_not_repeated() -> None:
    with pytest.raises(tomllib.TOMLDecodeError):
        tomllib.loads("a")
    assert plain("Cannot frobnicate ('a',)") == UNKNOWN


def test_what_is_long_is_clipped_and_what_steers_a_terminal_is_told_by_its_number() -> None:
    assert clipped("x" * MAX_NAME) == "x" * MAX_NAME
    assert quoted("x" * 5000) == f'"{"x" * (MAX_NAME - 3)}..."'
    assert len(clipped("\x1b" * 5000)) == MAX_NAME
    path = "/a" * 1000 + "/site.toml"
    assert len(shown_path(path)) == MAX_SHOWN_PATH
    assert shown_path(path).endswith("/site.toml")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("a = 1\nb = " + "[" * 9999, "brackets nested too deep in line 2: no file of this kind needs that"),
        ("a = 1\nb = " + "9" * 9999, "holds a number of thousands of digits in line 2"),
    ],
)
def test_what_no_file_needs_is_told_by_its_line(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "x.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_toml(tmp_path / "x.toml", "x.toml")
    assert caught.value.problems == (f"x.toml: {words}",)
