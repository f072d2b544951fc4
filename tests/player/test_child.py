"""The player's process, alone: what it answers, what ends it, what it imports."""

from __future__ import annotations

import errno
import json
import os
import signal
import sys
import time
from typing import TYPE_CHECKING, Any

import pytest

from sequencer.daemon.records import judged
from sequencer.player import child, kept
from sequencer.player.job import Job, job_to_json, result_from_json
from sequencer.train import Delays, Limits, Pulse, Train
from tests.failing_disk import disk_that_fails

if TYPE_CHECKING:
    import subprocess
    from collections.abc import Callable
    from pathlib import Path

    from pytest_mock import MockerFixture

    Start = Callable[[list[str]], subprocess.Popen[str]]
    MakePipe = Callable[[str], Path]

DELAYS = Delays((0.0, 0.002), (0.0, 0.002))
BRIEF = Train((Pulse(0.02, 0.02), Pulse(0.02, 0.02)))
STUCK = Train((Pulse(0.01, 0.01), Pulse(3600.0, 1.0)))
QUICK = Limits(max_flashes_per_s=1e3, max_dark_s=1e5)
"""Nothing real is switched here, and no test waits longer than it must."""
"""Three edges at once, then a break that only a signal ends."""
SIMULATED = {"driver": "simulated", "contact": "normally_closed"}
PROBE = {"driver": "probe", "contact": "normally_closed"}
GPIO = {"driver": "gpio", "pin": 17, "contact": "normally_closed"}


def text(job: Job) -> str:
    return json.dumps(job_to_json(job))


def give(player: subprocess.Popen[str], job: Job) -> None:
    """Hand the job over and close, as a parent does."""
    assert player.stdin is not None
    player.stdin.write(text(job))
    player.stdin.close()
    player.stdin = None


@pytest.mark.parametrize("relay", [SIMULATED, GPIO], ids=["simulated", "gpio"])
def test_plays_and_answers(relay: dict[str, Any], command: list[str], start: Start) -> None:
    player = start(command)
    said, complaints = player.communicate(text(Job(BRIEF, DELAYS, relay, (1e6,) * 4, limits=QUICK)))
    started, ended = map(json.loads, said.splitlines())
    result = result_from_json(ended["result"])
    assert player.returncode == 0
    assert complaints == ""
    assert (result.log.outcome, result.log.detail, result.beyond) == ("finished", "", ())
    assert [(s.due_s, s.closed) for s in result.log.stamps] == [(e.due_s, e.closed) for e in BRIEF.edges()]
    assert all(stamp.late_s >= 0 for stamp in result.log.stamps)
    assert result.started_s == started["started_s"]


def test_runs_as_a_module_too(start: Start) -> None:
    player = start([sys.executable, "-m", "sequencer.player.child"])
    said, _ = player.communicate(text(Job(Train(()), DELAYS, SIMULATED)))
    assert player.returncode == 0
    assert json.loads(said.splitlines()[-1])["result"]["log"]["outcome"] == "finished"


@pytest.mark.parametrize(
    "number", [signal.SIGINT, signal.SIGTERM, signal.SIGVTALRM, signal.SIGIO, signal.SIGABRT, signal.SIGRTMIN]
)
def test_a_signal_in_a_break_sends_the_relay_to_rest_and_keeps_the_log(
    number: signal.Signals, command: list[str], start: Start, make_pipe: MakePipe, tmp_path: Path
) -> None:
    pipe, keep = make_pipe("pipe"), tmp_path / "log.json"
    player = start(command)
    give(player, job := Job(STUCK, DELAYS, {**PROBE, "pipe": str(pipe)}, keep=str(keep), limits=QUICK))
    with pipe.open() as probe:
        assert [probe.readline().strip() for _ in range(5)] == [
            f"pid {player.pid}",
            "close",
            "open",
            "close",
            "open",
        ]
        player.send_signal(signal.SIGHUP)  # which changes nothing
        player.send_signal(number)
        assert probe.read() == "rest\n"
    said, _ = player.communicate()
    result = result_from_json(json.loads(said.splitlines()[-1])["result"])
    assert player.returncode == 130
    assert result.log.outcome == "broken off"
    assert result.log.detail == f"{number.name} from process {os.getpid()} after 3 of 4 edges"
    assert [stamp.closed for stamp in result.log.stamps] == [False, True, False]
    assert result.log.rested_s is not None
    assert result.log.rested_s >= result.log.stamps[-1].commanded_s
    assert kept.read_kept(keep) == kept.KeptLog(job, result)


