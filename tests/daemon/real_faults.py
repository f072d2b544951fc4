"""The truth of the contact: real processes are killed in mid-train, and what the lamps really saw is played back.

The relay is a coil of a board by Debian's libmodbus, a process of its own at the other end of a pair of
pseudo-terminals. It notes when the coil changes, and nothing kills it. Those edges are then fed, in virtual time,
to simulated lamps of many natures, whatever they showed at first: each time that the daemon said what a lamp rests
on, the lamp must have shown just that.

``python -m tests.daemon.real_faults 100`` prints the table of that many faults.
"""

from __future__ import annotations

import math
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

from sequencer.clock import VirtualClock
from sequencer.daemon.wire import ask_daemon
from sequencer.errors import HardwareError
from sequencer.sim.lamp import SimLamp
from sequencer.sim.nature import Nature
from sequencer.sim.pad import SimPad
from sequencer.sim.relay import SimContact
from sequencer.sitefile import load_site
from tests.daemon.real import CIRCUIT, LOOK_S, ROOT, Daemon, is_there, kill, wait_for, write_site
from tests.relay.peers import Wire

UNIT, COIL = 7, 3
BOUND_S = 600.0
"""Until all lamps match again: a failed train is tried again after 5 s, 10 s, and so on up to 300 s, and on a busy
machine several fail, since an echo that comes late fails one."""
NATURES = 40
"""Sets of lamps that each pad's edges are played back to."""
RESTS_S = 0.9
"""After so long with supply step lamps are at rest: a train begins after no less."""
PADS = 4
"""Pads that are served at the same time, each with its own daemon, line and board."""
KINDS = ("daemon", "player", "daemon and player", "adapter")


class Edge(NamedTuple):
    """The coil changed; on is energised, and the lamps dark."""

    at: float
    on: bool


class Look(NamedTuple):
    """What the daemon said that lamps rest on, some time between two moments."""

    asked_at: float
    answered_at: float
    codes: dict[str, int]


class Fault(NamedTuple):
    """One fault and what came of it; seconds.

    ``dark``: it struck while the coil was energised. ``dark_s``: how long it then stayed so.
    ``matched_after_s``: until the daemon said that all lamps match.
    """

    kind: str
    when: str
    dark: bool
    dark_s: float
    matched_after_s: float


class Outcome(NamedTuple):
    """One pad's faults, and what the lamps and the journal say in the end.

    ``looks``: beliefs of the daemon that were held against the lamps; ``wrong``: those that were not so, in words.
    ``uncounted``: openings that the journal does not have; ``overcounted``: the reverse. ``quickest_s``: the least
    time from one opening to the next.
    """

    faults: tuple[Fault, ...]
    looks: int
    wrong: tuple[str, ...]
    openings: int
    uncounted: int
    overcounted: int
    quickest_s: float
    late: int
    """Trains that were spoiled or failed without any fault of ours."""


