"""The daemon's one loop: a message in, the core's decision, its actions out, and word to whoever waits for it.

Everything that waits (players, planners, inputs, the calendar, the socket) does so elsewhere and puts what it
has into one queue. Here nothing waits but for that queue, and the watchdog is fed from here alone: a loop that
hangs is restarted.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple, Protocol

from sequencer.core import events as on
from sequencer.core.actions import Action, BreakOff, HoldOpen, LetClose, PlanTrain, SendTrain, Warn
from sequencer.core.reading import Reading, next_deadline, read
from sequencer.core.state import CircuitState
from sequencer.core.status import Indication, Status, indication, status
from sequencer.core.step import step
from sequencer.daemon.contacts import Contacts
from sequencer.daemon.messages import Call, Happened, Level, Message, PlanOver, PlayOver, Sensed, Stop
from sequencer.daemon.planning import PlannedTrain
from sequencer.daemon.records import Recorder, event_entry, wish_entries
from sequencer.daemon.trains import Trains
from sequencer.errors import HardwareError
from sequencer.player.job import PlayResult

LEVELS = frozenset({"input", "supply"})
"""Kinds of entry that say where something stands: not worth writing if it stood there before."""
DISK = "the disk fails: lampstep status says what"
"""In the one line; the whole of it grows with every entry."""
HOME_S = 2.0
"""From one try to the next to bring a contact to its rest."""
Levels = Mapping[tuple[str, str], Reading]


class Word(Protocol):
    """Who waits for word of the daemon; systemd, where there is one."""

    watchdog_period_s: float | None

    def ready(self, status: str) -> None:
        """It has started."""

    def status(self, text: str) -> None:
        """What the lamps show."""

    def alive(self) -> None:
        """The loop turns."""

    def stopping(self, status: str) -> None:
        """It ends."""


class Ports(NamedTuple):
    """All through which the loop reaches the world; ``now`` is the daemon's axis.

    ``next_message`` waits for one until a moment on that axis, ``inf`` for ever, and gives None when it comes.
    """

    now: Callable[[], float]
    next_message: Callable[[float], Message | None]
    recorder: Recorder
    trains: Trains
    contacts: Contacts
    indicate: Callable[[str, Indication], None]
    word: Word
    answer: Callable[[Daemon, Mapping[str, Any]], Mapping[str, Any]]
    """Answers what is asked through the local socket."""
    sense: Callable[[str, str], None] = lambda _circuit, _scene: None
    """Told of each train that held, and its scene; where a meter is fitted, ``Sensed`` follows."""


class Daemon:
    """The circuits of one pad, kept matched until told to stop."""

    def __init__(
        self, states: Mapping[str, CircuitState], readings: Levels, ports: Ports, begun: Mapping[str, int]
    ) -> None:
        """``begun``: circuits with a train that an earlier daemon began and did not see end; relay cycles."""
        self.states = dict(states)
        self._readings = dict(readings)
        self._ports = ports
        self._found: dict[str, PlannedTrain] = {}
        self._begun = begun
        self._astray: set[str] = set()
        """Circuits whose contact is where an earlier owner left it."""
        self._sending: set[str] = set()
        self._next: deque[str] = deque()
        self._shown: dict[str, Indication] = {}
        self._sensed: dict[str, str] = {}
        """What the current said of the last train."""
        self._stop: str | None = None

    def run(self) -> None:
        """Start, and turn until stopped; a train that is being sent then is first sent to its end."""
        self.start()
        while self._stop is None or self._sending:
            self.turn()
        self._ports.recorder.write("stop", None, {"why": self._stop})
        self._ports.word.stopping("stopping")
        self._ports.contacts.close()

    def start(self) -> None:
        """Begin: nothing is known of any lamp."""
        for circuit in self.states:
            playing = self._is_still_sent(circuit)
            if not playing:
                self._leave_astray(circuit)
            self.take(circuit, on.Started(self._ports.now(), playing))
        self._ports.word.ready(self.summary())
        self._ports.word.alive()

    def turn(self) -> None:
        """Wait for one message or deadline, and deal with it."""
        message = self._ports.next_message(self.deadline())
        if message is None:
            self._time_passes()
        else:
            self._deal_with(message)
        self._ports.word.status(self.summary())
        self._ports.word.alive()

    def deadline(self) -> float:
        """Until when the loop may wait: the next moment at which time alone changes something."""
        moments = [state.deadline for state in self.states.values()]
        moments += [due for reading in self._readings.values() if (due := next_deadline(reading)) is not None]
        if self._astray:
            moments.append(self._ports.now() + HOME_S)
        period_s = self._ports.word.watchdog_period_s
        return min([*moments, math.inf if period_s is None else self._ports.now() + period_s])

    def summary(self) -> str:
        """What the lamps show, in one line."""
        said = [f"{each.circuit}: {each.headline}" for each in self.statuses()]
        return "; ".join([*said, *([DISK] if self.trouble else [])])

    @property
    def trouble(self) -> str:
        """What fails on the disk; empty: nothing."""
        return self._ports.recorder.trouble

    def statuses(self) -> list[Status]:
        """What each circuit shows, and why."""
        return [self._with_sensed(self._with_turn(status(state))) for state in self.states.values()]

    def _with_turn(self, told: Status) -> Status:
        if told.circuit not in self._next:
            return told
        return told._replace(headline=f"lit; its train to {told.scene} waits for another circuit's to end")

    def _with_sensed(self, told: Status) -> Status:
        sensed = self._sensed.get(told.circuit)
        return told if sensed is None else told._replace(reasons=(*told.reasons, sensed))

    def take(self, circuit: str, event: on.Event) -> None:
        """An event to the core; then its actions."""
        before = self.states[circuit]
        self.states[circuit], actions = step(before, event)
        after = self.states[circuit]
        if (entry := event_entry(event)) and (
            entry[0] not in LEVELS or after != before._replace(at=after.at)
        ):
            self._ports.recorder.write(entry[0], circuit, entry[1])
        for kind, detail in wish_entries(before, after):
            self._ports.recorder.write(kind, circuit, detail)
        for action in actions:
            self._carry_out(circuit, action)
        self._indicate(circuit)

    def touch(self, circuit: str, line: str, active: bool, at: float) -> None:
        """An input's level, raw."""
        self._heard(circuit, line, active, at)

    def stop(self, why: str) -> None:
        """End after this turn, or after the train that is being sent; told twice, at once."""
        if self._stop is not None:
            self._sending.clear()
        self._stop = why
        if self._sending:
            self._ports.word.stopping(f"the train on {', '.join(self._sending)} is sent to its end")

    # -- what comes in -------------------------------------------------------------------------

    def _deal_with(self, message: Message) -> None:
        match message:
            case Happened(circuit, event):
                self.take(circuit, event)
            case Level(circuit, line, active, at):
                self._heard(circuit, line, active, at)
            case PlanOver():
                self._planned(message)
            case PlayOver(circuit, _):
                self._played(message)
            case Sensed():
                self._read(message)
            case Call(request, reply):
                reply(self._ports.answer(self, request))
            case Stop(why):
                self.stop(why)

    def _time_passes(self) -> None:
        now = self._ports.now()
        self._ports.recorder.catch_up()
        for circuit, line in tuple(self._readings):
            self._heard(circuit, line, None, now)
        for circuit in tuple(self._astray):
            self._bring_home(circuit)
        for circuit, state in tuple(self.states.items()):
            if state.deadline <= now:
                self.take(circuit, on.Tick(now))

    def _heard(self, circuit: str, line: str, active: bool | None, at: float) -> None:
        key = (circuit, line)
        self._readings[key], events = read(self._readings[key], active, at)
        for event in events:
            self.take(circuit, event)

    def _planned(self, over: PlanOver) -> None:
        now, circuit, question, found = self._ports.now(), over.circuit, over.question, over.found
        if isinstance(found, PlannedTrain):
            if question == self.states[circuit].number:  # an older one comes too late
                self._found[circuit] = found
            train = found.train
            length_s = train.lead_in_s + train.total_s
            self.take(circuit, on.Planned(now, question, train.relay_cycles, length_s, train.dark_s))
        elif over.fault:
            self.take(circuit, on.PlanFailed(now, question, found))
        else:
            self.take(circuit, on.Refused(now, question, found))

    def _played(self, over: PlayOver) -> None:
        circuit = over.circuit
        if not isinstance(over.result, PlayResult) or over.result.log.outcome == "failed":
            self._leave_astray(circuit)
        ended = self._ports.recorder.train_ended(over, self.states[circuit].asked, self._ports.now())
        self._sending.discard(circuit)
        asked = self.states[circuit].asked
        self.take(circuit, ended)
        if ended.outcome == "held" and asked is not None:
            self._ports.sense(circuit, asked.scene)
        self._send_next()

    def _read(self, sensed: Sensed) -> None:
        """What a meter says is told and written down; it may contradict, and makes nothing certain."""
        circuit = sensed.circuit
        if circuit in self._sending or self.states[circuit].wanted != sensed.scene:
            return  # the lamps have been told otherwise since
        self._sensed[circuit] = sensed.said
        self._ports.recorder.write("note", circuit, {"text": sensed.said})

    def _is_still_sent(self, circuit: str) -> bool:
        """Whether a train that an earlier daemon began is still being sent; if it has ended, that is noted."""
        begun = self._begun.get(circuit, 0)
        if self._ports.trains.wait_for_orphan(circuit):
            self._sending.add(circuit)
            self._ports.recorder.orphan(circuit, begun)
            return True
        if cycles := self._ports.recorder.leftover(circuit, begun):
            state = self.states[circuit]
            self.states[circuit] = state._replace(cycles=(*state.cycles, (state.at, cycles)))
        return False

    # -- what goes out -------------------------------------------------------------------------

    def _carry_out(self, circuit: str, action: Action) -> None:
        ports = self._ports
        match action:
            case PlanTrain():
                ports.trains.plan(circuit, action)
            case SendTrain():
                self._next.append(circuit)
                self._send_next()
            case BreakOff(at_once):
                self._break_off(circuit, at_once=at_once)
            case HoldOpen() | LetClose():
                self._move(circuit, action)
            case Warn(text):
                ports.recorder.warn(circuit, text)

    def _move(self, circuit: str, action: HoldOpen | LetClose) -> None:
        contacts, opening = self._ports.contacts, isinstance(action, HoldOpen)
        self._astray.discard(circuit)
        self._ports.recorder.held(circuit, int(opening))  # first: an opening must not go uncounted
        try:
            if opening:
                contacts.hold_open(circuit)
            else:
                contacts.let_close(circuit)
        except HardwareError as error:
            self._astray.add(circuit)
            self.take(circuit, on.HoldFailed(self._ports.now(), str(error)))

    def _leave_astray(self, circuit: str) -> None:
        """Nobody knows where the contact stands."""
        self._astray.add(circuit)
        self._bring_home(circuit)

    def _bring_home(self, circuit: str) -> None:
        """A coil that a dead player left energised is a dark pool; tried again as long as it fails."""
        try:
            self._ports.contacts.rest(circuit)
        except HardwareError as error:
            self._ports.recorder.warn_once(circuit, str(error))
        else:
            self._astray.discard(circuit)

    def _send_next(self) -> None:
        """One train at a time on a pad. What befell the others while they waited may forbid theirs."""
        while self._next and not self._sending and self._stop is None:
            circuit = self._next.popleft()
            state = self.states[circuit]
            if state.held or not state.due or not state.serves:
                self.take(circuit, on.TrainEnded(self._ports.now(), "broken off", 0))
            else:
                self._begin(circuit)

    def _begin(self, circuit: str) -> None:
        self._sending.add(circuit)
        self._sensed.pop(circuit, None)
        self._astray.discard(circuit)
        found, asked = self._found[circuit], self.states[circuit].asked
        self._ports.recorder.intent(circuit, asked, found)
        self._ports.trains.send(circuit, found)

    def _break_off(self, circuit: str, *, at_once: bool) -> None:
        if circuit in self._next:
            self._next.remove(circuit)
            self.take(circuit, on.TrainEnded(self._ports.now(), "broken off", 0))
        else:
            self._ports.trains.break_off(circuit, at_once=at_once)

    def _indicate(self, circuit: str) -> None:
        now = indication(self.states[circuit])
        if self._shown.get(circuit) != now:
            self._shown[circuit] = now
            self._ports.indicate(circuit, now)
