"""What the tests of real processes share: pipes to wait on, and a search path with the probe relay."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from sequencer.player import process

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

HERE = Path(__file__).parent
RUNNER = (
    "import sequencer.relay.registry as registry; registry.DRIVERS['probe'] = 'probe'; "
    "from sequencer.player.child import main; raise SystemExit(main())"
)
"""The player, to whom the probe relay is known too."""


@pytest.fixture(autouse=True)
def nobody_waits_for_ever() -> Iterator[None]:
    """A player that died before it opened its pipe leaves a test waiting: let that be a failure."""

    def give_up(_number: int, _frame: object) -> None:
        raise TimeoutError("still waiting for a player")

    before = signal.signal(signal.SIGALRM, give_up)
    signal.alarm(60)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)


@pytest.fixture(autouse=True)
def probe_path(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(HERE))
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(filter(None, sys.path)))
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "mock")


@pytest.fixture
def command() -> list[str]:
    return [sys.executable, "-S", "-P", "-c", RUNNER]


@pytest.fixture
def probing(monkeypatch: pytest.MonkeyPatch, command: list[str]) -> list[str]:
    """Let the players that this process starts know the probe."""
    monkeypatch.setattr(process, "COMMAND", command)
    return command


@pytest.fixture
def make_pipe(tmp_path: Path) -> Callable[[str], Path]:
    """A named pipe: whoever opens one end waits for the other."""

    def make(name: str) -> Path:
        path = tmp_path / name
        os.mkfifo(path)
        return path

    return make


@pytest.fixture
def start() -> Iterator[Callable[..., subprocess.Popen[str]]]:
    """Start a process with pipes to it; one that a failed test leaves behind is killed."""
    started: list[subprocess.Popen[str]] = []

    def run(command: list[str]) -> subprocess.Popen[str]:
        pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
        child = subprocess.Popen(command, text=True, **pipes)
        started.append(child)
        return child

    yield run
    for child in started:
        with child:
            child.kill()
