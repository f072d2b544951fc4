"""Years of bad evenings in virtual time: whatever is cut or killed at whatever moment, all lamps match again.

The daemon is the real one; see :mod:`tests.daemon.world`. ``python -m tests.daemon.faults`` prints the same as a table.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.core import events as on
from sequencer.sim.lamp import SimLamp
from sequencer.sim.nature import Nature
from tests.daemon.faults import EDGES, SCRIPTS, WHO, everything, kills_at_edges
from tests.daemon.world import CIRCUIT, Killed, World

SEEDS = (1, 2, 3)
AT_LEAST = 200
"""Faults for each seed, of which there are three."""


@pytest.mark.parametrize("seed", SEEDS)
def test_all_lamps_match_and_nothing_is_lost(memory: Path, seed: int) -> None:
    faults = list(everything(memory, 1, first=seed))
    assert len(faults) >= AT_LEAST
    assert [f.name for f in faults if not f.struck] == []
    assert [f.name for f in faults if not f.matched] == []
    assert [f.name for f in faults if f.uncounted] == []
    assert [f.name for f in faults if f.lost] == []


def test_each_script_has_as_many_edges_as_are_struck(memory: Path) -> None:
    """A bullet for the edge after the last finds nobody: so every edge was struck above."""
    for script, begin in SCRIPTS.items():
        world = World(memory / script)
        world.start()
        if script != "start":
            begin(world)
        world.kill_edge = (EDGES[script] + 1, WHO["both"])
        world.run(world.clock.now() + 30)
        assert world.kill_edge is not None
        assert world.matched()


def test_the_count_of_relay_cycles_is_exact_where_no_log_was_lost(memory: Path) -> None:
    faults = list(kills_at_edges(memory, "daemon", seed=4))
    assert [(f.uncounted, f.overcounted) for f in faults] == [(0, 0)] * len(faults)


def test_a_loop_that_hangs_feeds_no_watchdog(memory: Path) -> None:
    """A driver that does not return: nobody else says that the daemon lives, so that systemd ends it."""
    world = World(memory)
    fed: list[float] = []
    world.alive = lambda: fed.append(world.clock.now())  # type: ignore[method-assign]
    world.watchdog_period_s = 15.0
    world.start()
    world.run(60)
    assert max(b - a for a, b in zip(fed, fed[1:], strict=False)) <= 15.000001

    def hangs(_circuit: str) -> None:
        world.clock.sleep_until(world.clock.now() + 30.0)  # WatchdogSec
        raise Killed

    world.hold_open, holds = hangs, world.hold_open  # type: ignore[method-assign]
    world.touch("switch", False, 70)
    world.touch("switch", True, 71)
    world.run(99)
    assert fed[-1] < 71
    world.hold_open = holds  # type: ignore[method-assign]
    world.run(200)
    assert world.matched()


def test_a_train_under_way_at_a_stop_is_sent_to_its_end(memory: Path) -> None:
    world = World(memory)
    world.start()
    world.run(2)
    world.stop_daemon()
    world.run(2.1)
    assert world.daemon is not None
    assert world.state.phase == "sending"
    world.run(30)
    assert world.openings == world.total_cycles() == 2


def test_a_new_lamp_is_brought_onto_the_scene(memory: Path) -> None:
    world = World(memory)
    world.start()
    world.run(60)
    sheet = world.pad_file.datasheets["type-a"]
    world.pad.swap("south", SimLamp(sheet, Nature(), scene=5, at=world.clock.now(), dark_for=float("inf")))
    world.tell(on.Replaced(world.clock.now(), "south"))
    world.run(120)
    assert world.matched()


def test_what_a_person_sees_and_tells_cures_what_nobody_sensed(memory: Path) -> None:
    """A blip too short for the sense parts the lamps: nobody knows, until told."""
    world = World(memory)
    world.start()
    world.run(60)
    code = world.pad.lamps["south"]
    world.pad.swap("south", SimLamp(code.datasheet, Nature(), scene=5, at=world.clock.now()))
    assert world.state.matched  # believed, and wrong: no board can know
    world.tell(on.Told(world.clock.now(), "south", 5))
    world.run(120)
    assert world.matched()
    assert world.daemon is not None
    assert world.daemon.states[CIRCUIT].known["south"].by == "train"
