"""A pad, its board and its daemon in virtual time, with one layer of faults between all of them.

The daemon is the real one: loop, core, readings, recorder, journal, contacts, the player's loop and its judgement.
Simulated are the clock, which jumps, the relay's driver, the lamps and the processes. After every turn, and at the
end of every wait, what the daemon says is held against what the lamps are on and where the contact stands.
"""

from __future__ import annotations

import heapq
from collections import Counter, deque
from collections.abc import Callable, Mapping
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

from sequencer.clock import VirtualClock
from sequencer.core import events as on
from sequencer.daemon.loop import Daemon
from sequencer.daemon.messages import Happened, Level, Message
from sequencer.daemon.planning import PlannedTrain
from sequencer.player.job import PlayResult
from tests.daemon import fault_daemon
from tests.daemon.fault_fleets import CIRCUIT, fleet_of
from tests.daemon.fault_player import Player
from tests.daemon.fault_points import Killed, Life, Points
from tests.daemon.fault_relay import FaultyRelay, VirtualTrains
from tests.daemon.fault_truth import Truth

LOOK_S = 30.0
"""The lines are asked at least this often, as ``serve`` does."""
RESTART_S = 2.0
BOOT_S = 3.0
SEES_S = 0.5
"""By then a sense has told of what it can see."""
LANDS_S = 0.05
"""A command and the contact after it take no longer."""
OFF_S = 30.0
"""By then off is obeyed, where nothing else went wrong: the longest break that must first end, and a little."""
STILL_S = 60.0
"""A train that begins so long after something that nobody heard of finds the lamps at rest."""


class Horizon(BaseException):
    """Virtual time has come to where the story wanted to look."""


class Wrong(NamedTuple):
    """A promise that was broken: which, when, and how."""

    kind: str
    at: float
    what: str


