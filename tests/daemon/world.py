"""A pad, its board and its daemon in virtual time, with every fault that can be laid down beforehand.

The daemon is the real one: loop, core, readings, recorder, journal and kept logs on a real disk. Simulated are
the clock, which jumps; the lamps and their contact (:mod:`sequencer.sim`, which shares nothing with the planner);
the player's process, as edges laid down on that clock, which outlive the daemon; and the planner's process, as
the planner itself, called here and answering a little later.

A kill is an exception that nothing in the program catches: what was to follow does not happen. What the kernel
does at a process's death is done here: the contact that it held goes to its rest.
"""

from __future__ import annotations

import heapq
import json
import sqlite3
from collections import deque
from collections.abc import Callable, Mapping
from functools import cache, lru_cache
from pathlib import Path
from random import Random
from typing import Any
from zoneinfo import ZoneInfo

from sequencer.clock import VirtualClock
from sequencer.core import events as on
from sequencer.core.actions import PlanTrain
from sequencer.core.reading import unread
from sequencer.core.state import CircuitState
from sequencer.core.status import Indication
from sequencer.daemon.loop import Daemon, Ports
from sequencer.daemon.messages import Happened, Level, Message, PlanOver, PlayOver, Stop
from sequencer.daemon.orders import rules_for, standing_of
from sequencer.daemon.planning import PlannedTrain, answer
from sequencer.daemon.records import Recorder
from sequencer.daemon.serve import first_state
from sequencer.errors import HardwareError
from sequencer.journal.journal import open_journal
from sequencer.player.job import Job, PlayResult
from sequencer.player.kept import KeptLog, write_kept
from sequencer.player.loop import edges_beyond
from sequencer.sim.lamp import SimLamp
from sequencer.sim.nature import Nature
from sequencer.sim.pad import SimPad
from sequencer.sim.relay import SimContact
from sequencer.sitefile import load_site
from sequencer.train import EdgeLog, Pulse, Stamp, Train

CONFIG = Path(__file__).parents[2] / "config"
SITE = """
[site]
name = "Quarry Lane lido"
latitude = 44.0
longitude = -72.0
timezone = "America/New_York"
region = "nec"
[serve]
favourites = ["evening", "quiet"]
steady_s = 5
max_cycles_per_h = 400
[inputs.lap-pool]
switch = {{ driver = "simulated" }}
button = {{ driver = "simulated" }}
sense = {{ driver = "simulated" }}
occupied = {{ driver = "simulated" }}
[[circuit]]
name = "lap-pool"
[circuit.relay]
driver = "simulated"
side = "secondary"
make_s = [0.005, 0.012]
break_s = [0.003, 0.008]
contact = "normally_closed"
rated_cycles = 100000
[[circuit.lamp]]
name = "north"
datasheet = "{lamps}/type-a.toml"
[[circuit.lamp]]
name = "steps"
datasheet = "{lamps}/type-c.toml"
[[circuit.lamp]]
name = "south"
datasheet = "{lamps}/type-a.toml"
[[scene]]
name = "evening"
picks = {{ type-a = "millpond", type-c = "dragonfly" }}
[[scene]]
name = "quiet"
picks = {{ type-a = "moss", type-c = "fern" }}
"""
CIRCUIT = "lap-pool"
WHO_DIE = [frozenset({"daemon"}), frozenset({"player"}), frozenset({"daemon", "player"})]
PLAN_S = 0.4
PLAYER_START_S = 0.1
SEES_S = 0.5
"""By then a sense has told of what it can see: 0.15 s after the last pulse, and the loop's own turn."""


class Killed(BaseException):
    """SIGKILL: nothing catches it."""


class Horizon(BaseException):
    """Virtual time has come to where the test wanted to look."""


@cache
def planned(question: str) -> PlannedTrain | str:
    """The planner's answer; a question is put only once, whatever the number of worlds."""
    said: dict[str, Any] = answer(json.loads(question))
    if "pulses" not in said:
        return str(said.get("refused") or said["error"])
    return PlannedTrain(
        Train(tuple(Pulse(*p) for p in said["pulses"]), said["lead_in_s"]), tuple(said["tolerance_s"])
    )


