"""The parent's side, with real players: signals passed on, deaths on either side, limits."""

from __future__ import annotations

import fcntl
import json
import os
import signal
import sys
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

import pytest

from sequencer.errors import HardwareError, InputError
from sequencer.player import kept, process
from sequencer.player.process import play
from sequencer.train import Delays, Limits, Pulse, Train

if TYPE_CHECKING:
    import subprocess
    from collections.abc import Callable
    from pathlib import Path

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


def test_plays_tells_the_start_and_keeps_the_log(tmp_path: Path) -> None:
    keep, started = tmp_path / "site" / "log.json", []
    result = play(BRIEF, DELAYS, SIMULATED, (1e6,) * 4, keep=keep, on_start=started.append, limits=QUICK)
    assert result.log.outcome == "finished"
    assert [(s.due_s, s.closed) for s in result.log.stamps] == [(e.due_s, e.closed) for e in BRIEF.edges()]
    assert started == [result.started_s]
    left = kept.read_kept(keep)
    assert left is not None
    assert left.result == result
    assert not kept.is_playing(keep)
    kept.forget_kept(keep)
    assert kept.read_kept(keep) is None


def test_edges_out_of_bounds_are_counted() -> None:
    result = play(BRIEF, DELAYS, SIMULATED, (1e6, -1.0, 1e6, -1.0), limits=QUICK)
    assert (result.log.outcome, result.beyond) == ("overdue", (2,))  # the first of them ends the train


def test_handlers_and_mask_are_as_before() -> None:
    before = [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)]
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, ())
    play(Train(()), DELAYS, SIMULATED)
    assert [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)] == before
    assert signal.pthread_sigmask(signal.SIG_BLOCK, ()) == mask


def test_plays_from_another_thread_which_owns_no_signals() -> None:
    with ThreadPoolExecutor(1) as pool:
        assert pool.submit(play, Train(()), DELAYS, SIMULATED).result().log.outcome == "finished"


def test_input_errors_come_back_as_such() -> None:
    with pytest.raises(InputError, match="1 bounds for 4 edges"):
        play(BRIEF, DELAYS, SIMULATED, (1.0,), limits=QUICK)
    with pytest.raises(InputError, match="knows no such pin"):
        play(BRIEF, DELAYS, {"driver": "gpio", "pin": 99, "contact": "normally_closed"}, limits=QUICK)