class Pad:
    """A served site with its line, its board, and all that was seen of both."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.rng = Random(seed)
        self.folder = folder
        folder.mkdir(parents=True)
        self.wire = Wire(folder)
        relay = f'driver = "modbus"\nport = "{self.wire.ours}"\nbaud = 9600\nparity = "none"\n'
        self.site = write_site(folder, f"{relay}unit = {UNIT}\ncoil = {COIL}", second="steps")
        self.daemon = Daemon(self.site, folder / "state")
        self.looks: list[Look] = []
        self._told = folder / "edges"
        words = (str(self.wire.theirs), str(UNIT), str(COIL))
        with self._told.open("wb") as out:
            self._board = subprocess.Popen(
                [sys.executable, "-m", "tests.relay.peers", *words],
                stdin=subprocess.PIPE,
                stdout=out,
                cwd=ROOT,
            )
        wait_for("the board", lambda: self._told.read_text().startswith("ready\n"))

    def close(self) -> None:
        """Nothing is left behind."""
        self.daemon.__exit__()
        assert self._board.stdin is not None
        self._board.stdin.close()
        self._board.wait()
        self.wire.pull_out()

    def edges(self) -> list[Edge]:
        """All of the coil's so far."""
        *lines, _ = self._told.read_text().split("\n")[1:]
        return [Edge(float(at), on == "1") for at, on in map(str.split, lines)]

    def look(self) -> dict[str, Any] | None:
        """What the daemon says now; what it believes of lamps is kept."""
        asked_at = time.monotonic()
        said = self.daemon.status()
        if said is not None:
            codes = {lamp["lamp"]: lamp["code"] for lamp in said["lamps"] if lamp["code"] is not None}
            self.looks.append(Look(asked_at, time.monotonic(), codes))
        return said

    def matched(self) -> None:
        """Wait until it says that all lamps match."""

        def is_so() -> bool:
            said = self.look()
            return said is not None and said["matched"] and said["phase"] == "lit"

        try:
            wait_for("all lamps matched", is_so, BOUND_S)
        except AssertionError:
            raise AssertionError(f"never matched: {self.daemon.status()}; {self.daemon.said()}") from None

    def ask(self, **request: str) -> None:
        """Put a question to it, again while it cannot be asked."""

        def is_answered() -> bool:
            try:
                return ask_daemon(self.daemon.socket, {**request, "circuit": CIRCUIT}) is not None
            except HardwareError:
                return False

        wait_for(f"an answer to {request}", is_answered)

    def train(self) -> int:
        """Begin another train; its player."""
        self.ask(do="ask", scene=self.rng.choice(["evening", "quiet"]))
        return self.daemon.sending()

    def strike(self, kind: str) -> Fault:
        """A fault at a drawn moment of a train, and all that follows until the lamps match."""
        player = self.train()
        begun = time.monotonic()
        moment = self.rng.uniform(0, self.length_s())
        while time.monotonic() < begun + moment and is_there(player):
            time.sleep(min(LOOK_S, max(0.0, begun + moment - time.monotonic())))
        struck = time.monotonic()
        if kind == "adapter":
            self.wire.pull_out()
            time.sleep(self.rng.choice([0.05, self.rng.uniform(0.1, 3)]))
            self.wire.plug_in()
        if "daemon" in kind:
            self.daemon.kill()
        if "player" in kind:
            kill(player)
        if "daemon" in kind:
            self.daemon.start()
        self.matched()
        edges = self.edges()
        dark = any(edge.on for edge in [e for e in edges if e.at <= struck][-1:])
        lit_at = next((edge.at for edge in edges if edge.at > struck and not edge.on), math.inf)
        when = f"{moment:.3f} s after the player began"
        return Fault(kind, when, dark, lit_at - struck if dark else 0.0, time.monotonic() - struck)

    def length_s(self) -> float:
        """Of the train that is being sent, with its lead-in."""
        train = self.daemon.entries("intent")[-1]
        return float(train["lead_in_s"] + sum(map(sum, train["pulses"])))

    def outcome(self, faults: Sequence[Fault]) -> Outcome:
        """Stop it, and play back what the lamps saw."""
        assert self.daemon.stop() == 0
        edges, counted = self.edges(), self.daemon.cycles()
        openings = [edge.at for edge in edges if edge.on]
        wrong = [words for n in range(NATURES) for words in self.played_back(edges, Random(n))]
        return Outcome(
            tuple(faults),
            sum(bool(look.codes) for look in self.looks),
            tuple(wrong),
            len(openings),
            max(0, len(openings) - counted),
            max(0, counted - len(openings)),
            min((b - a for a, b in pairwise(openings)), default=math.inf),
            sum(entry["outcome"] in {"spoiled", "failed"} for entry in self.daemon.entries("outcome")),
        )

    def played_back(self, edges: Sequence[Edge], rng: Random) -> Iterator[str]:
        """The same edges at simulated lamps: what the daemon believed and they did not show, in words."""
        pad_file = load_site(self.site)
        circuit = pad_file.circuit(CIRCUIT)
        sheets = {lamp.name: pad_file.datasheets[lamp.stem] for lamp in circuit.lamps}
        clock = VirtualClock(min([*(edge.at for edge in edges), self.looks[0].asked_at]) - 60.0)
        contact = SimContact(
            clock, circuit.relay.own_delays, True, rng, manner=rng.choice(("drawn", "extreme"))
        )
        draw = rng.choice((Nature.steady, Nature.corner, Nature.contrary))
        lamps = {
            name: SimLamp(sheet, draw(rng), scene=rng.choice(sheet.scenes).code, at=clock.now())
            for name, sheet in sheets.items()
        }
        pad = SimPad(clock, contact, lamps)
        moments: list[tuple[float, Edge | Look]] = [(edge.at, edge) for edge in edges]
        for look in self.looks:
            if look.codes and not any(look.asked_at <= edge.at <= look.answered_at for edge in edges):
                moments.append((look.answered_at, look))
        lit_at = clock.now()
        for at, what in sorted(moments, key=lambda moment: moment[0]):
            pad.wait(at - clock.now())
            if isinstance(what, Edge):
                if what.on and at - lit_at > RESTS_S:
                    pad._stand()
                contact.set(not what.on)
                lit_at = lit_at if what.on else at
            else:
                shows = {name: showing.code for name, showing in pad.showing().items()}
                if any(shows[name] != code for name, code in what.codes.items()):
                    yield f"{at:.3f}: believed {what.codes}, shows {shows} ({draw.__name__})"


