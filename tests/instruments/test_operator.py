"""The operator as a driver: what may be answered, and that nobody is asked for ever."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable

import pytest

from sequencer.errors import HardwareError
from sequencer.instruments.eyes import Sighting
from sequencer.instruments.operator import OperatorEyes, ask_at_terminal, plain_colour

KNOWN = [("millpond", Sighting("#0b6672")), ("passing shower", Sighting("#808080", 24.0))]


def answers(*said: str) -> Callable[[str], str]:
    left = list(said)
    return lambda _: left.pop(0)


@pytest.mark.parametrize(
    ("said", "seen"),
    [
        (["1"], KNOWN[0][1]),
        (["2"], KNOWN[1][1]),
        (["Millpond"], KNOWN[0][1]),
        (["d"], Sighting(None)),
        (["3", "0", "x", "1"], KNOWN[0][1]),
        (["o", "teal", ""], Sighting("#008080")),
        (["o", "#102030", "7.5"], Sighting("#102030", 7.5)),
        (["o", "no such colour", "1"], KNOWN[0][1]),
        (["o", "teal", "soon", "2"], KNOWN[1][1]),
    ],
)
def test_what_may_be_answered(said: list[str], seen: Sighting) -> None:
    assert OperatorEyes(KNOWN, answers(*said)).look() == seen


def test_a_light_told_once_is_in_the_list_from_then_on() -> None:
    prompts: list[str] = []
    said = ["o", "teal", "12", "1"]

    def ask(prompt: str) -> str:
        prompts.append(prompt)
        return said.pop(0)

    eyes = OperatorEyes([], ask)
    first = eyes.look()
    assert eyes.look() == first == Sighting("#008080", 12.0)
    assert (
        prompts[-1]
        == "What does the lamp show? 1 teal, 12 s (mostly blue-green, moving, 12 s round), d dark, o another light: "
    )


def test_a_scene_that_only_the_datasheet_names_is_told_by_its_colour() -> None:
    prompts: list[str] = []

    def ask(prompt: str) -> str:
        prompts.append(prompt)
        return "1"

    watts_only = ("low", Sighting(None, watts=5.0))
    OperatorEyes([*KNOWN, watts_only, ("#008080", Sighting("#008080"))], ask).look()
    listed = (
        "1 millpond (dark blue-green), 2 passing shower (mostly grey, moving, 24 s round), 3 low, 4 #008080"
    )
    assert prompts == [f"What does the lamp show? {listed}, d dark, o another light: "]


@pytest.mark.parametrize(
    ("name", "word"),
    [
        ("red", "red"),
        ("orange", "orange"),
        ("gold", "yellow"),
        ("yellow", "yellow"),
        ("green", "green"),
        ("lime", "green"),
        ("teal", "blue-green"),
        ("cyan", "blue-green"),
        ("blue", "dark blue"),
        ("dodgerblue", "blue"),
        ("purple", "dark purple"),
        ("blueviolet", "purple"),
        ("hotpink", "pink"),
        ("deeppink", "pink"),
        ("white", "white"),
        ("silver", "white"),
        ("gray", "grey"),
    ],
)
def test_colours_are_called_as_css_calls_them(name: str, word: str) -> None:
    """CSS Color 4, 6.1 (named colours), against the words of our own."""
    from coloraide import Color

    assert plain_colour(Color(name).to_string(hex=True)) == word


def test_five_answers_that_are_none_are_enough() -> None:
    with pytest.raises(HardwareError, match="5 answers that are none"):
        OperatorEyes(KNOWN, answers(*"abcef")).look()


def test_at_the_terminal(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    theirs, ours = os.pipe()
    with os.fdopen(theirs) as reading, os.fdopen(ours, "w") as writing:
        monkeypatch.setattr(sys, "stdin", reading)
        writing.write("2\n")
        writing.flush()
        assert ask_at_terminal(5.0)("which? ") == "2"
        assert capsys.readouterr().err == "which? "
        with pytest.raises(HardwareError, match="nobody answered"):
            ask_at_terminal(0.01)("which? ")
        writing.close()
        with pytest.raises(HardwareError, match="standard input has ended"):
            ask_at_terminal(5.0)("which? ")
