"""Around every command: help, faults of the program, output that nobody takes, and what a start loads."""

from __future__ import annotations

import importlib
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from sequencer import __version__
from sequencer.cli import check
from sequencer.cli.commands import COMMANDS
from sequencer.cli.start import lean_imports
from sequencer.errors import HardwareError

Run = Callable[[str], Any]
Paths = Callable[[str], str]

ROOT = Path(__file__).parents[2]


def test_version(run: Run) -> None:
    assert run("--version") == (0, f"lampstep {__version__}\n", "")


@pytest.mark.parametrize("line", ["--help", "-h", *(f"{command} --help" for command in COMMANDS)])
def test_help_comes_with_the_exit_statuses(run: Run, line: str) -> None:
    said = run(line)
    assert (said.status, said.err) == (0, "")
    assert "0 yes, 1 the honest answer is no, 2 bad input, 3 hardware failed, 130 broken off" in said.out
    silent = (
        "check",
        "status",
        "tell",
        "touch",
        "calendar",
        "journal",
        "supply",
        "diagnose",
        "sense",
        "judge",
        "demo",
    )
    cautioned = line not in {f"{command} --help" for command in silent}
    assert ("Mains and water kill" in said.out) == cautioned


def test_help_names_every_command(run: Run) -> None:
    out = run("--help").out
    assert all(f"\n  {command} " in out for command in COMMANDS)


@pytest.mark.parametrize(
    ("error", "status", "line"),
    [
        (
            KeyError("x"),
            70,
            "lampstep: a fault of this program, not yours: KeyError: 'x' (--debug shows where)",
        ),
        (HardwareError("relay on pin 17: gone"), 3, "relay on pin 17: gone"),
        (KeyboardInterrupt(), 130, "broken off"),
    ],
)
def test_other_ends(
    run: Run, monkeypatch: pytest.MonkeyPatch, error: BaseException, status: int, line: str
) -> None:
    def fail(_arguments: object) -> None:
        raise error

    monkeypatch.setattr(check, "run", fail)
    assert run("check LIDO") == (status, "", f"{line}\n")
    said = run("check LIDO --json")
    assert (said.status, said.json, said.err) == (status, {"errors": [line]}, "")


def test_debug_shows_where_a_fault_is(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(check, "run", lambda _: 1 / 0)
    said = run("check LIDO --debug")
    assert said.status == 70
    assert said.err.startswith("Traceback (most recent call last):\n")
    assert said.err.endswith("ZeroDivisionError: division by zero (--debug shows where)\n")


def lampstep(line: str, **how: Any) -> subprocess.CompletedProcess[str]:
    """A process of its own, as a shell starts it."""
    command = [sys.executable, "-m", "sequencer", *line.split()]
    return subprocess.run(command, cwd=ROOT, text=True, check=False, timeout=60, **how)


CHECK = "check config/quarry-lane.toml"


def test_a_reader_that_has_read_enough_is_no_fault() -> None:
    reader, writer = os.pipe()
    os.close(reader)
    with os.fdopen(writer, "w") as closed:
        done = lampstep(CHECK, stdout=closed, stderr=subprocess.PIPE)
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full here")
def test_a_full_disk_is_told() -> None:
    with Path("/dev/full").open("w") as full:
        done = lampstep(CHECK, stdout=full, stderr=subprocess.PIPE)
    assert done.returncode == 3
    assert done.stderr == "lampstep: the answer could not be written: No space left on device\n"


def test_neither_output_nor_error_output_is_needed() -> None:
    for line, status in ((CHECK, 0), ("check nothing", 2)):
        shell = f"exec {sys.executable} -m sequencer {line} >&- 2>&-"
        assert (
            subprocess.run(["/bin/sh", "-c", shell], cwd=ROOT, check=False, timeout=60).returncode == status
        )


LOADED = """
import sys
from sequencer.cli.main import main
status = main({words!r})
print(*sorted(sys.modules), file=sys.stderr)
sys.exit(status)
"""
LEFT_OUT = {
    *("asyncio", "coloraide", "difflib", "email", "gpiozero", "importlib.metadata", "lgpio", "rich", "vcd"),
    *("sequencer.demo", "sequencer.doubts", "sequencer.player", "sequencer.relay", "sequencer.sim", "shutil"),
    *("socket", "subprocess", "traceback"),
}


def test_plan_loads_nothing_that_it_does_not_use() -> None:
    words = ["plan", "config/quarry-lane.toml", "--circuit", "lap-pool", "--scene", "evening"]
    program = LOADED.format(words=words)
    done = subprocess.run(
        [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=True
    )
    loaded = set(done.stderr.split())
    assert "sequencer.planner.plan" in loaded
    assert loaded & LEFT_OUT == set()


def test_lean_imports_leave_everything_as_it_was(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(sys.modules, "pydantic")
    monkeypatch.delitem(sys.modules, "importlib.metadata", raising=False)
    monkeypatch.setenv("PYDANTIC_DISABLE_PLUGINS", "logfire")
    with lean_imports():
        assert os.environ["PYDANTIC_DISABLE_PLUGINS"] == "__all__"
        entry_points = importlib.import_module("importlib.metadata").entry_points
    assert os.environ["PYDANTIC_DISABLE_PLUGINS"] == "logfire"
    assert "importlib.metadata" not in sys.modules
    assert isinstance(importlib.import_module("importlib.metadata").version("pydantic"), str)
    assert [entry.name for entry in entry_points(group="console_scripts", name="pytest")] == ["pytest"]
