"""A relay on a serial line: what its line takes is in every plan, measured before a train is sent."""

from __future__ import annotations

import fcntl
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from sequencer.cli import play as play_command
from sequencer.errors import HardwareError
from sequencer.player.job import PlayResult
from sequencer.train import Delays, EdgeLog, Train, line_delay
from tests.relay.peers import RawBoard, coil_board

Run = Callable[[str], Any]
Site = Callable[..., str]

STEP = "--circuit one-way --scene evening --from carousel=chalk"
OWN = Delays((0.005, 0.012), (0.003, 0.008))


@pytest.fixture
def board() -> Iterator[RawBoard]:
    coils: dict[int, bool] = {}
    with closing(RawBoard(lambda request: coil_board(request, coils))) as board:
        yield board


@pytest.fixture
def line(site: Site, board: RawBoard) -> str:
    path = Path(site("CORNER"))
    keys = f'"modbus"\nport = "{board.port}"\nunit = 3\ncoil = 1\nbaud = 19200\nparity = "none"'
    text = path.read_text(encoding="utf-8").replace('"simulated"', keys, 1)
    path.write_text(text, encoding="utf-8")
    return f"{path} {STEP}"


def test_a_plan_without_the_relay_takes_the_baud_rates_word_for_it(
    run: Run, line: str, board: RawBoard
) -> None:
    said = run(f"plan {line}")
    assert said.status == 0
    assert (
        "At 19200 baud a command is taken to need 4.6 to 16.6 ms to the relay; play measures it" in said.out
    )
    assert board.requests == []
    slower = run(f"plan {line} --json").json["pulses"]
    wired = run(f"plan CORNER {STEP} --json").json["pulses"]
    least, greatest = line_delay(19200)
    assert [pulse["off_s"] for pulse in slower] == [
        pytest.approx(p["off_s"] + greatest - least) for p in wired
    ]


def test_check_says_where_the_coil_is_and_what_a_lost_line_does(run: Run, line: str, board: RawBoard) -> None:
    said = run(f"check {line.split(maxsplit=1)[0]}")
    spread_ms = OWN.after(line_delay(19200)).spread_s * 1000
    assert (
        f"relay on unit 3, coil 1 ({board.port}) in the secondary, normally closed, spread {spread_ms:.1f} ms "
        "either way, the line at 19200 baud included"
    ) in said.out
    assert "one-way: if the line is lost in a break, the board keeps the lamps dark: " in said.out


def test_play_measures_the_line_first_and_plans_and_plays_with_that(
    run: Run, line: str, board: RawBoard, monkeypatch: pytest.MonkeyPatch
) -> None:
    sent: list[tuple[Delays, Mapping[str, object]]] = []

    def play(
        _train: Train, delays: Delays, relay: Mapping[str, object], *_: object, **__: object
    ) -> PlayResult:
        sent.append((delays, relay))
        return PlayResult(EdgeLog((), "failed", "not tried"), 0.0, 0.0)

    monkeypatch.setattr(play_command, "play", play)
    said = run(f"play {line} --yes --json")
    ((delays, relay),) = sent
    least, greatest = relay["line_delay_s"]  # type: ignore[misc]
    assert least == line_delay(19200)[0]
    assert delays == OWN.after((least, greatest))
    assert {request[1] for request in board.requests} == {5, 1}
    assert all(request[4] == 0 for request in board.requests if request[1] == 5)  # rest, and nothing but rest
    assert (
        f"A command takes {least * 1000:.1f} to {greatest * 1000:.1f} ms to the relay of one-way" in said.err
    )


def test_play_does_not_measure_into_a_running_train(
    run: Run, line: str, board: RawBoard, state: Path
) -> None:
    lock = state / "Quarry%20Lane%20bench%20corner" / "one-way.json.lock"
    lock.parent.mkdir(parents=True)
    with lock.open("w") as taken:
        fcntl.flock(taken, fcntl.LOCK_EX)
        said = run(f"play {line} --yes")
    assert said.status == HardwareError.exit_status
    assert "another player is still sending a train on this circuit" in said.err
    assert board.requests == []


def test_play_says_when_the_relay_cannot_be_reached(run: Run, line: str, board: RawBoard) -> None:
    board.answer = lambda _: b""
    said = run(f"play {line} --yes")
    assert said.status == HardwareError.exit_status
    assert (
        f"relay on unit 3, coil 1 ({board.port}): cannot be told to rest: no answer within 0.3 s" in said.err
    )
