"""A pad's daemon put together from its site file: the one place that makes threads, files and drivers.

What it makes, it closes again in the reverse order, whatever happens. Everything that tells it something does so
by putting a message into one queue.
"""

from __future__ import annotations

import faulthandler
import logging
import math
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from functools import partial
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from sequencer.core import events as on
from sequencer.core.carried import Carried
from sequencer.core.reading import Kind, Reading, unread
from sequencer.core.state import CircuitState, Rules, Wish
from sequencer.core.status import Indication
from sequencer.daemon.calls import Calls
from sequencer.daemon.contacts import RelayContacts, Turns
from sequencer.daemon.lean import without_unused
from sequencer.daemon.loop import Daemon, Ports
from sequencer.daemon.messages import Happened, Level, Message, Stop
from sequencer.daemon.notify import Notifier
from sequencer.daemon.orders import rules_for, standing_of
from sequencer.daemon.records import Recorder
from sequencer.daemon.sensing import Sensing
from sequencer.daemon.timetable import SchedulerTimetable, Timetable
from sequencer.daemon.trains import ProcessTrains, Wiring
from sequencer.daemon.wallclock import WallClock
from sequencer.daemon.wire import Listening, listener
from sequencer.errors import HardwareError, InputError
from sequencer.inputs.registry import open_indicator, open_inputs
from sequencer.inputs.simulated import SimulatedLine
from sequencer.journal.folder import journal_path, site_folder, socket_path
from sequencer.journal.journal import Journal, open_journal
from sequencer.player import alone
from sequencer.player.kept import path_for
from sequencer.player.signals import STOPPING, name_of
from sequencer.sitefile import Pad
from sequencer.sitefile.serve import Outputs

if TYPE_CHECKING:
    from sequencer.almanac import Due
    from sequencer.inputs.protocol import InputLine

THREAD_STACK = 256 * 1024
"""Bytes for each thread; they wait, and the usual 8 MB would be dear were memory ever locked."""
LOOK_S = 30.0
"""The clocks are looked at, and the input lines asked, at least this often."""
CALENDAR_S = 10.0
"""So long after the start the scheduler is imported: the first train needs what is due now, and no more."""
LOG = logging.getLogger("lampstep")


def serve(pad: Pad, notifier: Notifier | None = None) -> None:
    """Keep the lamps of a pad matched until a signal ends it: SIGTERM, SIGINT or any other that can be caught.

    :param pad: loaded with its standing orders.
    :raises InputError: the site cannot be served.
    :raises HardwareError: another daemon serves it, or a pin or line cannot be had.
    """
    threading.stack_size(THREAD_STACK)
    rules = {circuit.name: rules_for(pad, circuit) for circuit in pad.circuits}
    with ExitStack() as open_until_end:
        open_until_end.enter_context(without_unused())
        _Pad(pad, rules, notifier or Notifier(LOG.info), open_until_end).daemon().run()


