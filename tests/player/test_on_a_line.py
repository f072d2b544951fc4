"""The player with a relay on a serial line: what it imports, and an adapter that is pulled out in mid-train."""

from __future__ import annotations

import sys
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from typing import TYPE_CHECKING, Any

import pytest

from sequencer.clock import VirtualClock
from sequencer.errors import HardwareError
from sequencer.player.job import Job
from sequencer.player.kept import read_kept
from sequencer.player.loop import play_edges
from sequencer.player.process import play
from sequencer.relay.simulated import SimulatedRelay
from sequencer.train import Delays, Limits, Pulse, Train
from tests.player.test_child import LISTING, OURS, text
from tests.relay.peers import LibmodbusBoard, RawBoard, Wire, coil_board, need_debian

if TYPE_CHECKING:
    import subprocess
    from collections.abc import Callable
    from pathlib import Path

DELAYS = Delays((0.0, 0.002), (0.0, 0.002))
TRAIN = Train((Pulse(0.1, 0.1), Pulse(0.1, 0.1)))
QUICK = Limits(max_flashes_per_s=1e3, max_dark_s=1e5)
"""Nothing real is switched here, and no test waits longer than it must."""
UNIT, COIL = 9, 2
LINE = {
    "driver": "modbus",
    "contact": "normally_closed",
    "unit": UNIT,
    "coil": COIL,
    "baud": 9600,
    "parity": "none",
    "line_delay_s": [0.0, 10.0],  # a busy machine makes no failure
}


def test_imports_the_standard_library_and_its_one_driver(
    start: Callable[[list[str]], subprocess.Popen[str]],
) -> None:
    with closing(RawBoard(lambda request: coil_board(request, {}))) as board:
        listing_player = "from sequencer.player.child import main; main()" + LISTING
        player = start([sys.executable, "-S", "-P", "-c", listing_player])
        _, listing = player.communicate(text(Job(TRAIN, DELAYS, {**LINE, "port": board.port}, limits=QUICK)))
    roots = {name: name.split(".")[0] for name in listing.split()}
    ours = {name for name, root in roots.items() if root == "sequencer"}
    others = set(roots.values()) - sys.stdlib_module_names - {"sequencer", "__main__"}
    assert ours | others == OURS | {"sequencer.relay.modbus", "pymodbus", "serial"}


class Waiting(SimulatedRelay):
    """A relay on a line that is taken for a quarter of a second whenever it wants its turn."""

    def set(self, closed: bool) -> None:
        super().set(closed)
        self.waited_s = 0.25


def test_what_a_command_waits_for_its_turn_is_lateness() -> None:
    clock = VirtualClock()
    log = play_edges(TRAIN.edges(), DELAYS, Waiting(now=clock.now), clock)
    assert [stamp.late_s for stamp in log.stamps] == pytest.approx([0.25] * 4)


@pytest.mark.debian
def test_two_players_share_a_line(tmp_path: Path) -> None:
    """Each finishes: neither opening nor a turn takes the answer that the other waits for."""
    need_debian()
    train = Train((Pulse(0.03, 0.03),) * 20)
    with Wire(tmp_path) as wire, closing(LibmodbusBoard(wire.theirs, UNIT)) as board:
        relays = [
            {**LINE, "port": str(wire.ours), "coil": coil, "line_delay_s": [0.0, 10.0]} for coil in (0, 1)
        ]
        with ThreadPoolExecutor() as both:
            results = list(both.map(lambda relay: play(train, DELAYS, relay, limits=QUICK), relays))
        assert [(result.log.outcome, len(result.log.stamps)) for result in results] == [("finished", 40)] * 2
        assert (board.coil(0), board.coil(1)) == (False, False)


@pytest.mark.debian
@pytest.mark.parametrize("writes", range(3, 7))
def test_an_adapter_that_is_pulled_out_in_mid_train(writes: int, tmp_path: Path) -> None:
    """After each edge: rest at opening and closed for the lead-in are the first two writes."""
    need_debian()
    left = [writes]

    def pull_out() -> None:
        left[0] -= 1
        if left[0] == 0:
            wire.pull_out()

    keep = tmp_path / "log.json"
    with Wire(tmp_path) as wire:
        relay: dict[str, Any] = {**LINE, "port": str(wire.ours)}
        with closing(LibmodbusBoard(wire.theirs, UNIT, pull_out)) as board:
            result = play(TRAIN, DELAYS, relay, keep=keep, limits=QUICK)
            assert (result.log.outcome, result.log.rested_s) == ("failed", None)
            assert len(result.log.stamps) in {
                writes - 3,
                writes - 2,
            }  # whether its last echo came through or not
            assert "could not be told to rest" in result.log.detail
            assert "cut the supply of the relay board" in result.log.detail
            assert board.coil(COIL) is (writes % 2 == 1)  # as the last edge left it: nobody can reach it
        kept = read_kept(keep)
        assert kept is not None
        assert kept.result == result
        with pytest.raises(
            HardwareError, match=r"relay on unit 9, coil 2 .* cannot be reached: No such file"
        ):
            play(TRAIN, DELAYS, relay, keep=keep, limits=QUICK)
        wire.plug_in()
        with closing(LibmodbusBoard(wire.theirs, UNIT)) as board:
            again = play(TRAIN, DELAYS, relay, keep=keep, limits=QUICK)
            assert (again.log.outcome, len(again.log.stamps)) == ("finished", 4)
            assert board.coil(COIL) is False
