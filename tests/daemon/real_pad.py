"""A served pad of real processes: a daemon, its line and its board, and all that was seen of them.

The relay is a coil of a board by Debian's libmodbus, a process of its own at the other end of a pair of
pseudo-terminals. It notes when the coil changes, and nothing stops it. A thread asks the daemon for its status all
the time, and keeps each answer with the moments between which it was given.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Any, NamedTuple, Self

from sequencer.daemon.orders import rules_for
from sequencer.daemon.wire import ask_daemon
from sequencer.errors import HardwareError
from sequencer.sitefile import load_site
from tests.daemon.real import CIRCUIT, LOOK_S, ROOT, Daemon, is_there, wait_for
from tests.daemon.real_fleets import write_fleet
from tests.daemon.slow_disk import SlowDisk
from tests.relay.peers import Wire

UNIT, COIL = 7, 3
ASK_S = 0.03
"""From one answer of the daemon to the next question."""


class Edge(NamedTuple):
    """The coil changed between two moments; on is energised, and the lamps dark."""

    first: float
    last: float
    on: bool


class Sample(NamedTuple):
    """What the daemon said of the circuit, some time between two moments."""

    asked_at: float
    answered_at: float
    said: dict[str, Any]


class Pad:
    """One pad, drawn from a seed. ``code``: the folder of the program that is served; none: this one."""

    def __init__(self, folder: Path, seed: int, code: Path | None = None) -> None:
        self.rng = Random(seed)
        folder.mkdir(parents=True)
        self.wire = Wire(folder)
        relay = f'driver = "modbus"\nport = "{self.wire.ours}"\nbaud = 9600\nparity = "none"\n'
        self.site = write_fleet(folder, f"{relay}unit = {UNIT}\ncoil = {COIL}", self.rng)
        pad = load_site(self.site, standing=True)
        rules = rules_for(pad, pad.circuit(CIRCUIT))
        self.power_down_s, self.wanted = rules.power_down_s, rules.wanted
        self.disk = SlowDisk(folder)
        environ = {**self.disk.environ, **({} if code is None else {"PYTHONPATH": str(code)})}
        self.daemon = Daemon(self.site, folder / "state", environ)
        self.samples: list[Sample] = []
        self.trouble: list[str] = []
        """What went wrong beyond a claim of a status."""
        self._told = folder / "edges"
        self._ended = threading.Event()
        self._asking = threading.Thread(target=self._ask_on)
        words = (str(self.wire.theirs), str(UNIT), str(COIL))
        with self._told.open("wb") as out:
            self._board = subprocess.Popen(
                [sys.executable, "-m", "tests.relay.peers", *words],
                stdin=subprocess.PIPE,
                stdout=out,
                cwd=ROOT,
            )
        wait_for("the board", lambda: self._told.read_text().startswith("ready\n"))
        self._asking.start()

    def __enter__(self) -> Self:
        self.daemon.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Nothing is left behind."""
        self.look_no_more()
        self.daemon.__exit__()
        assert self._board.stdin is not None
        self._board.stdin.close()
        self._board.wait()
        self.wire.pull_out()

    # -- what is seen --------------------------------------------------------------------------

    def edges(self) -> list[Edge]:
        """All of the coil's so far."""
        *lines, _ = self._told.read_text().split("\n")[1:]
        return [Edge(float(first), float(last), on == "1") for first, last, on in map(str.split, lines)]

    def energised(self) -> bool:
        """Whether the coil is on now, and the lamps dark."""
        return any(edge.on for edge in self.edges()[-1:])

    def look_no_more(self) -> None:
        """Ask for no more status."""
        self._ended.set()
        self._asking.join()

    def _ask_on(self) -> None:
        while not self._ended.wait(ASK_S):
            asked_at = time.monotonic()
            try:
                answer = ask_daemon(self.daemon.socket, {"do": "status"})
            except (HardwareError, OSError, TypeError):  # nobody is there, or it was killed while it answered
                continue
            if answer is not None and "circuits" in answer:
                self.samples.append(Sample(asked_at, time.monotonic(), dict(answer["circuits"][0])))

    def said_since(self, since: float) -> dict[str, Any]:
        """The newest status, if it was asked for after a moment; else nothing."""
        return self.samples[-1].said if self.samples and self.samples[-1].asked_at > since else {}

    def matches(self, since: float, bound_s: float) -> bool:
        """Whether, within a bound, the daemon says that all lamps match, asked after a moment."""
        deadline = time.monotonic() + bound_s
        while time.monotonic() < deadline:
            said = self.said_since(since)
            if said and said["matched"] and said["phase"] == "lit":
                return True
            time.sleep(LOOK_S)
        return False

    # -- what is done --------------------------------------------------------------------------

    def ask(self, **request: Any) -> None:
        """Put a question to the daemon, again while it does not answer."""
        wait_for(f"an answer to {request}", lambda: self._answer(request) is not None)

    def _answer(self, request: dict[str, Any]) -> dict[str, Any] | None:
        try:
            return ask_daemon(self.daemon.socket, {**request, "circuit": CIRCUIT})
        except HardwareError:
            return None

    def switch(self, on: bool) -> None:
        """The owner's switch."""
        self.ask(do="touch", line="switch", active=on)

    def meanwhile(self, what: Callable[[], None]) -> threading.Thread:
        """Do it in a thread of its own."""
        thread = threading.Thread(target=what)
        thread.start()
        return thread

    def train(self) -> int:
        """Begin another train; its player."""
        self.ask(do="take back")
        since = time.monotonic()
        wanted = wait_for("a status", lambda: self.said_since(since))["scene"]
        self.ask(do="ask", scene="quiet" if wanted == "evening" else "evening")
        return self.daemon.sending()

    def moment(self, player: int, in_break: float = 0.5) -> None:
        """Wait for a drawn moment of the train of this player; by chance ``in_break`` one in its first break."""
        begun, length_s = time.monotonic(), self._length_s()
        until = begun + self.rng.uniform(0, length_s)
        dark = self.rng.random() < in_break
        while is_there(player) and time.monotonic() < begun + length_s:
            if self.energised() if dark else time.monotonic() >= until:
                break
            time.sleep(0.002)
        if dark:
            self.pause(0, 0.2)

    def _length_s(self) -> float:
        train = self.daemon.entries("intent")[-1]
        return float(train["lead_in_s"] + sum(map(sum, train["pulses"])))

    def dark(self) -> None:
        """Wait until the coil is energised."""
        wait_for("the contact to open", self.energised)

    def pause(self, least_s: float, most_s: float) -> None:
        """A drawn time."""
        time.sleep(self.rng.uniform(least_s, most_s))

    def signal(self, number: int, pid: int | None = None) -> None:
        """To the daemon, or to a player that may have ended."""
        assert self.daemon.process is not None
        if pid is None:
            os.kill(self.daemon.process.pid, number)
        elif is_there(pid):
            os.kill(pid, number)