class _Pad:
    """The parts of one daemon while they are put together."""

    def __init__(self, pad: Pad, rules: Mapping[str, Rules], word: Notifier, opened: ExitStack) -> None:
        self.pad, self.rules, self.word, self.opened = pad, rules, word, opened
        self.standing = standing_of(pad)
        self.queue: SimpleQueue[Message] = SimpleQueue()
        self.clock = WallClock(self.standing.serve.trust_clock_after_s)
        self.timetable: Timetable | None = None
        self.lines: dict[tuple[str, str], InputLine] = {}
        self.calendar_at = time.monotonic() + CALENDAR_S
        self.trusted = False
        self.listening: Listening | None = None
        opened.callback(word.close)
        opened.enter_context(_ending(self.queue.put))

    def daemon(self) -> Daemon:
        """Everything open, nothing yet begun."""
        self._alone()
        journal = self._journal()
        keeps = {circuit.name: path_for(self.pad.site.name, circuit.name) for circuit in self.pad.circuits}
        recorder = Recorder(journal, keeps, LOG.warning)
        wiring = {
            each.name: Wiring(
                each.relay.model_dump(), each.relay.own_delays, keeps[each.name], self.pad.timing.limits
            )
            for each in self.pad.circuits
        }
        readings = self._inputs()
        carried = journal.carried()
        states = self._states(carried)
        for note in journal.notes:
            recorder.warn(None, note)
        turns = Turns()
        contacts = RelayContacts({name: each.relay for name, each in wiring.items()}, turns=turns)
        self.opened.callback(contacts.close)
        self.timetable = self._timetable()
        trouble = partial(recorder.has_trouble, "socket")
        self.listening = Listening(socket_path(self.pad.site.name), self.queue.put, trouble)
        self.opened.callback(self.listening.close)
        ports = Ports(
            now=time.monotonic,
            next_message=self._next_message,
            recorder=recorder,
            trains=ProcessTrains(self.pad.path, wiring, self.queue.put, turns),
            contacts=contacts,
            indicate=self._indicators(),
            word=self.word,
            answer=Calls(time.monotonic, self._touch),
            sense=Sensing(self.pad, self.queue.put),
        )
        begun = {circuit: old.open_cycles for circuit, old in carried.items() if old.open_intent}
        return Daemon(states, readings, ports, begun)

    # -- what is opened ------------------------------------------------------------------------

    def _alone(self) -> None:
        """Two daemons on one relay would undo each other's trains; also where the disk is of no use for a lock."""
        name = self.pad.site.name
        pid = listener(socket_path(name))
        if pid is None:
            try:
                self.opened.callback(alone.take(site_folder(name) / "serve").close)
            except alone.TakenError as taken:
                pid = taken.pid
        if pid is not None:
            who = f"process {pid}" if pid else "another process"
            raise HardwareError(
                f"{name}: {who} serves this site already: stop it first, or ask it: lampstep status"
            )

    def _journal(self) -> Journal:
        journal = open_journal(
            journal_path(self.pad.site.name),
            now_unix=time.time,
            now=time.monotonic,
            boot=_boot(),
            limit_mb=self.standing.serve.journal_mb,
            zone=ZoneInfo(self.pad.site.timezone),
        )
        self.opened.callback(journal.close)
        return journal

    def _inputs(self) -> dict[tuple[str, str], Reading]:
        readings = {}
        for circuit, inputs in self.standing.inputs.items():
            opened = open_inputs(circuit, inputs, partial(self._level, circuit))
            for name, line in opened.items():
                self.opened.callback(line.close)
                self.lines[circuit, name] = line
                readings[circuit, name] = unread(_kind(name), self.standing.serve)
        self._ask_lines()
        return readings

    def _level(self, circuit: str, line: str, active: bool, at: float) -> None:
        self.queue.put(Level(circuit, line, active, at))

    def _ask_lines(self) -> None:
        """Every line's level: the first ones, and later those that the hardware may have failed to tell."""
        for (circuit, name), line in self.lines.items():
            self._level(circuit, name, line.read(), time.monotonic())

    def _indicators(self) -> Callable[[str, Indication], None]:
        opened = {}
        for circuit in self.rules:
            indicator = open_indicator(circuit, self.standing.outputs.get(circuit, Outputs()))
            if indicator is not None:
                self.opened.callback(indicator.close)
                opened[circuit] = indicator

        def indicate(circuit: str, what: Indication) -> None:
            if circuit in opened:
                opened[circuit].show(what)

        return indicate

    def _states(self, carried: Mapping[str, Carried]) -> dict[str, CircuitState]:
        now = time.monotonic()
        return {
            name: first_state(rules, carried.get(name, Carried()), now) for name, rules in self.rules.items()
        }

    def _timetable(self) -> Timetable:
        from sequencer.almanac import calendar_of  # noqa: PLC0415 - heavy, and the first edge needs it not

        calendar, quiet = calendar_of(self.pad), self.standing.serve.quiet
        timetable = SchedulerTimetable(calendar, quiet, self._changed, self.clock.now)
        self.opened.callback(timetable.stop)
        return timetable

    # -- what comes in -------------------------------------------------------------------------

    def _changed(self, due: Mapping[str, Due | None], quiet: bool) -> None:
        now = time.monotonic()
        for circuit in self.rules:
            self.queue.put(Happened(circuit, on.Quiet(now, quiet)))
            self.queue.put(Happened(circuit, show_event(due.get(circuit), now)))

    def _next_message(self, until: float) -> Message | None:
        if self.timetable is not None and time.monotonic() >= self.calendar_at:
            self.calendar_at = math.inf
            self.timetable.start()
        wait_s = min(until, self.calendar_at, time.monotonic() + LOOK_S) - time.monotonic()
        try:
            message = self.queue.get(timeout=max(0.0, wait_s))
        except Empty:
            message = None
            self._ask_lines()
        self._look()
        return message

    def _look(self) -> None:
        """At the clocks, and at the socket where it could not be made."""
        if self.listening is not None:
            self.listening.look()
        look = self.clock.look()
        if look.trusted and not self.trusted and self.timetable is not None:
            self.trusted = True
            self.timetable.trust()  # first, so that nobody goes dark for want of a show that is being worked out
            for circuit in self.rules:
                self.queue.put(Happened(circuit, on.ClockTrusted(time.monotonic())))
        elif look.step_s and self.timetable is not None:
            LOG.warning("the clock was stepped by %.0f s: the calendar is worked out anew", look.step_s)
            self.timetable.recompute()

    def _touch(self, circuit: str, name: str, active: bool) -> None:
        line = self.lines.get((circuit, name))
        if line is None:
            raise InputError(
                f"{circuit}: has no input {name}: see [inputs.{circuit}] of {self.pad.path.name}"
            )
        if not isinstance(line, SimulatedLine):
            raise InputError(
                f'{circuit}: the {name} is real: only inputs with driver = "simulated" can be touched'
            )
        line.move(active)


