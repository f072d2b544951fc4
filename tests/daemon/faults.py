"""Faults laid down one by one, each in a world of its own: what it was, and whether all came right again.

``python -m tests.daemon.faults`` prints the table of all of them.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random
from typing import NamedTuple

from sequencer.core import events as on
from tests.daemon.world import World

CALM_S = 120.0
"""After a fault and its restart: time for a new train, its trial of the supply and one retry included."""
Script = Callable[[World], None]


class Fault(NamedTuple):
    """One fault: its kind, a name that finds it again, and the world it was laid down in, which has come to rest.

    ``struck``: it really happened. ``matched``: all lamps are on the scene wanted, and believed to be.
    ``uncounted``: openings of the contact that the journal does not have; ``overcounted``: the reverse.
    ``lost``: entries of the journal that had been written and are gone.
    """

    kind: str
    name: str
    struck: bool
    matched: bool
    uncounted: int
    overcounted: int
    lost: int


def at_start(world: World) -> None:
    """The first train, from any belief, with its lead-in."""
    world.run(30)


def at_button(world: World) -> None:
    """A full train from rest."""
    world.run(60)
    assert world.matched()
    world.press(world.clock.now() + 1, 0.2)


def at_flick(world: World) -> None:
    """To the next favourite, after the hand's own cut."""
    world.run(60)
    assert world.matched()
    now = world.clock.now()
    world.touch("switch", False, now + 1)
    world.touch("switch", True, now + 2)


SCRIPTS: dict[str, Script] = {"start": at_start, "button": at_button, "flick": at_flick}
EDGES = {"start": 4, "button": 4, "flick": 8}
"""Edges of each script's train."""
WHO = {
    "daemon": frozenset({"daemon"}),
    "player": frozenset({"player"}),
    "both": frozenset({"daemon", "player"}),
}


def rested(kind: str, name: str, world: World, struck: Callable[[], bool], until: float) -> Fault:
    """Let calm return, and take stock."""
    world.run(until)
    counted = world.total_cycles()
    return Fault(
        kind,
        name,
        struck(),
        world.matched(),
        max(0, world.openings - counted),
        max(0, counted - world.openings),
        max(0, world.writes - world.entries()),
    )


def kills_at_edges(folder: Path, who: str, seed: int) -> Iterator[Fault]:
    """SIGKILL right after each edge of each train, and the daemon started again."""
    for script, begin in SCRIPTS.items():
        for edge in range(1, EDGES[script] + 1):
            world = World(folder / f"{script}-{edge}", seed)
            if script == "start":
                world.kill_edge = (edge, WHO[who])
                world.start()
            else:
                world.start()
                begin(world)
                world.kill_edge = (edge, WHO[who])
            name = f"{who} at edge {edge} of the train at the {script}, seed {seed}"
            yield rested(
                f"SIGKILL of {who} at an edge",
                name,
                world,
                lambda w=world: w.kill_edge is None,
                world.clock.now() + CALM_S,
            )


def kills_at_writes(folder: Path, after: bool, seed: int) -> Iterator[Fault]:
    """SIGKILL of the daemon before or after each entry of the journal, through an evening's story."""
    write = 0
    while True:
        write += 1
        world = World(folder / f"{write}", seed)
        world.kill_write = (write, after)
        world.start_or_die()
        world.touch("switch", False, 40)
        world.touch("switch", True, 41)
        world.press(80, 0.2)
        world.outage(110, 2)
        world.touch("switch", False, 150)
        world.touch("switch", True, 190)
        struck = world.kill_write is None
        world.run(200)
        struck = world.kill_write is None
        moment = "after" if after else "before"
        fault = rested(
            f"SIGKILL of the daemon {moment} a journal entry",
            f"{moment} entry {write}, seed {seed}",
            world,
            lambda s=struck: s,
            world.clock.now() + CALM_S,
        )
        if not struck:
            return
        yield fault


def outages(folder: Path, board: bool, seed: int, count: int) -> Iterator[Fault]:
    """The supply gone for a while at moments drawn from all that a start and a flick take."""
    rng = Random(seed)
    for number in range(count):
        world = World(folder / f"{number}", seed * 1000 + number)
        world.start()
        world.touch("switch", False, 30)
        world.touch("switch", True, 31)
        at = rng.uniform(0.5, 60)
        for_s = rng.choice([rng.uniform(0.3, 2), rng.uniform(2, 20)])
        world.outage(at, for_s, board=board)
        what = "the supply and the board's" if board else "the supply"
        yield rested(
            f"{what} cut",
            f"{what} cut at {at:.3f} s for {for_s:.3f} s",
            world,
            lambda: True,
            at + for_s + CALM_S,
        )


