"""The loop's ports in virtual time: each call noted with its moment, each made to fail or to take time at will."""

from __future__ import annotations

import heapq
import math
from collections.abc import Mapping
from itertools import count
from pathlib import Path
from typing import Any

from sequencer.clock import VirtualClock
from sequencer.core import events as on
from sequencer.core.actions import PlanTrain
from sequencer.core.state import CircuitState, LampRules, Rules
from sequencer.daemon.loop import Daemon, Ports
from sequencer.daemon.messages import Call, Happened, Message, PlanOver
from sequencer.daemon.planning import PlannedTrain
from sequencer.daemon.records import Recorder
from sequencer.errors import HardwareError
from sequencer.train import Pulse, Train

LAP, PLUNGE = "lap-pool", "plunge-pool"
TRAIN = PlannedTrain(Train((Pulse(0.5, 4.0),), 0.0), (0.25, 0.25))


def rules(circuit: str) -> Rules:
    return Rules(
        circuit,
        (LampRules("north", "remembered", (1, 2)),),
        {"evening": {"north": 1}, "quiet": {"north": 2}},
        ("evening", "quiet"),
        settle_s=4.0,
        power_down_s=10.0,
        cycle_s=0.5,
        has_switch=True,
    )


class Desk:
    """All ports of the loop. ``did``: what was called, and when. ``fails``: calls that fail; ``takes``: seconds."""

    watchdog_period_s: float | None = None

    def __init__(self, folder: Path, *circuits: str, orphan: str = "") -> None:
        self.clock = VirtualClock(1000.0)
        self.did: list[tuple[float, str]] = []
        self.fails: set[str] = set()
        self.takes: dict[str, float] = {}
        self.reads: bool | None = False
        self.trouble = ""
        self.asked: list[tuple[str, PlanTrain]] = []
        self.events: list[tuple[str, on.Event]] = []
        self._mail: list[tuple[float, int, Message]] = []
        self._order = count()
        self._orphan = orphan
        states = {name: CircuitState(rules(name), "evening", at=1000.0) for name in circuits or (LAP,)}
        ports = Ports(
            self.clock.now,
            self.next_message,
            Recorder(self, {name: folder / name for name in states}, lambda _: None),
            trains=self,
            contacts=self,
            indicate=lambda *_: None,
            word=self,
            answer=lambda *_: self._does("answer") or {},
        )
        self.daemon = Daemon(states, {}, ports, {})
        taken = self.daemon.take

        def take(circuit: str, event: on.Event) -> None:
            self.events.append((circuit, event))
            taken(circuit, event)

        self.daemon.take = take  # type: ignore[method-assign]

    # -- what a test does ----------------------------------------------------------------------

    def post(self, at: float, message: Message) -> None:
        heapq.heappush(self._mail, (at, next(self._order), message))

    def tell(self, *events: on.Event, circuit: str = LAP) -> None:
        for event in events:
            self.post(event.at, Happened(circuit, event))

    def ask(self, at: float) -> None:
        """A question through the socket; it changes nothing."""
        self.post(at, Call({}, lambda _: None))

    def go(self, until: float) -> None:
        """Turn as long as there is something to do before ``until`` or at it."""
        while min([self.daemon.deadline(), *(at for at, _, _ in self._mail)]) <= until:
            self.daemon.turn()
        self.clock.sleep_until(until)

    def dark(self) -> None:
        """At 1001 the switch goes off: the contact is held open."""
        self.daemon.start()
        self.tell(on.SwitchOff(1001.0))
        self.go(1001.0)
        self.did.clear()

    def sent(self, *circuits: str) -> None:
        """The planner has answered by 1001, and a train is being sent on the first circuit."""
        self.daemon.start()
        for circuit, question in tuple(self.asked):
            if circuit in circuits:
                self.post(1001.0, PlanOver(circuit, question.question, TRAIN))
        self.go(1001.0)
        self.did.clear()

    def times(self, what: str) -> list[float]:
        return [at for at, did in self.did if did == what]

    # -- the ports -----------------------------------------------------------------------------

    def next_message(self, until: float) -> Message | None:
        if self._mail and self._mail[0][0] <= max(until, self.clock.now()):
            at, _, message = heapq.heappop(self._mail)
            self.clock.sleep_until(at)
            return message
        assert until < math.inf, "it would wait for ever"
        self.clock.sleep_until(until)
        return None

    def _does(self, what: str) -> None:
        self.did.append((self.clock.now(), what))
        self.clock.sleep_until(self.clock.now() + self.takes.get(what.split(" ", maxsplit=1)[0], 0.0))
        if what in self.fails:
            raise HardwareError(f"{what} fails")

    def plan(self, circuit: str, asked: PlanTrain) -> None:
        self.asked.append((circuit, asked))

    def send(self, circuit: str, _train: PlannedTrain) -> None:
        self._does(f"send {circuit}")

    def break_off(self, circuit: str, *, at_once: bool) -> None:
        self._does(f"break off {circuit}{' at once' * at_once}")

    def wait_for_orphan(self, circuit: str) -> bool:
        return circuit == self._orphan

    def rest(self, circuit: str) -> None:
        self._does(f"rest {circuit}")

    def hold_open(self, circuit: str) -> None:
        self._does(f"open {circuit}")

    def let_close(self, circuit: str) -> None:
        self._does(f"let close {circuit}")

    def read(self, circuit: str) -> bool | None:
        self._does(f"read {circuit}")
        return self.reads

    def write(self, kind: str, circuit: str | None, detail: Mapping[str, Any]) -> None:
        self._does(f"write {kind} {detail.get('dark', '')}".strip() + (f" {circuit}" if circuit else ""))

    def catch_up(self) -> None:
        self._does("catch up")

    def status(self, _text: str) -> None:
        """Nobody listens."""

    ready = stopping = status

    def alive(self) -> None:
        """Nobody listens."""

    def close(self) -> None:
        self._does("close")
