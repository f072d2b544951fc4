"""Every command at 60, 80 and 100 columns: no line is wider than the terminal, no word is broken."""

from __future__ import annotations

import json
import os
import pty
import re
import shlex
import shutil
import subprocess
import sys
import termios
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from sequencer.cli.commands import BENCH, COMMANDS
from tests.cli.conftest import CONFIG
from tests.cli.test_journal import Pen
from tests.served import Served

Run = Callable[[str], Any]
WIDTHS = [60, 80, 100]
LIDO, WEAK = "config/quarry-lane.toml", "config/weak-corner.toml"
DRAWN = re.compile(r"[=_>]{4,}|\b[\d.]{10,}(?=\s)|one column is about \S+ s")
"""The supply as a line is drawn to the width; its scale goes with it."""

ALONE = [
    f"check {LIDO}",
    f"check {WEAK}",
    "check config/serial-line.toml",
    f"plan {LIDO} --circuit lap-pool --scene festival",
    f"plan {WEAK} --circuit far-corner --scene quiet",
    "plan config/bench-corner.toml --circuit twins --scene evening",
    f"rehearse {LIDO} --circuit lap-pool --scene quiet --trials 3",
    f"supply {WEAK}",
    f"calendar {LIDO} --on 2026-12-18 --days 4",
    f"calendar {LIDO} --on 2026-07-03 --days 4",
    f"diagnose {LIDO} --circuit lap-pool --sent quiet --saw north=moss middle=moss south=slate",
    f"diagnose {WEAK} --circuit far-corner --sent quiet --saw bench=moss grotto=moss weir=slate",
    f"sense {WEAK} --scene quiet --amps 2.7",
    "bench accept config/lamps/type-a.toml --rig config/rigs/workshop.toml --tours 1",
    "demo --plain",
    *(f"{word} --help" for word in COMMANDS),
    *(f"bench {word} --help" for word in BENCH),
    "--help",
]
SERVED = [f"status {LIDO}", f"status {LIDO} --circuit plunge-pool", f"steady {LIDO} --circuit lap-pool"]


@pytest.fixture(autouse=True)
def config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.copytree(CONFIG, tmp_path / "config")
    monkeypatch.chdir(tmp_path)


def words(text: str) -> set[str]:
    """What stands between spaces; a label of a stacked row has a colon more."""
    return {word.rstrip(":") for word in DRAWN.sub("", text).split()} - {"\\"}


def holds(run: Run, line: str, monkeypatch: pytest.MonkeyPatch, width: int) -> None:
    wide = run(line)
    monkeypatch.setenv("COLUMNS", str(width))
    narrow = run(line)
    assert wide.status == narrow.status
    assert narrow.out
    lines = narrow.out.splitlines()
    assert [each for each in lines if len(each) > width and len(each.split()) > 1] == []
    if not line.startswith("bench accept"):  # the time that it took is its own
        assert words(wide.out) - words(narrow.out) == set()


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("line", ALONE)
def test_nothing_is_over_long_and_no_word_is_broken(
    run: Run, line: str, width: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    holds(run, line, monkeypatch, width)


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("line", SERVED)
def test_of_a_running_daemon(run: Run, line: str, width: int, monkeypatch: pytest.MonkeyPatch) -> None:
    with closing(Served(Path(LIDO))):
        run(line)
        run(line)
        holds(run, line, monkeypatch, width)


@pytest.mark.parametrize("width", WIDTHS)
def test_the_journal(run: Run, width: int, monkeypatch: pytest.MonkeyPatch) -> None:
    pen = Pen()
    pen.write("start", None, playing=False)
    pen.write("wish", "lap-pool", wish="hand", scene="evening")
    pen.write(
        "intent", "lap-pool", scene="evening", pulses=[[0.5, 1.0]], why="a full train every 24 h while lit"
    )
    pen.write("outcome", "lap-pool", scene="evening", cycles=1, spoiled=False, after_cut=False, failed="")
    holds(run, f"journal {LIDO}", monkeypatch, width)


@pytest.mark.parametrize("width", WIDTHS)
def test_what_is_wrong_is_said_within_the_width_too(
    run: Run, width: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    line = f"plan {LIDO} --circuit lap-pol --scene festivl"
    wide = run(line)
    monkeypatch.setenv("COLUMNS", str(width))
    narrow = run(line)
    assert narrow.err.split() == wide.err.split()
    assert all(len(each) <= width for each in narrow.err.splitlines())


def test_json_is_one_line_at_any_width(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    assert json.loads(run(f"check {LIDO} --json").out)["site"] == "Quarry Lane lido"


ESCAPE = re.compile(r"\x1b\[[0-9;]*m")


@pytest.mark.parametrize("width", [60, 80])
@pytest.mark.parametrize(
    "line", [f"supply {WEAK}", f"check {WEAK}", f"plan {LIDO} --circuit lap-pool --scene quiet"]
)
def test_on_a_terminal_with_colours(run: Run, line: str, width: int) -> None:
    """A real terminal: its size counts without COLUMNS, and colours take no columns."""
    shown = ESCAPE.sub("", at_a_terminal(line, width))
    assert [each for each in shown.splitlines() if len(each) > width] == []
    assert words(run(line).out) - words(shown) == set()


def at_a_terminal(line: str, width: int) -> str:
    """What the command prints on a pseudo-terminal so wide."""
    main, terminal = pty.openpty()
    termios.tcsetwinsize(terminal, (24, width))
    env = {name: value for name, value in os.environ.items() if name not in {"COLUMNS", "NO_COLOR"}}
    given = [sys.executable, "-m", "sequencer", *shlex.split(line)]
    env |= {"TERM": "xterm-256color", "PYTHONPATH": str(CONFIG.parent)}
    with subprocess.Popen(given, stdout=terminal, stderr=terminal, stdin=terminal, env=env) as process:
        os.close(terminal)
        parts = []
        try:
            while part := os.read(main, 65536):
                parts.append(part)
        except OSError:  # the other end is closed
            pass
        assert process.wait(60) in {0, 1}
    os.close(main)
    return b"".join(parts).decode()
