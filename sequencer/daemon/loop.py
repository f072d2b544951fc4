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
from sequencer.daemon.records import ContactEvent, Recorder, contact_events, event_entry, wish_entries
from sequencer.daemon.trains import Trains
from sequencer.errors import LampstepError

LEVELS = frozenset({"input", "supply"})
"""Kinds of entry that say where something stands: not worth writing if it stood there before."""
RETRY_S = 2.0
"""Retry interval: to bring a contact to its rest, and to write what the journal kept back."""
READ_BACK_S = 10.0
"""From one read-back to the next of a contact that is held open."""
DISK = "the disk fails: lampstep status says what"
"""In the one line; the whole of it grows with every entry."""
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
        self._check_at: dict[str, float] = {}
        """When each contact is next brought to rest, or read back."""
        self._catch_up_at = -math.inf
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
            found = None if playing else self._bring_home(circuit)
            self.take(circuit, on.Started(self._ports.now(), playing))
            if found is not None:
                self.take(circuit, found)
        self._ports.word.ready(self.summary())
        self._ports.word.alive()

    def turn(self) -> None:
        """Wait for one message or deadline, and deal with it."""
        message = self._ports.next_message(self.deadline())
        if message is not None:
            self._deal_with(message)
        if message is None or self.deadline() <= self._ports.now():  # however many messages come
            self._time_passes()
        self._ports.word.status(self.summary())
        self._ports.word.alive()

    def deadline(self) -> float:
        """Until when the loop may wait: the next moment at which time alone changes something."""
        moments = [state.deadline for state in self.states.values()]
        moments += [due for reading in self._readings.values() if (due := next_deadline(reading)) is not None]
        moments += [
            self._check_at.get(circuit, -math.inf) for circuit in self.states if self._to_check(circuit)
        ]
        if self.trouble:
            moments.append(self._catch_up_at)
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
            case Call(request, reply, at):
                reply(self._ports.answer(self, {**request, "at": self._ports.now() if at is None else at}))
            case Stop(why):
                self.stop(why)

    def _time_passes(self) -> None:
        now = self._ports.now()
        if self.trouble and self._catch_up_at <= now:
            self._catch_up_at = now + RETRY_S
            self._ports.recorder.catch_up()
        for circuit, line in tuple(self._readings):
            self._heard(circuit, line, None, now)
        for circuit in self.states:
            if self._to_check(circuit) and self._check_at.get(circuit, -math.inf) <= now:
                self._check(circuit)
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
        """The contact first: what it did, or that nobody knows and it must be brought to rest."""
        circuit, asked = over.circuit, self.states[over.circuit].asked
        ended = self._ports.recorder.train_ended(over, asked, self._ports.now())
        for event in contact_events(over.result, ended.cycles, ended.at):
            self.take(circuit, event)
        if self.states[circuit].contact.stands == "unknown" and (found := self._bring_home(circuit)):
            self.take(circuit, found)
        self._sending.discard(circuit)
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
        """What the contact did is known only within bounds: from before the command until it has been given."""
        contacts, opening = self._ports.contacts, isinstance(action, HoldOpen)
        if not opening:
            self._read_back(circuit)
        self._ports.recorder.held(circuit, int(opening))  # first: an opening must not go uncounted
        before = self._ports.now()
        event: ContactEvent
        try:
            if opening:
                contacts.hold_open(circuit)
                event = on.ContactOpened(self._ports.now(), before, self._ports.now())
            else:
                contacts.let_close(circuit)
                event = on.ContactClosed(self._ports.now(), before, self._ports.now())
        except (LampstepError, OSError) as error:
            event = on.ContactUnknown(self._ports.now(), str(error), int(opening))
        self.take(circuit, event)
        self._check_at[circuit] = self._ports.now() + self._check_every_s(circuit)  # by what came of it
        if not isinstance(event, on.ContactUnknown):
            self._has_contact(circuit)

    def _has_contact(self, circuit: str) -> None:
        """The daemon could command the contact, so no player has it, not even one that never answered."""
        if circuit in self._sending:
            self._sending.discard(circuit)
            self._send_next()

    def _to_check(self, circuit: str) -> bool:
        """Whether the contact is to be brought to rest, or is held open by the daemon and to be read back."""
        state = self.states[circuit]
        return not state.with_player and (state.contact.stands == "unknown" or state.phase == "dark")

    def _check(self, circuit: str) -> None:
        if self.states[circuit].phase == "dark":
            now = self._ports.now()
            self._read_back(circuit)
            self._check_at[circuit] = now + self._check_every_s(circuit)  # what closed by itself: soon
        elif (found := self._bring_home(circuit)) is not None:
            self.take(circuit, found)
            self._has_contact(circuit)

    def _check_every_s(self, circuit: str) -> float:
        return READ_BACK_S if self.states[circuit].phase == "dark" else RETRY_S

    def _bring_home(self, circuit: str) -> on.ContactClosed | None:
        """A coil that a dead player left energised is a dark pool; tried again as long as it fails."""
        before = self._ports.now()
        self._check_at[circuit] = before + RETRY_S
        try:
            self._ports.contacts.rest(circuit)
        except (LampstepError, OSError) as error:
            self._ports.recorder.warn_once(circuit, str(error))
            return None
        return on.ContactClosed(self._ports.now(), before, self._ports.now())

    def _read_back(self, circuit: str) -> None:
        """A relay board that lost its own supply has let the contact close."""
        try:
            closed = self._ports.contacts.read(circuit)
        except (LampstepError, OSError) as error:
            self._ports.recorder.warn_once(circuit, str(error))
            event = on.ContactRead(self._ports.now(), None, str(error))
        else:
            if closed is None:  # a board that cannot be read
                return
            why = "the contact closed by itself while it was held open: did the relay lose its supply?"
            event = on.ContactRead(self._ports.now(), closed, why if closed else "")
        self.take(circuit, event)

    def _send_next(self) -> None:
        """One train at a time on a pad. What befell the others while they waited may forbid theirs."""
        while self._next and not self._sending and self._stop is None:
            circuit = self._next.popleft()
            state = self.states[circuit]
            if state.held or not state.due or not state.serves:
                self.take(circuit, on.TrainEnded(self._ports.now(), "not begun", 0))
            else:
                self._begin(circuit)

    def _begin(self, circuit: str) -> None:
        self._sending.add(circuit)
        self._sensed.pop(circuit, None)
        found, asked = self._found[circuit], self.states[circuit].asked
        self._ports.recorder.intent(circuit, asked, found)
        self.take(circuit, on.TrainBegins(self._ports.now()))
        self._ports.trains.send(circuit, found)

    def _break_off(self, circuit: str, *, at_once: bool) -> None:
        if circuit in self._next:
            self._next.remove(circuit)
            self.take(circuit, on.TrainEnded(self._ports.now(), "not begun", 0))
        else:
            self._ports.trains.break_off(circuit, at_once=at_once)

    def _indicate(self, circuit: str) -> None:
        now = indication(self.states[circuit])
        if self._shown.get(circuit) != now:
            self._shown[circuit] = now
            self._ports.indicate(circuit, now)