def test_a_folder_that_cannot_be_made_does_not_keep_the_train_back(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    result = play(BRIEF, DELAYS, SIMULATED, keep=tmp_path / "file" / "log.json", limits=QUICK)
    assert result.log.outcome == "finished"
    assert f"the log could not be kept in {tmp_path / 'file' / 'log.json'} (Not a directory)" in result.notes


def test_hardware_errors_come_back_as_such(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "quill")
    with pytest.raises(HardwareError, match="no pin library works here"):
        play(BRIEF, DELAYS, {"driver": "gpio", "pin": 17, "contact": "normally_closed"}, limits=QUICK)


PARENT = """
import json, sys
from pathlib import Path
from sequencer.player import process
from sequencer.player.job import result_to_json
from sequencer.train import Delays, Limits, Pulse, Train
process.COMMAND = {command!r}
train = Train(tuple(Pulse(*pulse) for pulse in {pulses!r}))
delays, quick = Delays((0.0, 0.002), (0.0, 0.002)), Limits(1e3, 1e5)
result = process.play(train, delays, {relay!r}, limits=quick, keep=Path({keep!r}))
print(json.dumps(result_to_json(result)))
"""


def parent(command: list[str], train: Train, relay: dict[str, Any], keep: Path) -> list[str]:
    """A program that plays ``train`` and prints the result."""
    pulses = [tuple(pulse) for pulse in train.pulses]
    return [sys.executable, "-c", PARENT.format(command=command, pulses=pulses, relay=relay, keep=str(keep))]


def test_a_killed_parent_does_not_stop_the_train(
    command: list[str], start: Start, make_pipe: MakePipe, tmp_path: Path
) -> None:
    pipe, gate, keep = make_pipe("pipe"), make_pipe("gate"), tmp_path / "log.json"
    relay = {**PROBE, "pipe": str(pipe), "gate": str(gate)}
    program = start(parent(command, BRIEF, relay, keep))
    with pipe.open() as probe:
        assert [probe.readline().strip() for _ in range(3)][1:] == ["close", "open"]
        program.kill()
        said, _ = program.communicate()
        assert (program.returncode, said) == (-signal.SIGKILL, "")
        assert kept.is_playing(keep)
        assert kept.read_kept(keep) is None
        gate.write_bytes(b"")  # let it on
        assert probe.read().splitlines() == ["close", "open", "close", "rest"]
    with (tmp_path / "log.json.lock").open() as lock:
        fcntl.flock(lock, fcntl.LOCK_SH)  # until the player has ended
    left = kept.read_kept(keep)
    assert left is not None
    assert left.job.train == BRIEF
    assert (left.result.log.outcome, left.result.notes) == ("finished", ("this is a probe",))
    assert [(s.due_s, s.closed) for s in left.result.log.stamps] == [
        (e.due_s, e.closed) for e in BRIEF.edges()
    ]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_to_the_parent_breaks_the_train_off_and_the_log_comes_home(
    number: signal.Signals, command: list[str], start: Start, make_pipe: MakePipe, tmp_path: Path
) -> None:
    pipe, keep = make_pipe("pipe"), tmp_path / "log.json"
    program = start(parent(command, STUCK, {**PROBE, "pipe": str(pipe)}, keep))
    with pipe.open() as probe:
        assert [probe.readline().strip() for _ in range(5)][1:] == ["close", "open", "close", "open"]
        program.send_signal(number)
        assert probe.read() == "rest\n"
    said, _ = program.communicate()
    log = json.loads(said)["log"]
    assert program.returncode == 0
    assert (log["outcome"], len(log["stamps"])) == ("broken off", 3)
    assert log["detail"] == f"{number.name} from process {program.pid} after 3 of 4 edges"


def test_a_killed_player_is_an_error_and_the_relay_is_sent_to_rest(
    probing: list[str], make_pipe: MakePipe
) -> None:
    assert probing
    pipe = make_pipe("pipe")
    with ThreadPoolExecutor(1) as pool:
        playing = pool.submit(play, STUCK, DELAYS, {**PROBE, "pipe": str(pipe)}, limits=QUICK)
        with pipe.open() as probe:
            pid, *words = [probe.readline().strip() for _ in range(5)]
            assert words == ["close", "open", "close", "open"]
            os.kill(int(pid.split()[1]), signal.SIGKILL)
            said = probe.read()  # whoever sends it to rest may have the pipe open before its end is seen here
        if not said:
            with pipe.open() as probe:
                said = probe.read()
        assert said.splitlines()[1:] == ["rest"]
        with pytest.raises(
            HardwareError,
            match=r"ended without an answer \(signal SIGKILL\); the relay has been sent to rest",
        ):
            playing.result()


def test_a_player_that_hangs_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    hang = "import signal; signal.sigwait({signal.SIGUSR2})"
    monkeypatch.setattr(process, "COMMAND", [sys.executable, "-S", "-c", hang])
    monkeypatch.setattr(process, "START_LIMIT_S", 0.0)
    monkeypatch.setattr(process, "END_LIMIT_S", 0.0)
    with pytest.raises(HardwareError, match=r"signal SIGKILL\); the relay could not be sent to rest either"):
        play(BRIEF, DELAYS, SIMULATED, limits=QUICK)


def test_a_player_that_crashes_says_why(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(process, "COMMAND", [sys.executable, "-S", "-c", "import nothing_of_the_kind"])
    with pytest.raises(HardwareError, match=r"exit status 1: ModuleNotFoundError: .*nothing_of_the_kind"):
        play(BRIEF, DELAYS, SIMULATED, limits=QUICK)


def test_a_player_that_cannot_be_started(monkeypatch: pytest.MonkeyPatch) -> None:
    before = signal.getsignal(signal.SIGINT)
    monkeypatch.setattr(process, "COMMAND", ["/nowhere/python"])
    with pytest.raises(HardwareError, match=r"the player cannot be started: .*/nowhere/python"):
        play(BRIEF, DELAYS, SIMULATED, limits=QUICK)
    assert signal.getsignal(signal.SIGINT) == before


def test_a_listener_that_fails_ends_the_train(probing: list[str], make_pipe: MakePipe) -> None:
    def refuse(_zero: float) -> None:
        raise RuntimeError("no screen")

    assert probing
    pipe = make_pipe("pipe")
    with ThreadPoolExecutor(1) as pool:
        heard = pool.submit(pipe.read_text)
        with pytest.raises(RuntimeError, match="no screen"):
            play(STUCK, DELAYS, {**PROBE, "pipe": str(pipe)}, on_start=refuse, limits=QUICK)
        assert heard.result().splitlines()[-1] == "rest"
