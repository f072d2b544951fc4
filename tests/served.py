"""A daemon for the pages and the commands that speak with one: without processes, pins or waiting.

Loop, core, readings, answers and local socket are the real ones. The planner is asked here; a train is taken for
sent, every edge in time, as soon as it is found; time is virtual and goes on by a second with every question.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from threading import Lock
from typing import Any

from sequencer.clock import VirtualClock
from sequencer.core.actions import PlanTrain
from sequencer.core.carried import Carried
from sequencer.core.reading import Kind, unread
from sequencer.daemon.calls import Calls
from sequencer.daemon.loop import Daemon, Ports
from sequencer.daemon.messages import Call, Level, Message, PlanOver, PlayOver
from sequencer.daemon.orders import rules_for, standing_of
from sequencer.daemon.planning import PlannedTrain, answer
from sequencer.daemon.records import Recorder
from sequencer.daemon.serve import first_state
from sequencer.daemon.wire import Socket
from sequencer.inputs.registry import open_inputs
from sequencer.inputs.simulated import SimulatedLine
from sequencer.journal.folder import socket_path
from sequencer.player.job import PlayResult
from sequencer.player.kept import path_for
from sequencer.sitefile import load_site
from sequencer.train import EdgeLog, Pulse, Stamp, Train

SECOND = 1.0


class Served:
    """Serves a site, whose inputs are all simulated, through its local socket, until closed."""

    watchdog_period_s: float | None = None
    trouble = ""

    def __init__(self, site: Path) -> None:
        self.site, self.pad = site, load_site(site, standing=True)
        self.clock = VirtualClock(1000.0)
        self.journal: list[tuple[str, str | None, Mapping[str, Any]]] = []
        self._mail: deque[Message] = deque()
        self._turning = Lock()
        orders = standing_of(self.pad)
        names = [circuit.name for circuit in self.pad.circuits]
        self._lines: dict[tuple[str, str], Any] = {}
        readings = {}
        for circuit, inputs in orders.inputs.items():
            opened = open_inputs(circuit, inputs, partial(self._level, circuit), now=self.clock.now)
            for name, line in opened.items():
                kind: Kind = name  # type: ignore[assignment]
                self._lines[circuit, name], readings[circuit, name] = line, unread(kind, orders.serve)
        keeps = {name: path_for(self.pad.site.name, name) for name in names}
        ports = Ports(
            now=self.clock.now,
            next_message=lambda _: self._mail.popleft() if self._mail else None,
            recorder=Recorder(self, keeps, lambda _: None),
            trains=self,
            contacts=self,
            indicate=lambda *_: None,
            word=self,
            answer=Calls(self.clock.now, self._touch),
        )
        rules = {circuit.name: rules_for(self.pad, circuit) for circuit in self.pad.circuits}
        states = {name: first_state(each, Carried(), self.clock.now()) for name, each in rules.items()}
        self.daemon = Daemon(states, readings, ports, {})
        for (circuit, name), line in self._lines.items():
            self._level(circuit, name, line.read(), self.clock.now())
        socket_path(self.pad.site.name).parent.mkdir(parents=True, exist_ok=True)
        self.daemon.start()
        self._turn()
        self.wait(10 * SECOND)  # every lamp settles and warms up
        self._socket = Socket(socket_path(self.pad.site.name), self._asked)

    def close(self) -> None:
        """Listen no more."""
        self._socket.close()

    def _asked(self, message: Message) -> None:
        """In the socket's thread: the answer, and then all that follows from it."""
        assert isinstance(message, Call)
        with self._turning:
            self._mail.append(message._replace(at=None))  # the socket goes by the machine's clock
            self._turn()

    def _turn(self) -> None:
        """All that is to come by itself, and a second that passes."""
        while self._mail:
            self.daemon.turn()
        self.wait(SECOND)

    def wait(self, seconds: float) -> None:
        """Time passes, each deadline at its own moment."""
        until = self.clock.now() + seconds
        while self.clock.now() < until or self._mail:
            if not self._mail:
                self.clock.sleep_until(min(self.daemon.deadline(), until))
            self.daemon.turn()

    def _level(self, circuit: str, line: str, active: bool, at: float) -> None:
        self._mail.append(Level(circuit, line, active, at))

    def _touch(self, circuit: str, name: str, active: bool) -> None:
        line = self._lines[circuit, name]
        assert isinstance(line, SimulatedLine)
        line.move(active)

    # -- the daemon's ports --------------------------------------------------------------------

    def plan(self, circuit: str, asked: PlanTrain) -> None:
        delays = self.pad.circuit(circuit).relay.delays
        question = {
            "site": str(self.site),
            "circuit": circuit,
            "scene": asked.scene,
            "start": asked.start,
            "known": asked.known,
            "codes": asked.codes,
            "delays": list(delays),
        }
        said: Any = answer(question)
        found: PlannedTrain | str = str(said.get("refused", said.get("error")))
        if "pulses" in said:
            train = Train(tuple(Pulse(*pulse) for pulse in said["pulses"]), said["lead_in_s"])
            found = PlannedTrain(train, tuple(said["tolerance_s"]))
        self._mail.append(PlanOver(circuit, asked.question, found))

    def send(self, circuit: str, train: PlannedTrain) -> None:
        zero, all_s = self.clock.now(), train.train.lead_in_s + train.train.total_s
        self.clock.sleep_until(zero + all_s)
        stamps = tuple(Stamp(at, at, at, closed, at) for at, closed in train.train.edges())
        log = EdgeLog(stamps, "finished", rested_s=all_s)
        self._mail.append(PlayOver(circuit, PlayResult(log, zero, 0.0)))

    def break_off(self, circuit: str, *, at_once: bool) -> None:
        raise AssertionError(f"{circuit}: nothing is being sent ({at_once})")

    def wait_for_orphan(self, _circuit: str) -> bool:
        return False

    def rest(self, circuit: str) -> None:
        """Nothing hangs on it."""

    def hold_open(self, circuit: str) -> None:
        """Nothing hangs on it."""

    def let_close(self, circuit: str) -> None:
        """Nothing hangs on it."""

    def read(self, _circuit: str) -> bool | None:
        """It cannot be read."""
        return None

    def write(self, kind: str, circuit: str | None, detail: Mapping[str, Any]) -> None:
        self.journal.append((kind, circuit, detail))

    def catch_up(self) -> None:
        """Nothing is kept back."""

    def ready(self, status: str) -> None:
        """Nobody waits."""

    def status(self, text: str) -> None:
        """Nobody waits."""

    def alive(self) -> None:
        """Nobody waits."""

    def stopping(self, status: str) -> None:
        """Nobody waits."""