def unplugged(folder: Path, seed: int, count: int) -> Iterator[Fault]:
    """The relay's adapter gone for some time, in the middle of a train or not."""
    rng = Random(seed)
    for number in range(count):
        world = World(folder / f"{number}", seed * 1000 + number)
        world.start()
        at, for_s = rng.uniform(0.5, 15), rng.uniform(1, 30)
        world.press(12, 0.2)
        world.at(at, lambda w=world: setattr(w, "relay_fails", True))
        world.at(at + for_s, lambda w=world: setattr(w, "relay_fails", False))
        yield rested(
            "the relay's adapter unplugged",
            f"unplugged at {at:.3f} s for {for_s:.3f} s",
            world,
            lambda: True,
            at + for_s + 3 * CALM_S,
        )


def clock_steps(folder: Path, seed: int, count: int) -> Iterator[Fault]:
    """The wall clock stepped by years, either way, and the daemon killed some time after."""
    rng = Random(seed)
    for number in range(count):
        world = World(folder / f"{number}", seed * 1000 + number)
        world.start()
        years = rng.choice([-20, -1, 1, 10])

        def step(w: World = world, by: int = years) -> None:
            w.unix_offset += by * 365.25 * 86400
            w.tell(on.ClockTrusted(w.clock.now()))

        world.at(rng.uniform(0.5, 20), step)
        at = rng.uniform(0.5, 30)
        world.at(at, lambda w=world: w.kill(frozenset({"daemon"})))
        yield rested(
            "the clock stepped by years, then SIGKILL",
            f"{years} years, killed at {at:.3f} s",
            world,
            lambda: True,
            at + CALM_S,
        )


def full_disks(folder: Path, seed: int, count: int) -> Iterator[Fault]:
    """No room for the journal from some moment on; the daemon plays on, and there is room again at the end."""
    rng = Random(seed)
    for number in range(count):
        world = World(folder / f"{number}", seed * 1000 + number)
        world.start()
        at = rng.uniform(0.5, 20)
        world.at(at, lambda w=world: w.fill_disk())
        world.press(25, 0.2)
        world.touch("switch", False, 45)
        world.touch("switch", True, 46)
        world.run(100)
        said = world.journal_trouble()
        world.free_disk()
        world.press(140, 0.2)
        yield rested("the disk full", f"full at {at:.3f} s", world, lambda s=said: bool(s), 140 + CALM_S)


def everything(folder: Path, seeds: int, first: int = 1) -> Iterator[Fault]:
    """All kinds, some hundreds of faults a seed."""
    for seed in range(first, first + seeds):
        for who in WHO:
            yield from kills_at_edges(folder / f"{who}-{seed}", who, seed)
        for after in (False, True):
            yield from kills_at_writes(folder / f"writes-{after}-{seed}", after, seed)
        for board in (False, True):
            yield from outages(folder / f"outage-{board}-{seed}", board, seed, 40)
        yield from unplugged(folder / f"unplugged-{seed}", seed, 20)
        yield from clock_steps(folder / f"clock-{seed}", seed, 20)
        yield from full_disks(folder / f"disk-{seed}", seed, 10)


def table(faults: Iterator[Fault]) -> str:
    """A line a kind."""
    kinds: dict[str, list[Fault]] = {}
    for fault in faults:
        kinds.setdefault(fault.kind, []).append(fault)
    lines = [
        "| fault | how many | all lamps matched after | openings not counted | counted too many | entries lost |",
        "|---|---|---|---|---|---|",
    ]
    for kind, of_kind in kinds.items():
        sums = [
            sum(getattr(f, name) for f in of_kind) for name in ("matched", "uncounted", "overcounted", "lost")
        ]
        lines.append(f"| {kind} | {len(of_kind)} | {' | '.join(map(str, sums))} |")
    return "\n".join(lines)


if __name__ == "__main__":
    scratch = Path(tempfile.mkdtemp())
    try:
        print(table(everything(scratch, int(sys.argv[1]) if len(sys.argv) > 1 else 2)))
    finally:
        shutil.rmtree(scratch)