class World:
    """One circuit with the fleet of a number; ``seed`` draws its lamps and contacts."""

    def __init__(self, folder: Path, fleet: int, seed: int) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder, self.number = folder, fleet
        self.keep = folder / "lap-pool.json"
        self.fleet = fleet_of(fleet)
        self.clock = VirtualClock()
        self.points = Points()
        self.truth = Truth(self.fleet, self.clock, Random(f"world {seed}"))
        self.wrong: list[Wrong] = []
        self.checked: Counter[str] = Counter()
        self.boots = 0
        self.daemon: Daemon | None = None
        self.player: Player | None = None
        self.life = Life()
        self.levels = {"switch": True, "occupied": False}
        if self.fleet.has_sense:
            self.levels["sense"] = True
        self.over_lost = False
        """A message without which a circuit waits for ever was lost."""
        self._handles: set[FaultyRelay] = set()
        self._mail: deque[Message] = deque()
        self._heap: list[tuple[float, int, Callable[[], None]]] = []
        self._laid = 0
        self._horizon = self._poll_at = 0.0
        self._stream_free: dict[str, float] = {}
        self._hidden = 0
        self._sense_told: bool | None = None
        self._sense_at = self._off_since = self._alive_since = 0.0
        self._sense_unread = False
        self._unseen: float | None = None
        self._down_s = RESTART_S
        self._outages = 0
        self._mains_at = 0.0
        self._journal: Any = None

    # -- time ----------------------------------------------------------------------------------

    def unix(self) -> float:
        """The wall clock."""
        return 1_790_000_000.0 + self.clock.now()

    def at(self, when: float, what: Callable[[], None]) -> None:
        """Lay something down for a moment; what is past happens next."""
        self._laid += 1
        heapq.heappush(self._heap, (when, self._laid, what))

    def advance(self, seconds: float) -> None:
        """The daemon stands still while the world goes on."""
        until = self.clock.now() + seconds
        while self._heap and self._heap[0][0] <= until:
            when, _, what = heapq.heappop(self._heap)
            self.clock.sleep_until(when)
            what()
        self.clock.sleep_until(until)

    def run(self, seconds: float) -> None:
        """Let the world go on for so long."""
        self._horizon = self.clock.now() + seconds
        while True:
            try:
                if self.daemon is None:
                    self._go_on(float("inf"))
                else:
                    self.daemon.turn()
                    self.check()
            except Horizon:
                return
            except Killed:
                self._bury()
            except Exception as error:  # the service starts it again
                self.say("crash", f"{type(error).__name__}: {error}")
                self._bury()

    def close(self) -> None:
        """End whatever still runs."""
        self.daemon = None
        if self.player is not None:
            self.player.die()
        if self._journal is not None:
            self._journal.close()

    # -- the daemon's process ------------------------------------------------------------------

    def start(self) -> None:
        """The daemon starts; a fault may strike at once."""
        if self.daemon is not None:
            return
        if self._outages and not self.fleet.has_sense:
            self.at(self.clock.now() + BOOT_S, self.start)
            return
        self._mail.clear()
        self._stream_free.clear()
        self._hidden, self._sense_told, self._sense_unread = 0, None, False
        self._alive_since = self.clock.now()
        self._poll_at = self.clock.now() + LOOK_S
        self.life = Life()
        self._journal = fault_daemon.opened_journal(self)
        try:
            self.daemon = fault_daemon.made(self, self._journal)
            self._poll()
            self.daemon.start()
        except Killed:
            self._bury()

    def kill(self, *, daemon: bool, player: bool, down_s: float = RESTART_S) -> None:
        """SIGKILL; to be laid down for a moment, for it is raised through the daemon's own code."""
        if player and self.player is not None:
            self.player.die()
        if daemon and self.daemon is not None:
            self._down_s = down_s
            self.life.dead = True
            raise Killed

    def outage(self, for_s: float) -> None:
        """The mains are gone for a while; where nothing senses them, the board hangs on them too."""
        now = self.clock.now()
        self.truth.outage(now, for_s)
        self.at(now, self._mains_go)
        self.at(now + for_s, self._mains_come)

    def _mains_go(self) -> None:
        self._outages += 1
        self._mains_at = self.clock.now()
        if self.fleet.has_sense:
            self.level("sense", False)
            return
        self.boots += 1
        if self.player is not None:
            self.player.die()
        self.truth.move(True, "no power", clean=False)  # a coil without current
        self.kill(daemon=True, player=False, down_s=BOOT_S)

    def _mains_come(self) -> None:
        self._outages -= 1
        self._mains_at = self.clock.now()
        self.level("sense", self._outages == 0)

    def _bury(self) -> None:
        self.life.dead = True
        self.daemon = None
        self._journal._back.clear()
        self._journal.close()
        self._journal = None
        self._let_go("daemon")
        self.at(self.clock.now() + self._down_s, self.start)
        self._down_s = RESTART_S

    def _let_go(self, who: str) -> None:
        """What the kernel does for the dead; a coil on a serial line hears nothing of it."""
        held = {handle for handle in self._handles if handle.who == who}
        self._handles -= held
        if held and not self.fleet.keeps:
            self.truth.move(True, f"{who} died", clean=False)

    def player_is_gone(self, player: Player) -> None:
        """Its process has ended."""
        if self.player is player:
            self.player = None
        self._let_go("player")

    def opener(self, who: str, life: Any = None) -> Callable[[Mapping[str, object]], Any]:
        """A driver's ``open_`` for this process."""
        return lambda _: FaultyRelay(self, who, self.life if life is None else life)

    def trains(self) -> VirtualTrains:
        """For this daemon."""
        return VirtualTrains(self, self.life)

    # -- what comes in -------------------------------------------------------------------------

    def post(self, message: Message) -> None:
        """Into the daemon's queue, unless something befalls it."""
        if self.daemon is None:
            return
        name = fault_daemon.stream(message)
        fault = self.points.at("message", name)
        if fault is not None and fault.act == "lose":
            self.over_lost |= fault_daemon.is_over(message)
            if fault_daemon.hides(message):
                self._unseen = self.clock.now()
            return
        when = max(self.clock.now() + (fault.for_s if fault else 0.0), self._stream_free.get(name, 0.0))
        self._stream_free[name] = when
        life, hides = self.life, self._hides(message)
        self._hidden += hides

        def arrive() -> None:
            if self.life is life and self.daemon is not None:
                self._mail.append(message)

        if when > self.clock.now():
            self.at(when, arrive)
        else:
            arrive()

    def _hides(self, message: Message) -> bool:
        if isinstance(message, Level):
            return message.line == "sense" and message.active != self._sense_told
        return fault_daemon.hides(message)

    def level(self, line: str, active: bool) -> None:
        """An input changes."""
        if self.levels.get(line) == active or line not in self.levels:
            return
        self.levels[line] = active
        if line == "switch" and not active:
            self._off_since = self.clock.now()
        if line == "sense":
            self._sense_at = self.clock.now()
        self.post(Level(CIRCUIT, line, active, self.clock.now()))

    def tell(self, event: on.Event) -> None:
        """Something that a person says."""
        self.post(Happened(CIRCUIT, event))

    def _poll(self) -> None:
        for line, active in self.levels.items():
            self._mail.append(Level(CIRCUIT, line, active, self.clock.now()))

    def next_message(self, until: float) -> Message | None:
        """As ``serve`` waits; then the wake-up passes its point."""
        message = self._next(until)
        fault = self.points.at("wake") if self.daemon is not None else None
        if fault is not None:
            if fault.act == "die":
                raise Killed
            late_s = fault.for_s if fault.act == "stall" else max(0.0, self._poll_at - self.clock.now())
            self.advance(late_s)
        self._hand_over(message)
        return message

    def _next(self, until: float) -> Message | None:
        while not self._mail:
            if not self._go_on(min(until, self._poll_at)):
                if self.clock.now() >= self._poll_at:
                    self._poll_at = self.clock.now() + LOOK_S
                    self._poll()
                return None
        return self._mail.popleft()

    def _go_on(self, until: float) -> bool:
        """Let the next thing happen, and say so; or time come to ``until``."""
        due = self._heap[0][0] if self._heap else float("inf")
        target = min(due, until)
        if target > self._horizon:
            self.clock.sleep_until(self._horizon)
            self.check()
            raise Horizon
        if target > self.clock.now():
            self.clock.sleep_until(target)
            self.check()
        if due <= target:
            heapq.heappop(self._heap)[2]()
            return True
        return False

    def _hand_over(self, message: Message | None) -> None:
        """What the daemon has in hand it is to reckon with."""
        if message is None:
            self._sense_unread = False
        elif isinstance(message, Level) and message.line == "sense":
            if message.active != self._sense_told:
                self._sense_unread = True
                self._hidden = max(0, self._hidden - 1)
            self._sense_told = message.active
        elif fault_daemon.hides(message):
            self._hidden = max(0, self._hidden - 1)

    # -- what it is held against ---------------------------------------------------------------

    def say(self, kind: str, what: str) -> None:
        """A promise is broken."""
        self.wrong.append(Wrong(kind, round(self.clock.now(), 3), what))

    def check(self) -> None:
        """A belief may be too wide, never wrong."""
        if self.daemon is None:
            return
        said = fault_daemon.claims(self.daemon)
        now, truth = self.clock.now(), self.truth
        if truth.stood_for_s() <= LANDS_S:  # the contact may still be on its way
            return
        if said.lit is not None:
            self.checked["lit" if said.lit else "dark"] += 1
            if said.lit != truth.closed:
                says, is_so = ("lit", "open") if said.lit else ("dark", "closed")
                self.say(says, f"says {says}; the contact has been {is_so} for {truth.stood_for_s():.2f} s")
        if now - self._sense_at > SEES_S and not self._hidden and self._unseen is None:
            for lamp, (code, by) in said.codes.items():
                self.checked["code"] += 1
                on_code = truth.codes(lamp)
                if set(on_code) != {code}:
                    kind = "told" if by == "person" else "late sense" if self._sense_unread else "code"
                    self.say(kind, f"says {lamp} on {code} by a {by}; the pads have {on_code}")
        self._check_off()

    def _check_off(self) -> None:
        if self.levels["switch"] or not self.truth.closed or self.over_lost:
            return
        since = max(self._off_since, self._alive_since, self.truth.since)
        allowed_s = OFF_S + 2 * self.points.seconds + 40.0 * bool(self.points.struck)
        self.checked["off"] += 1
        if self.clock.now() - since > allowed_s:
            self.say("off", f"switched off {self.clock.now() - since:.0f} s ago, and the contact is closed")

    def moved(self, who: str, clean: bool) -> None:
        """The contact was commanded otherwise: the limits of dark and flashes."""
        timing = self.fleet.pad.timing
        spread = 2 * self.fleet.pad.circuit(CIRCUIT).relay.delays.spread_s
        moves = self.truth.moves
        last = moves[-1]
        if last.closed:
            dark_s = last.at - moves[-2].at
            if who == "player" and clean and dark_s > timing.max_dark_s + spread:
                self.say("long dark", f"a train was dark for {dark_s:.2f} s")
            return
        before = [move for move in moves[:-1] if not move.closed]
        if before and last.at - before[-1].at < 1 / timing.max_flashes_per_s - spread:
            kind = "flash" if clean and before[-1].clean else "flash, player struck"
            self.say(kind, f"{before[-1].who} and {who} opened within {last.at - before[-1].at:.3f} s")

    # -- the journal, and word -----------------------------------------------------------------

    def write(self, kind: str, circuit: str | None, detail: Mapping[str, Any]) -> None:
        """An entry, with its fsync."""
        fault = self.points.at("fsync")
        if fault is not None and fault.act == "stall":
            self.advance(fault.for_s)
        if fault is not None and fault.act == "die":
            raise Killed
        self._journal.write(kind, circuit, detail)
        if fault is not None and fault.act == "delay":
            self.advance(fault.for_s)
        if fault is not None and fault.act == "die done":
            raise Killed

    @property
    def trouble(self) -> str:
        """See the journal."""
        return str(self._journal.trouble)

    def catch_up(self) -> None:
        """See the journal."""
        self._journal.catch_up()

    watchdog_period_s: float | None = None

    def ready(self, status: str) -> None:
        """Nobody listens."""

    def status(self, text: str) -> None:
        """Nobody listens."""

    def alive(self) -> None:
        """Nobody listens."""

    def stopping(self, status: str) -> None:
        """Nobody listens."""

    # -- a train from which on everything is known again ---------------------------------------

    def train_begins(self, planned_train: PlannedTrain) -> Callable[[PlayResult | str], None]:
        """For a full train: what to do with its end, so that what nobody heard of is overcome."""
        state = self.daemon.states[CIRCUIT] if self.daemon else None
        began, missed = self.clock.now(), self._unseen
        full = state is not None and state.asked is not None and not state.asked.known
        sure = missed is None or planned_train.train.lead_in_s > 0 or began - missed > STILL_S

        def ended(result: PlayResult | str) -> None:
            held = isinstance(result, PlayResult) and result.log.outcome == "finished" and not result.beyond
            mains = not self._outages and self._mains_at <= began
            if full and sure and held and mains and self._unseen == missed:
                self._unseen = None

        return ended