def test_stopped_across_an_edge_and_continued_the_edge_is_beyond_and_ends_the_train(
    command: list[str], start: Start, make_pipe: MakePipe
) -> None:
    """SIGSTOP in the wait for an edge, SIGCONT after it: a late edge, and no fault of the player's."""
    late_s, break_s = 0.5, 2.0
    pipe = make_pipe("pipe")
    player = start(command)
    give(player, Job(Train((Pulse(break_s, 0.02),)), DELAYS, {**PROBE, "pipe": str(pipe)}, (1e6, late_s)))
    with pipe.open() as probe:
        assert [probe.readline().strip() for _ in range(3)][1:] == ["close", "open"]
        player.send_signal(signal.SIGSTOP)
        assert os.waitid(os.P_PID, player.pid, os.WSTOPPED | os.WNOWAIT) is not None
        assert player.stdout is not None
        due = json.loads(player.stdout.readline())["started_s"] + break_s
        while time.monotonic() <= due + late_s:
            time.sleep(0.01)
        player.send_signal(signal.SIGCONT)
        assert probe.read() == "close\nrest\n"
    said, complaints = player.communicate()
    result = result_from_json(json.loads(said.splitlines()[-1])["result"])
    assert (player.returncode, complaints) == (1, "")
    assert (result.log.outcome, result.beyond) == ("overdue", (2,))
    assert judged(result) == ("spoiled", "edge 2 came too far from its time")


def test_a_relay_that_fails_is_sent_to_rest(command: list[str], start: Start, make_pipe: MakePipe) -> None:
    pipe = make_pipe("pipe")
    player = start(command)
    give(player, Job(STUCK, DELAYS, {**PROBE, "pipe": str(pipe), "fault_at": 2}, limits=QUICK))
    with pipe.open() as probe:
        assert probe.read().splitlines()[1:] == ["close", "open", "rest"]
    said, _ = player.communicate()
    log = result_from_json(json.loads(said.splitlines()[-1])["result"]).log
    assert player.returncode == 3
    assert (log.outcome, log.detail) == ("failed", "the probe is told to fail after 1 of 4 edges")


def test_plays_on_without_a_parent(
    command: list[str], start: Start, make_pipe: MakePipe, tmp_path: Path
) -> None:
    pipe, gate, keep = make_pipe("pipe"), make_pipe("gate"), tmp_path / "log.json"
    player = start(command)
    give(
        player,
        Job(BRIEF, DELAYS, {**PROBE, "pipe": str(pipe), "gate": str(gate)}, keep=str(keep), limits=QUICK),
    )
    with pipe.open() as probe:
        assert [probe.readline().strip() for _ in range(3)][-1] == "open"
        assert player.stdout is not None
        player.stdout.close()  # as when the parent dies: nobody will hear the answer
        player.stdout = None
        gate.write_bytes(b"")  # let it on
        assert probe.read().splitlines() == ["close", "open", "close", "rest"]
    player.communicate()
    assert player.returncode == 0
    left = kept.read_kept(keep)
    assert left is not None
    assert (left.result.log.outcome, len(left.result.log.stamps)) == ("finished", 4)


@pytest.mark.parametrize(
    ("given", "problem"),
    [
        ("", "this is no job"),
        ('{"train": {}}', "this is no job (KeyError: 'delays')"),
        (text(Job(BRIEF, DELAYS, SIMULATED, (1.0,), limits=QUICK)), "1 bounds for 4 edges"),
        (
            text(Job(BRIEF, DELAYS, {**SIMULATED, "contact": "normally_open"}, limits=QUICK)),
            "needs a lead-in",
        ),
        (text(Job(BRIEF, DELAYS, {**SIMULATED, "driver": "semaphore"}, limits=QUICK)), "not in this version"),
        (
            text(Job(BRIEF, DELAYS, {**GPIO, "pin": 99}, limits=QUICK)),
            "relay on pin 99: gpiozero knows no such pin",
        ),
    ],
)
def test_a_bad_job_is_said_in_a_line(given: str, problem: str, command: list[str], start: Start) -> None:
    player = start(command)
    said, complaints = player.communicate(given)
    answer = json.loads(said)
    assert player.returncode == answer["exit_status"] == 2
    assert problem in answer["error"]
    assert complaints == ""


def test_two_players_on_one_circuit_are_one_too_many(
    command: list[str], start: Start, tmp_path: Path
) -> None:
    keep = tmp_path / "lap-pool.json"
    lock, _ = kept.lock(keep)
    assert kept.is_playing(keep)
    player = start(command)
    said, _ = player.communicate(text(Job(BRIEF, DELAYS, SIMULATED, keep=str(keep), limits=QUICK)))
    assert player.returncode == json.loads(said)["exit_status"] == 3
    assert "lap-pool: another player is still sending a train" in json.loads(said)["error"]
    lock.close()