def first_state(rules: Rules, carried: Carried, now: float) -> CircuitState:
    """A circuit as it is before anything has happened: what a person wanted is still wanted, no lamp is known."""
    scene = carried.scene if carried.scene in rules.wanted else None
    wishes = {
        wish.kind: Wish(wish.scene, now - wish.age_s) for wish in carried.wishes if wish.scene in rules.wanted
    }
    return CircuitState(
        rules,
        scene or (*rules.favourites, *rules.wanted)[0],
        remembered=scene is not None,
        at=now,
        steady=carried.steady,
        hand=wishes.get("hand"),
        request=wishes.get("asked"),
        cycles=tuple((now - age_s, count) for age_s, count in carried.cycles),
    )


def show_event(due: Due | None, now: float) -> on.ShowBegins | on.ShowEnds:
    """What the calendar says of one circuit."""
    return on.ShowEnds(now) if due is None else on.ShowBegins(now, due.show.scene, due.show.name)


@contextmanager
def _ending(post: Callable[[Message], None]) -> Iterator[None]:
    """Every signal that would end the process stops the loop instead, so that the contacts go to their rest.

    ``SimpleQueue.put`` may be called from within a signal handler. A terminal that is written to or read from in
    the background does not stop the daemon (SIGTTOU, SIGTTIN). SIGABRT is left to the fault handler where that is
    enabled: it is how systemd's watchdog asks a loop that hangs where it stands.
    """

    def stop(number: int, _frame: Any) -> None:
        post(Stop(name_of(number)))

    stopping = STOPPING if faulthandler.is_enabled() else STOPPING | {signal.SIGABRT}
    ignored = {number for number in stopping if signal.getsignal(number) == signal.SIG_IGN}  # as by nohup
    heard = stopping - ignored | {signal.SIGTERM, signal.SIGINT}
    before = {number: signal.signal(number, stop) for number in heard}
    before |= {number: signal.signal(number, signal.SIG_IGN) for number in (signal.SIGTTOU, signal.SIGTTIN)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _boot() -> str:
    """Which boot of the board this is (random(4)); where the kernel does not say, this process."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return f"process {os.getpid()}"


def _kind(name: str) -> Kind:
    kinds: dict[str, Kind] = {
        "switch": "switch",
        "button": "button",
        "sense": "sense",
        "occupied": "occupied",
    }
    return kinds[name]
