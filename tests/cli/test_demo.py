"""``demo``: coloured on a terminal whose user wants it, plain everywhere else; its summary is the answer."""

from __future__ import annotations

import io
import sys
from collections.abc import Callable
from functools import cache
from typing import Any

import pytest

from sequencer.cli import demo
from sequencer.cli.main import main
from sequencer.clock import VirtualClock
from sequencer.demo.lido import load_lido
from sequencer.demo.story import Step
from sequencer.demo.tell import tell

Run = Callable[[str], Any]

SUMMARY = "  4 trains: 18 of 18 lamps matched.\n"


@cache
def told(seed: int) -> tuple[Step, ...]:
    return tuple(tell(*load_lido(), seed))


@pytest.fixture(autouse=True)
def told_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """A story takes a second of planning: each is told once for all of these tests."""
    monkeypatch.setattr(demo, "tell", lambda _lido, _corner, seed: told(seed))


class Terminal(io.TextIOWrapper):
    def __init__(self, encoding: str = "utf-8") -> None:
        super().__init__(io.BytesIO(), encoding=encoding, write_through=True)

    def isatty(self) -> bool:
        return True

    def text(self) -> str:
        assert isinstance(self.buffer, io.BytesIO)
        return self.buffer.getvalue().decode(self.encoding)


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Terminal]:
    """Standard output becomes a terminal on which nobody waits."""
    for name in ("NO_COLOR", "FORCE_COLOR", "TTY_COMPATIBLE", "TTY_INTERACTIVE", "COLUMNS"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setattr(demo, "_Clock", VirtualClock)

    def made(encoding: str = "utf-8") -> Terminal:
        stdout = Terminal(encoding)
        monkeypatch.setattr(sys, "stdout", stdout)
        return stdout

    return made


def test_the_object(run: Run) -> None:
    said = run("demo --json")
    assert (said.status, said.err) == (0, "")
    assert said.json == {
        "seed": 1,
        "trains": 4,
        "lamps": 18,
        "matched": 18,
        "tightest": {
            "circuit": "lap-pool",
            "lamp": "north",
            "datasheet": "type-a",
            "slack_s": 0.03,
            "break": 2,
            "part": "on",
            "window": "settled",
            "limit_s": 3.5,
        },
    }


def test_plain_where_there_is_no_terminal_or_it_is_asked_for(run: Run) -> None:
    said = run("demo --plain")
    assert (said.status, said.err) == (0, "")
    assert said.out.startswith("1. Dusk at the lap pool\n")
    assert SUMMARY in said.out
    assert "\x1b" not in said.out
    assert said == run("demo") == run("demo --seed 1 --speed 9")
    assert said != run("demo --seed 2")


def test_coloured_on_a_terminal(terminal: Callable[..., Terminal]) -> None:
    stdout = terminal()
    assert main(["demo"]) == 0
    text = stdout.text()
    assert "\x1b[" in text
    assert "✓" in text
    assert "18 of 18 lamps matched." in text
    assert text.endswith("and see what lampstep check says of them.\n")


@pytest.mark.parametrize(
    ("words", "variables", "encoding"),
    [
        (["demo", "--plain"], {}, "utf-8"),
        (["demo"], {"NO_COLOR": "1"}, "utf-8"),
        (["demo"], {"TERM": "dumb"}, "utf-8"),
        (["demo"], {}, "ascii"),
    ],
)
def test_plain_on_a_terminal_that_does_not_want_it_or_cannot(
    words: list[str],
    variables: dict[str, str],
    encoding: str,
    terminal: Callable[..., Terminal],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for name, value in variables.items():
        monkeypatch.setenv(name, value)
    stdout = terminal(encoding)
    assert main(words) == 0
    assert "\x1b" not in stdout.text()
    assert SUMMARY in stdout.text()


def test_an_empty_no_color_counts_for_nothing(
    terminal: Callable[..., Terminal], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NO_COLOR", "")
    stdout = terminal()
    assert main(["demo"]) == 0
    assert "\x1b[" in stdout.text()


def test_a_lamp_that_is_not_matched_is_the_honest_no(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    summed = demo.summed
    monkeypatch.setattr(demo, "summed", lambda steps: summed(steps)._replace(matched=17))
    said = run("demo --plain")
    assert said.status == 1
    assert "17 of 18 lamps matched" in said.out