LISTING = "; import sys; print(*sys.modules, sep='\\n', file=sys.stderr)"
OURS = {
    "sequencer",
    "sequencer.errors",
    "sequencer.train",
    "sequencer.player",
    "sequencer.player.alone",
    "sequencer.player.child",
    "sequencer.player.job",
    "sequencer.player.kept",
    "sequencer.player.loop",
    "sequencer.player.realtime",
    "sequencer.player.signals",
    "sequencer.relay",
    "sequencer.relay.protocol",
    "sequencer.relay.registry",
}


@pytest.mark.parametrize(
    ("relay", "more"),
    [
        (SIMULATED, {"sequencer.relay.simulated"}),
        (GPIO, {"sequencer.relay.gpio", "gpiozero", "colorzero"}),
    ],
    ids=["simulated", "gpio"],
)
def test_imports_the_standard_library_and_its_one_driver(
    relay: dict[str, Any], more: set[str], start: Start
) -> None:
    player = start(
        [sys.executable, "-S", "-P", "-c", "from sequencer.player.child import main; main()" + LISTING]
    )
    _, listing = player.communicate(text(Job(BRIEF, DELAYS, relay, limits=QUICK)))
    roots = {name: name.split(".")[0] for name in listing.split()}
    ours = {name for name, root in roots.items() if root == "sequencer"}
    others = set(roots.values()) - sys.stdlib_module_names - {"sequencer", "__main__"}
    assert ours | others == OURS | more


def test_what_was_not_permitted_is_in_the_answer(mocker: MockerFixture) -> None:
    mocker.patch("os.sched_setscheduler", side_effect=PermissionError(errno.EPERM, "Operation not permitted"))
    mocker.patch.object(child, "_say")
    mocker.patch("sequencer.player.realtime._lock_memory", return_value="")
    stack_size = mocker.patch("threading.stack_size")
    result = child._play(Job(Train(()), DELAYS, SIMULATED, priority=60))
    (note,) = result.notes
    assert note.startswith("real-time priority 60 was not permitted")
    stack_size.assert_called_once_with(256 * 1024)


def test_no_real_time_is_asked_for_where_none_is_wanted(mocker: MockerFixture) -> None:
    schedule = mocker.patch("os.sched_setscheduler")
    mocker.patch.object(child, "_say")
    mocker.patch("threading.stack_size")
    assert child._play(Job(Train(()), DELAYS, SIMULATED, priority=None)).notes == ()
    assert not schedule.called


def test_a_log_that_cannot_be_kept_is_said_and_not_lost(mocker: MockerFixture, tmp_path: Path) -> None:
    mocker.patch.object(child, "_say")
    mocker.patch("threading.stack_size")
    mocker.patch("os.fsync", side_effect=OSError(errno.ENOSPC, "No space left on device"))
    keep = str(tmp_path / "log.json")
    result = child._play(Job(Train(()), DELAYS, SIMULATED, priority=None, keep=keep))
    assert result.log.outcome == "finished"
    assert result.notes == (f"the log could not be kept in {keep} (No space left on device)",)


def test_a_log_that_can_neither_be_locked_nor_kept_does_not_keep_the_train_back(
    command: list[str], start: Start, tmp_path: Path
) -> None:
    """A file where the folder for the log should be: every call to the disk fails, for any user."""
    (tmp_path / "site").write_text("")
    keep = tmp_path / "site" / "lap-pool.json"
    player = start(command)
    said, complaints = player.communicate(text(Job(BRIEF, DELAYS, SIMULATED, keep=str(keep), limits=QUICK)))
    result = result_from_json(json.loads(said.splitlines()[-1])["result"])
    assert (player.returncode, complaints, result.log.outcome) == (0, "", "finished")
    assert f"the log could not be kept in {keep} (Not a directory)" in result.notes


@pytest.mark.parametrize("first", range(1, 16))
def test_whichever_call_to_the_disk_fails_first_the_train_is_sent(
    mocker: MockerFixture, tmp_path: Path, first: int
) -> None:
    mocker.patch.object(child, "_say")
    mocker.patch("threading.stack_size")
    with disk_that_fails(tmp_path, first=first) as disk:
        result = child._play(
            Job(BRIEF, DELAYS, SIMULATED, priority=None, keep=str(tmp_path / "lap-pool.json"))
        )
    assert result.log.outcome == "finished"
    assert len(result.log.stamps) == 4
    assert any("could not be kept" in note for note in result.notes) == bool(disk.failed)