class World:
    """One circuit of the lido. ``now`` starts at 0; the wall clock at ``unix``."""

    def __init__(
        self, folder: Path, seed: int = 1, *, unix: float = 1_790_000_000.0, lamps_site: str = SITE
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        path = folder / "site.toml"
        path.write_text(lamps_site.format(lamps=CONFIG / "lamps"))
        self.pad_file = load_site(path, standing=True)
        self.circuit = self.pad_file.circuit(CIRCUIT)
        self.rules = rules_for(self.pad_file, self.circuit)
        self.rng = Random(seed)
        self.clock = VirtualClock()
        self.unix_offset = unix
        self.boots = 0
        delays = self.circuit.relay.delays
        self.contact = SimContact(self.clock, delays, True, self.rng, manner="extreme")
        self.pad = SimPad(
            self.clock, self.contact, {lamp.name: self.new_lamp(lamp.stem) for lamp in self.circuit.lamps}
        )
        self.levels = {"switch": True, "button": False, "sense": True, "occupied": False}
        self.keep = folder / "lap-pool.json"
        self.daemon: Daemon | None = None
        self.player: Player | None = None
        self.warnings: list[str] = []
        self.shown: list[Indication] = []
        self.openings = 0
        self.writes = 0
        self.kill_write: tuple[int, bool] | None = None
        """At the so-manieth journal entry from now, and whether after it was written."""
        self.kill_edge: tuple[int, frozenset[str]] | None = None
        """At the so-manieth edge of the next train, and who dies."""
        self.relay_fails = False
        self.restart_s: float | None = 2.0
        self.sensed_at = 0.0
        self._journal: Any = None
        self._mail: deque[Message] = deque()
        self._heap: list[tuple[float, int, Callable[[], None]]] = []
        self._laid = 0
        self._horizon = 0.0

    # -- the world -----------------------------------------------------------------------------

    def new_lamp(self, stem: str) -> SimLamp:
        sheet = self.pad_file.datasheets[stem]
        scene = self.rng.choice([scene.code for scene in sheet.scenes])
        return SimLamp(sheet, Nature.steady(self.rng), scene=scene, at=self.clock.now())

    def at(self, when: float, what: Callable[[], None]) -> None:
        """Lay something down for a moment; what is past happens next."""
        self._laid += 1
        heapq.heappush(self._heap, (when, self._laid, what))

    def after(self, seconds: float, what: Callable[[], None]) -> None:
        self.at(self.clock.now() + seconds, what)

    def move(self, closed: bool) -> None:
        """Whoever has the relay moves it; an opening is what wears it."""
        self.openings += self.contact.read() and not closed
        self.contact.set(closed)

    def level(self, line: str, active: bool) -> None:
        """An input changes."""
        self.levels[line] = active
        if line == "sense":
            self.sensed_at = self.clock.now()
        self.post(Level(CIRCUIT, line, active, self.clock.now()))

    def touch(self, line: str, active: bool, at: float) -> None:
        self.at(at, lambda: self.level(line, active))

    def press(self, at: float, for_s: float) -> None:
        self.touch("button", True, at)
        self.touch("button", False, at + for_s)

    def outage(self, at: float, for_s: float, *, board: bool = False) -> None:
        """The lamps' supply is gone for a while; with ``board`` the board's too: daemon and player die."""
        self.pad.blip(at, for_s)
        self.touch("sense", False, at)
        self.touch("sense", True, at + for_s)
        if board:
            self.at(at, lambda: self.power_off(at + for_s))

    def power_off(self, back_at: float) -> None:
        self.boots += 1
        self.kill(frozenset({"daemon", "player"}), restart_s=back_at - self.clock.now() + 3.0)

    # -- processes -----------------------------------------------------------------------------

    def start(self) -> None:
        """The daemon's process starts."""
        standing = standing_of(self.pad_file)
        self._mail.clear()
        self._journal = open_journal(
            self.folder / "journal.sqlite3",
            now_unix=self.unix,
            now=self.clock.now,
            boot=f"boot {self.boots}",
            limit_mb=16,
            zone=ZoneInfo("America/New_York"),
        )
        carried = self._journal.carried()
        self.warnings += self._journal.notes
        old = carried.get(CIRCUIT)
        state = (
            CircuitState(self.rules, "evening")
            if old is None
            else first_state(self.rules, old, self.clock.now())
        )
        recorder = Recorder(self, {CIRCUIT: self.keep}, self.warnings.append)
        ports = Ports(
            now=self.clock.now,
            next_message=self.next_message,
            recorder=recorder,
            trains=VirtualTrains(self),
            contacts=self,
            indicate=lambda _, what: self.shown.append(what),
            word=self,
            answer=lambda _, __: {},
        )
        readings = {
            (CIRCUIT, line): unread(line, standing.serve)
            for line in ("switch", "button", "sense", "occupied")
        }
        begun = {CIRCUIT: old.open_cycles} if old is not None and old.open_intent else {}
        self.daemon = Daemon({CIRCUIT: state._replace(at=self.clock.now())}, readings, ports, begun)
        for line, active in self.levels.items():
            self.post(Level(CIRCUIT, line, active, self.clock.now()))
        self.daemon.start()

    def start_or_die(self) -> None:
        """As :meth:`start`, where a bullet may strike at once."""
        try:
            self.start()
        except Killed:
            self._bury()

    def kill(self, who: frozenset[str], *, restart_s: float | None = None) -> None:
        """SIGKILL to some; raised through the daemon's own code if it is among them and running now."""
        if "player" in who and self.player is not None:
            self.player.die()
        if "daemon" in who:
            if restart_s is not None:
                self.restart_s = restart_s
            raise Killed

    def _bury(self) -> None:
        """What the kernel does for a dead daemon."""
        self.daemon = None
        self._journal.close()
        if self.player is None:
            self.move(True)  # it may have held the contact open
        if self.restart_s is not None:
            self.after(self.restart_s, self._restart)
        self.restart_s = 2.0

    def _restart(self) -> None:
        if self.daemon is None:
            self.start_or_die()

    def run(self, until: float) -> None:
        """Let the world go on until then."""
        self._horizon = until
        while True:
            try:
                if self.daemon is None:
                    self.next_message(float("inf"))
                else:
                    self.daemon.turn()
                    self.check()
            except Horizon:
                return
            except Killed:
                self._bury()

    def check(self) -> None:
        """A belief may be too wide, never wrong."""
        state = self.state
        if state.matched and self.clock.now() - self.sensed_at > SEES_S:
            wanted = dict(state.rules.wanted[state.wanted])
            shows = {name: showing.code for name, showing in self.pad.showing().items()}
            assert shows == wanted, f"believed on {wanted}, shows {shows} at {self.clock.now()}"

    @property
    def state(self) -> CircuitState:
        assert self.daemon is not None
        return self.daemon.states[CIRCUIT]

    def matched(self) -> bool:
        """Whether the lamps are where they are wanted, and the daemon knows."""
        if self.daemon is None or not self.state.matched:
            return False
        self.check()
        return True

    def total_cycles(self) -> int:
        """What the journal has counted."""
        return int(self._journal.cycles_total(CIRCUIT))

    def entries(self) -> int:
        """How many entries of a kind that the daemon writes are in the file, or kept back for it."""
        with sqlite3.connect(f"file:{self.folder / 'journal.sqlite3'}?mode=ro", uri=True) as reader:
            (count,) = reader.execute("SELECT count(*) FROM entry").fetchone()
        reader.close()
        return int(count) + len(self._journal._back)

    def fill_disk(self) -> None:
        """The journal's file may not grow any more."""
        (pages,) = self._journal._connection.execute("PRAGMA page_count").fetchone()
        self._journal._connection.execute(f"PRAGMA max_page_count = {pages}")
        self.write("note", CIRCUIT, {"text": "long " * 1000})

    def free_disk(self) -> None:
        if self._journal._connection is not None:
            self._journal._connection.execute("PRAGMA max_page_count = 1000000")

    def journal_trouble(self) -> str:
        return str(self._journal.trouble)

    def unix(self) -> float:
        return self.unix_offset + self.clock.now()

    # -- the daemon's ports --------------------------------------------------------------------

    def next_message(self, until: float) -> Message | None:
        while not self._mail:
            due = self._heap[0][0] if self._heap else float("inf")
            if min(due, until) > self._horizon:
                self.clock.sleep_until(self._horizon)
                raise Horizon
            if due > until:
                self.clock.sleep_until(until)
                return None
            self.clock.sleep_until(due)
            heapq.heappop(self._heap)[2]()
        return self._mail.popleft()

    def post(self, message: Message) -> None:
        if self.daemon is not None:
            self._mail.append(message)

    def tell(self, event: on.Event) -> None:
        """Something that a person or the calendar says."""
        self.post(Happened(CIRCUIT, event))

    def write(self, kind: str, circuit: str | None, detail: Mapping[str, Any]) -> None:
        """The journal, with a bullet in it."""
        if self.kill_write is None:
            self._journal.write(kind, circuit, detail)
            self.writes += 1
            return
        left, after = self.kill_write
        self.kill_write = (left - 1, after) if left > 1 else None
        if left > 1 or after:
            self._journal.write(kind, circuit, detail)
            self.writes += 1
        if left <= 1:
            raise Killed

    def rest(self, _circuit: str) -> None:
        if self.relay_fails:
            raise HardwareError("no adapter")
        assert self.player is None, "a train is disturbed"
        self.move(True)

    @property
    def trouble(self) -> str:
        return self.journal_trouble()

    def catch_up(self) -> None:
        self._journal.catch_up()

    def hold_open(self, _circuit: str) -> None:
        if self.relay_fails:
            raise HardwareError("no adapter")
        assert self.player is None, "the relay has two owners"
        self.move(False)

    def read(self, _circuit: str) -> bool | None:
        if self.relay_fails:
            raise HardwareError("no adapter")
        return bool(self.contact.read())

    def let_close(self, _circuit: str) -> None:
        self.move(True)

    def close(self) -> None:
        self.move(True)

    watchdog_period_s: float | None = None

    def ready(self, status: str) -> None:
        pass

    def status(self, text: str) -> None:
        pass

    def alive(self) -> None:
        pass

    def stopping(self, status: str) -> None:
        pass

    def stop_daemon(self) -> None:
        self.post(Stop("SIGTERM"))


class VirtualTrains:
    """Planner and player of one daemon's life."""

    def __init__(self, world: World) -> None:
        self._world = world

    def plan(self, circuit: str, asked: PlanTrain) -> None:
        world = self._world
        question = {
            "site": str(world.folder / "site.toml"),
            "circuit": circuit,
            "scene": asked.scene,
            "start": asked.start,
            "known": dict(sorted(asked.known.items())),
            "codes": dict(sorted(asked.codes.items())),
            "delays": list(world.circuit.relay.delays),
        }
        found = planned(json.dumps({**question, "site": str(shared_site())}))
        daemon = world.daemon
        world.after(PLAN_S, lambda: self._to(daemon, PlanOver(circuit, asked.question, found)))

    def _to(self, daemon: Daemon | None, message: Message) -> None:
        if self._world.daemon is daemon:
            self._world.post(message)

    def send(self, circuit: str, train: PlannedTrain) -> None:
        world = self._world
        assert world.player is None, "two players on one circuit"
        daemon = world.daemon
        world.player = Player(world, train, lambda result: self._to(daemon, PlayOver(circuit, result)))

    def break_off(self, _circuit: str, *, at_once: bool) -> None:
        if self._world.player is not None:
            self._world.player.end(at_once=at_once)

    def wait_for_orphan(self, circuit: str) -> bool:
        world = self._world
        if world.player is None:
            return False
        daemon = world.daemon
        world.player.over = lambda _: self._to(daemon, PlayOver(circuit, None))
        return True


@lru_cache(maxsize=1)
def shared_site() -> Path:
    """One site file for the planner's questions, so that every world's are the same."""
    import tempfile

    path = Path(tempfile.mkdtemp()) / "site.toml"
    path.write_text(SITE.format(lamps=CONFIG / "lamps"))
    return path


class Player:
    """The player's process: it has the relay, and nothing but its own end stops it."""

    def __init__(self, world: World, planned: PlannedTrain, over: Callable[[PlayResult | str], None]) -> None:
        self.over = over
        self._world = world
        self._planned = planned
        self._stamps: list[Stamp] = []
        self._alive = True
        self._end_when_lit = False
        self._zero = world.clock.now() + PLAYER_START_S
        if world.keep.exists():
            world.keep.unlink()
        train, delays = planned.train, world.circuit.relay.delays
        for number, edge in enumerate(train.edges(), start=1):
            due = edge.due_s - (delays.mean_make_s if edge.closed else delays.mean_break_s)
            world.at(self._zero + due, lambda n=number, e=edge, d=due: self._edge(n, e.closed, e.due_s, d))
        world.at(self._zero + train.lead_in_s + train.total_s, lambda: self._finish("finished"))

    def _edge(self, number: int, closed: bool, due_s: float, command_due_s: float) -> None:
        world = self._world
        if not self._alive:
            return
        if world.relay_fails:
            self._finish("failed", "no adapter")
            return
        if number == 1:
            world.pad._pump()
            world.pad._stand()
        world.move(closed)
        self._stamps.append(Stamp(due_s, command_due_s, world.clock.now() - self._zero, closed))
        if self._end_when_lit and closed:
            self._finish("broken off", "SIGUSR1")
        elif world.kill_edge is not None and world.kill_edge[0] == number:
            who, world.kill_edge = world.kill_edge[1], None
            world.kill(who)

    def end(self, *, at_once: bool) -> None:
        lit = not self._stamps or self._stamps[-1].closed
        if at_once or lit:
            self._world.after(0.001, lambda: self._finish("broken off", "a signal"))
        else:
            self._end_when_lit = True

    def die(self) -> None:
        """SIGKILL: the kernel lets the pin go; the parent, if there is one, sees the pipe close."""
        self._alive = False
        self._world.player = None
        self._world.move(True)
        self.over("the player died")

    def _finish(self, outcome: Any, detail: str = "") -> None:
        if not self._alive:
            return
        world = self._world
        self._alive = False
        world.player = None
        world.move(True)
        log = EdgeLog(tuple(self._stamps), outcome, detail, world.clock.now() - self._zero, True)
        result = PlayResult(log, self._zero, world.unix(), edges_beyond(log, self._planned.tolerance_s))
        job = Job(
            self._planned.train,
            world.circuit.relay.delays,
            world.circuit.relay.model_dump(),
            self._planned.tolerance_s,
        )
        write_kept(world.keep, KeptLog(job, result))
        self.over(result)