def faults_on(folder: Path, seed: int, kinds: Sequence[str]) -> Outcome:
    """One pad from its start on, with these faults one after the other."""
    pad = Pad(folder, seed)
    try:
        pad.daemon.start()
        pad.matched()
        return pad.outcome([pad.strike(kind) for kind in kinds])
    finally:
        pad.close()


def faults(folder: Path, count: int, seed: int, pads: int = PADS) -> list[Outcome]:
    """So many faults, all kinds in turn, spread over some pads that are served at the same time."""
    kinds = [KINDS[n % len(KINDS)] for n in range(count)]
    Random(seed).shuffle(kinds)
    with ThreadPoolExecutor(pads) as pool:
        jobs = [
            pool.submit(faults_on, folder / f"{seed}-{n}", seed * 1000 + n, kinds[n::pads])
            for n in range(pads)
        ]
        return [job.result() for job in jobs]


def table(outcomes: Sequence[Outcome]) -> str:
    """A line a kind, and what all pads come to."""
    lines = [
        "| fault in mid-train | how many | in a break | then dark for at most, s | matched after, s: median | most |",
        "|---|---|---|---|---|---|",
    ]
    names = {"adapter": "the adapter unplugged and plugged in"}
    for kind in KINDS:
        of_kind = [fault for outcome in outcomes for fault in outcome.faults if fault.kind == kind]
        if of_kind:
            after = sorted(fault.matched_after_s for fault in of_kind)
            figures = (
                len(of_kind),
                sum(fault.dark for fault in of_kind),
                f"{max(fault.dark_s for fault in of_kind):.1f}",
                f"{after[len(after) // 2]:.1f}",
                f"{after[-1]:.1f}",
            )
            lines.append(f"| {names.get(kind, f'SIGKILL of {kind}')} | {' | '.join(map(str, figures))} |")
    total = {
        name: sum(getattr(outcome, name) for outcome in outcomes)
        for name in ("looks", "openings", "uncounted", "overcounted", "late")
    }
    wrong = sum(len(outcome.wrong) for outcome in outcomes)
    return "\n".join(
        [
            *lines,
            "",
            f"- {total['looks']} beliefs of the daemon, each held against {NATURES} sets of lamps: {wrong} wrong",
            f"- {total['openings']} openings: {total['uncounted']} not counted, {total['overcounted']} too many",
            f"- {total['late']} trains spoiled or failed, those struck included",
            f"- from one opening to the next never less than {min(o.quickest_s for o in outcomes):.3f} s",
        ]
    )


if __name__ == "__main__":
    scratch = Path(tempfile.mkdtemp())
    try:
        words = sys.argv[1:]
        found = faults(scratch, int(words[0]) if words else 20, seed=int(words[1]) if words[1:] else 1)
        print(table(found))
        print(*[words for outcome in found for words in outcome.wrong][:20], sep="\n")
    finally:
        shutil.rmtree(scratch)
