"""The simulated driver alone: in virtual time, and its moves on a file at the end."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from sequencer.clock import VirtualClock
from sequencer.errors import HardwareError, InputError
from sequencer.relay.simulated import SimulatedRelay, open_

if TYPE_CHECKING:
    from pathlib import Path


def test_moves_in_virtual_time() -> None:
    clock = VirtualClock()
    relay = SimulatedRelay(now=clock.now)
    for at, closed in ((1.0, True), (2.0, False), (2.5, False), (3.0, True), (4.0, False)):
        clock.sleep_until(at)
        relay.set(closed)
    clock.sleep_until(5.0)
    relay.close()
    assert relay.moves == [(0.0, True), (2.0, False), (3.0, True), (4.0, False), (5.0, True)]


def test_moves_come_to_the_file_at_the_end_only(tmp_path: Path) -> None:
    file = tmp_path / "moves.json"
    relay = open_({"contact": "normally_open", "edges_to": str(file)})
    relay.set(True)
    assert not file.exists()
    relay.close()
    assert [closed for _, closed in json.loads(file.read_text())] == [False, True, False]


def test_a_file_that_cannot_be_written_does_not_keep_it_from_rest(tmp_path: Path) -> None:
    relay = open_({"contact": "normally_closed", "edges_to": str(tmp_path / "none" / "moves.json")})
    relay.set(False)
    with pytest.raises(HardwareError, match="cannot write its edges"):
        relay.close()
    assert relay.moves[-1][1] is True


def test_edges_to_what() -> None:
    with pytest.raises(InputError, match="edges_to"):
        open_({"contact": "normally_closed", "edges_to": 3})
