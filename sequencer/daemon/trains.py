"""Trains planned and sent in threads that only wait: for a planner's process, for a player's.

One train at a time on a pad, so that never more than one circuit is dark for a train's sake.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import NamedTuple, Protocol

from sequencer.core.actions import PlanTrain
from sequencer.daemon.contacts import Turns
from sequencer.daemon.messages import Message, PlanOver, PlayOver
from sequencer.daemon.planning import PlannedTrain, plan_apart
from sequencer.errors import LampstepError
from sequencer.player.kept import is_playing, wait_until_played
from sequencer.player.process import play
from sequencer.player.realtime import WHEN_LIT
from sequencer.relay.registry import open_relay
from sequencer.train import Delays, Limits


class Trains(Protocol):
    """Who plans and sends trains; the answers come as messages."""

    def plan(self, circuit: str, asked: PlanTrain) -> None:
        """Put a question to the planner; ``PlanOver`` follows."""

    def send(self, circuit: str, train: PlannedTrain) -> None:
        """Have a player send a train; ``PlayOver`` follows."""

    def break_off(self, circuit: str, *, at_once: bool) -> None:
        """Tell a circuit's player to end; nothing happens when there is none."""

    def wait_for_orphan(self, circuit: str) -> bool:
        """Whether a player of an earlier daemon still sends; if so, ``PlayOver`` follows when it has ended."""


class Wiring(NamedTuple):
    """What it takes to send on one circuit: the relay's table, its own delays, the file for the log, the limits."""

    relay: Mapping[str, object]
    own_delays: Delays
    keep: Path
    limits: Limits = Limits()


class Line(NamedTuple):
    """A relay as it is reached now: its table, and its delays with what the way to it takes."""

    relay: Mapping[str, object]
    delays: Delays


class ProcessTrains:
    """Planner and players as processes of their own."""

    def __init__(
        self,
        site: Path,
        wiring: Mapping[str, Wiring],
        post: Callable[[Message], None],
        turns: Turns | None = None,
    ) -> None:
        self._site = site
        self._wiring = wiring
        self._post = post
        self._turns = Turns() if turns is None else turns
        self._lines: dict[str, Line] = {}
        """Measured since the last failure: another adapter may have come meanwhile."""
        self._signal: dict[str, Callable[[int], None]] = {}
        self._end: dict[str, int] = {}
        self._planner: dict[str, tuple[int, Callable[[], None]]] = {}
        """The newest question of each circuit, and what ends its planner."""
        self._lock = threading.Lock()

    def plan(self, circuit: str, asked: PlanTrain) -> None:
        """See :class:`Trains`."""

        def work() -> None:
            try:
                delays = self._measured(circuit).delays
                found = plan_apart(
                    self._site,
                    circuit,
                    asked,
                    delays,
                    lambda end: self._has_planner(circuit, asked.question, end),
                )
                over = PlanOver(circuit, asked.question, found)
            except Exception as error:  # without an answer the circuit would wait for ever
                over = PlanOver(circuit, asked.question, _said(error), fault=True)
            self._post(over)

        try:
            _thread(work, f"plan {circuit}")
        except RuntimeError as error:  # no thread is to be had now
            self._post(PlanOver(circuit, asked.question, _said(error), fault=True))

    def _has_planner(self, circuit: str, question: int, end: Callable[[], None]) -> None:
        """Of several flicks in a row only the last is worth a search: an older one's is ended."""
        with self._lock:
            newest, older = self._planner.get(circuit, (0, _nothing))
            if question < newest:
                older = end
            else:
                self._planner[circuit] = (question, end)
        older()

    def _measured(self, circuit: str) -> Line:
        """How the relay is reached, in a turn of its own where it has yet to be measured."""
        if circuit in self._lines:
            return self._lines[circuit]
        with self._turns.turn(circuit):
            return self._line(circuit)

    def _line(self, circuit: str) -> Line:
        """How the relay is reached; a line to it is measured by opening it, which leaves it at rest."""
        if circuit not in self._lines:
            relay, delays = self._wiring[circuit][:2]
            if relay["driver"] == "modbus":
                with open_relay(relay) as opened:
                    relay = {**relay, "line_delay_s": opened.line_delay_s}
                    delays = delays.after(opened.line_delay_s)
            self._lines[circuit] = Line(relay, delays)
        return self._lines[circuit]

    def send(self, circuit: str, train: PlannedTrain) -> None:
        """See :class:`Trains`."""
        with self._lock:
            self._end.pop(circuit, None)  # meant for a train that ended before it was told
        try:
            _thread(lambda: self._post(self._sent(circuit, train)), f"send {circuit}")
        except RuntimeError as error:  # as above
            self._post(PlayOver(circuit, _said(error)))

    def _sent(self, circuit: str, planned: PlannedTrain) -> PlayOver:
        try:
            with self._turns.turn(circuit):
                line = self._line(circuit)
                result = play(
                    planned.train,
                    line.delays,
                    line.relay,
                    planned.tolerance_s,
                    limits=self._wiring[circuit].limits,
                    keep=self._wiring[circuit].keep,
                    on_child=lambda send: self._has_child(circuit, send),
                )
        except Exception as error:  # without an end the pad would wait for ever
            self._lines.pop(circuit, None)
            return PlayOver(circuit, _said(error))
        finally:
            with self._lock:
                self._signal.pop(circuit, None)
                self._end.pop(circuit, None)
        if result.log.outcome == "failed":
            self._lines.pop(circuit, None)
        return PlayOver(circuit, result)

    def _has_child(self, circuit: str, send: Callable[[int], None]) -> None:
        with self._lock:
            self._signal[circuit] = send
            number = self._end.pop(circuit, None)
        if number is not None:
            send(number)

    def break_off(self, circuit: str, *, at_once: bool) -> None:
        """See :class:`Trains`. A player that is only being started is told when it is there."""
        number = signal.SIGTERM if at_once else WHEN_LIT
        with self._lock:
            send = self._signal.get(circuit)
            if send is None:
                self._end[circuit] = number
        if send is not None:
            send(number)

    def wait_for_orphan(self, circuit: str) -> bool:
        """See :class:`Trains`."""
        keep = self._wiring[circuit].keep
        if not is_playing(keep):
            return False

        def wait() -> None:
            wait_until_played(keep)
            self._post(PlayOver(circuit, None))

        _thread(wait, f"wait {circuit}")
        return True


def _said(error: Exception) -> str:
    return str(error) if isinstance(error, LampstepError) else f"{type(error).__name__}: {error}"


def _thread(work: Callable[[], None], name: str) -> None:
    threading.Thread(target=work, name=name, daemon=True).start()


def _nothing() -> None:
    """There is no planner to end."""
