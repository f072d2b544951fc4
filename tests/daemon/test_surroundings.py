"""``lampstep serve`` as a real process in bad surroundings: a disk of no use, words that nobody reads."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from sequencer.daemon.wire import ask_daemon
from tests.daemon.real import BOUND_S, CIRCUIT, Daemon, wait_for, write_site
from tests.daemon.test_log import fill

SOCKET = "Quarry%20Lane%20lido.socket"


def with_run_folder(memory: Path, state: Path) -> Daemon:
    """A daemon with a folder in memory for its socket, as systemd gives a service."""
    (memory / "run").mkdir(exist_ok=True)
    daemon = Daemon(write_site(memory), state, {"RUNTIME_DIRECTORY": str(memory / "run")})
    daemon.socket = memory / "run" / SOCKET
    daemon.log = memory / "log"
    return daemon


def trouble(daemon: Daemon) -> str:
    answer = ask_daemon(daemon.socket, {"do": "status"})
    assert answer is not None
    return str(answer["journal"])


def resynced(daemon: Daemon) -> None:
    """A further train is sent, and ends well."""
    ask_daemon(daemon.socket, {"do": "resync", "circuit": CIRCUIT})
    daemon.wait(phase="sending")
    daemon.wait(matched=True, phase="lit")


def test_a_state_folder_of_no_use_from_the_start_holds_nothing_up(memory: Path) -> None:
    """A file where the folder should be: every call fails, for root too."""
    (memory / "state").write_text("")
    with with_run_folder(memory, memory / "state") as daemon:
        daemon.start().wait(matched=True, phase="lit")
        resynced(daemon)
        assert "the journal cannot be written" in trouble(daemon)
        assert daemon.said().count("the journal cannot be written") == 1
        with with_run_folder(memory, memory / "state") as other:
            other.log = memory / "other"
            assert daemon.process is not None
            assert other.start().process is not None
            assert other.process is not None
            assert other.process.wait(BOUND_S) == 3
            assert f"process {daemon.process.pid} serves this site already" in other.said()
            (memory / "run" / SOCKET).unlink()  # nor is the socket what it hangs on
            other.log.unlink()
            other.start()
            assert other.process.wait(BOUND_S) == 3
            assert f"process {daemon.process.pid} serves this site already" in other.said()
        assert daemon.stop() == 0


def test_without_any_folder_the_lamps_are_served_and_the_log_says_that_nobody_can_ask(memory: Path) -> None:
    (memory / "state").write_text("")
    with Daemon(write_site(memory), memory / "state") as daemon:
        daemon.log = memory / "log"
        daemon.start()
        wait_for("lamps that match", lambda: f"{CIRCUIT}: every lamp on evening" in daemon.said())
        assert daemon.said().count("nobody can ask the daemon anything") >= 1
        assert daemon.stop() == 0
        assert "Traceback" not in daemon.said()


def test_a_disk_that_goes_while_it_serves_holds_nothing_up(memory: Path) -> None:
    with with_run_folder(memory, memory / "state") as daemon:
        daemon.start().wait(matched=True, phase="lit")
        assert trouble(daemon) == ""
        daemon.folder.rename(memory / "gone")
        daemon.folder.write_text("")
        resynced(daemon)
        resynced(daemon)
        assert trouble(daemon) != ""
        assert daemon.stop() == 0


@contextmanager
def tmpfs(folder: Path) -> Iterator[Callable[[str], None]]:
    """A file system of its own, and what remounts it; skipped where that is not permitted."""
    folder.mkdir()
    told = subprocess.run(["mount", "-t", "tmpfs", "tmpfs", folder], capture_output=True, check=False)
    if told.returncode:
        pytest.skip("mounting is not permitted here")
    try:
        yield lambda how: subprocess.run(["mount", "-o", f"remount,{how}", folder], check=True)  # type: ignore[arg-type,return-value]
    finally:
        subprocess.run(["umount", "-l", folder], check=True)


def test_a_read_only_disk_from_the_start_and_one_that_turns_so(memory: Path) -> None:
    with tmpfs(memory / "state") as remount, with_run_folder(memory, memory / "state") as daemon:
        daemon.start().wait(matched=True, phase="lit")
        daemon.stop()
        remount("ro")
        daemon.start().wait(matched=True, phase="lit")
        assert "Read-only file system" in trouble(daemon)
        resynced(daemon)
        remount("rw")
        daemon.stop()
        daemon.start().wait(matched=True, phase="lit")
        assert trouble(daemon) == ""
        daemon.stop()


def test_words_that_nobody_reads_hold_nothing_up(memory: Path) -> None:
    reading, writing = os.pipe()
    with Daemon(write_site(memory), memory / "state") as daemon:
        daemon.log.parent.mkdir(parents=True)
        daemon.log.write_text("")
        fill(writing)
        daemon.process = subprocess.Popen(daemon.command, env=daemon.environ, stdout=writing, stderr=writing)
        daemon.wait(matched=True, phase="lit")
        resynced(daemon)
        assert daemon.stop() == 0
    os.close(reading)
    os.close(writing)
