"""The dump, read back by others: pyvcd's own tokenizer and sigrok."""

from __future__ import annotations

import io
import os
import re
import shutil
import subprocess
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest
from vcd.reader import TokenKind, tokenize

from sequencer.clock import VirtualClock
from sequencer.player.loop import play_edges
from sequencer.player.vcd import vcd_text
from sequencer.relay.simulated import SimulatedRelay
from sequencer.train import Delays, EdgeLog, Pulse, Stamp, Train

if TYPE_CHECKING:
    from pathlib import Path

TRAIN = Train((Pulse(0.15, 0.19), Pulse(0.123456, 0.3), Pulse(0.05, 1.0)))
MEAN_MAKE_US, MEAN_BREAK_US = 8500, 5500


def played(train: Train) -> EdgeLog:
    clock = VirtualClock()
    return play_edges(train.edges(), Delays(), SimulatedRelay(now=clock.now), clock, until_s=train.total_s)


def changes(text: str) -> dict[str, list[tuple[int, int]]]:
    """Per wire (microseconds, level), the initial level first."""
    names: dict[str, str] = {}
    found: dict[str, list[tuple[int, int]]] = {}
    at = 0
    for token in tokenize(io.BytesIO(text.encode())):
        if token.kind is TokenKind.VAR:
            names[token.var.id_code] = token.var.reference
        elif token.kind is TokenKind.TIMESCALE:
            assert (int(token.timescale.magnitude), token.timescale.unit.value) == (1, "us")
        elif token.kind is TokenKind.CHANGE_TIME:
            at = token.time_change
        elif token.kind is TokenKind.CHANGE_SCALAR:
            change = token.scalar_change
            found.setdefault(names[change.id_code], []).append((at, int(change.value)))
    return found


def test_both_wires_change_where_the_log_says() -> None:
    log = played(TRAIN)
    wires = changes(vcd_text(log))
    zero = 1000 + MEAN_BREAK_US  # the first command, a millisecond after the dump begins
    edges = [(zero + round(edge.due_s * 1e6), int(edge.closed)) for edge in TRAIN.edges()]
    assert wires["due"] == [(0, 1), *edges]
    assert wires["cmd"] == [
        (0, 1),
        *((at - (MEAN_MAKE_US if closed else MEAN_BREAK_US), closed) for at, closed in edges),
    ]


def test_the_comment_says_where_the_zero_is() -> None:
    assert "the train's zero is at 6500 us; finished" in vcd_text(played(TRAIN))
    late = vcd_text(played(TRAIN._replace(lead_in_s=2.0)))
    assert "the train's zero is at 0 us" in late


def test_a_train_broken_off_in_a_break_ends_at_rest() -> None:
    log = EdgeLog((Stamp(2.0, 1.9, 1.9, False),), "broken off", "SIGINT", rested_s=2.5)
    assert changes(vcd_text(log))["cmd"] == [(0, 1), (1_900_000, 0), (2_500_000, 1)]
    assert changes(vcd_text(log._replace(rested_s=None)))["cmd"] == [(0, 1), (1_900_000, 0)]


def test_an_empty_log_is_a_dump_too() -> None:
    assert changes(vcd_text(EdgeLog((), "failed"))) == {"cmd": [(0, 1)], "due": [(0, 1)]}


@pytest.mark.debian
@pytest.mark.parametrize("wire", ["cmd", "due"])
def test_sigrok_reads_every_interval(wire: str, tmp_path: Path) -> None:
    if shutil.which("sigrok-cli") is None and not os.environ.get("CI"):
        pytest.skip("sigrok-cli is not installed (apt install sigrok-cli)")
    log = played(TRAIN)
    file = tmp_path / "log.vcd"
    file.write_text(vcd_text(log))
    read = subprocess.run(
        [
            *("sigrok-cli", "-i", file, "-I", "vcd:downsample=1"),
            *("-P", f"timing:data={wire}", "-A", "timing=time", "--protocol-decoder-samplenum"),
        ],
        check=True,
        capture_output=True,
        text=True,
        timeout=60,
    ).stdout
    samples = [(int(a), int(b)) for a, b in re.findall(r"^(\d+)-(\d+) timing-1: ", read, re.MULTILINE)]
    times = [stamp.commanded_s if wire == "cmd" else stamp.due_s for stamp in log.stamps]
    assert [b - a for a, b in samples] == [round((b - a) * 1e6) for a, b in pairwise(times)]
    assert len(samples) == 5
