"""The unit and its neighbours, read by systemd's own tools, and held against what the program needs of them."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections import defaultdict
from pathlib import Path

import pytest

from sequencer.daemon.wire import MOST_LINES
from sequencer.player import kept, process
from sequencer.player.job import PRIORITY

FOLDER = Path(__file__).parents[2] / "systemd"
UNIT = FOLDER / "lampstep@.service"
NEW_IN_254 = {"RestartSteps", "RestartMaxDelaySec"}


def settings() -> dict[str, list[str]]:
    """Every key of the unit with its values, in their order."""
    found = defaultdict(list)
    for key, value in re.findall(r"^(\w+)=(.*)$", UNIT.read_text(), re.MULTILINE):
        found[key].append(value)
    return found


def tool(name: str, *arguments: object) -> subprocess.CompletedProcess[str]:
    """Run one of systemd's tools; without it, skip, except in CI."""
    if shutil.which(name) is None and not os.environ.get("CI"):
        pytest.skip(f"{name} is not installed (apt install systemd)")
    env = {**os.environ, "SYSTEMD_COLORS": "0", "SYSTEMD_PAGER": "cat"}
    words = [str(argument) for argument in arguments]
    return subprocess.run([name, *words], capture_output=True, text=True, timeout=60, env=env, check=False)


@pytest.mark.debian
def test_it_is_shut_tight_enough() -> None:
    """An exposure of at most 2.0 of 10 by systemd's own count (``--threshold`` is in tenths)."""
    told = tool("systemd-analyze", "security", "--offline=true", "--threshold=20", UNIT)
    assert told.returncode == 0, told.stdout[-400:]
    assert re.search(r"Overall exposure level for lampstep@\w+\.service: [01]\.\d", told.stdout)


@pytest.mark.debian
def test_systemd_understands_every_line(tmp_path: Path) -> None:
    """All but what is newer than this systemd; the program, which is not installed here, stood in for."""
    there = tmp_path / UNIT.name
    there.write_text(
        UNIT.read_text().replace("ExecStart=/opt/lampstep/current/bin/lampstep", "ExecStart=/bin/true")
    )
    told = tool("systemd-analyze", "verify", "--man=no", there)
    complaints = [line for line in told.stderr.splitlines() if UNIT.name in line or "lampstep" in line]
    unknown = {key for line in complaints for key in re.findall(r"Unknown key (?:name )?'(\w+)'", line)}
    assert len(complaints) == len(unknown)
    assert unknown <= NEW_IN_254
    assert told.returncode == 0


@pytest.mark.debian
def test_the_user_is_made_on_a_bare_system(tmp_path: Path) -> None:
    etc = tmp_path / "etc"
    etc.mkdir()
    (etc / "group").write_text("root:x:0:\ndialout:x:20:\n")
    (etc / "passwd").write_text("root:x:0:0:root:/root:/bin/sh\n")
    for _ in range(2):
        told = tool("systemd-sysusers", f"--root={tmp_path}", FOLDER / "lampstep.sysusers")
        assert told.returncode == 0, told.stderr
    name, _, _, _, _, home, shell = (etc / "passwd").read_text().splitlines()[-1].split(":")
    assert (name, home, Path(shell).name) == ("lampstep", "/var/lib/lampstep", "nologin")
    groups = {line.split(":")[0]: line.split(":")[3] for line in (etc / "group").read_text().splitlines()}
    assert groups == {"root": "", "dialout": "lampstep", "gpio": "lampstep", "lampstep": ""}


@pytest.mark.parametrize(
    ("key", "values"),
    [
        ("Type", ["notify"]),
        ("NotifyAccess", ["main"]),
        ("KillMode", ["process"]),  # a train in the player's process outlives the daemon
        ("Restart", ["always"]),
        ("StartLimitIntervalSec", ["0"]),  # and for ever: nobody comes to start it again
        ("OOMPolicy", ["continue"]),  # a search that is killed does not take the daemon with it
        ("RuntimeDirectory", ["lampstep"]),
        ("RuntimeDirectoryPreserve", ["yes"]),  # else one instance that stops takes the others' socket away
        ("RestrictAddressFamilies", ["AF_UNIX"]),
        ("PrivateNetwork", ["yes"]),
        ("CapabilityBoundingSet", [""]),
        ("AmbientCapabilities", [""]),
        ("SystemCallErrorNumber", ["EPERM"]),
    ],
)
def test_what_the_program_builds_on(key: str, values: list[str]) -> None:
    assert settings()[key] == values


@pytest.mark.parametrize(
    "key", ["CPUSchedulingPolicy", "RestrictRealtime", "PrivateDevices", "ProcSubset", "PrivateUsers"]
)
def test_what_must_be_left_alone(key: str) -> None:
    """The daemon is scheduled as any other; the player asks for real time, the pins are real devices."""
    assert key not in settings()


def test_the_player_may_have_the_priority_that_it_asks_for() -> None:
    assert settings()["LimitRTPRIO"] == [str(PRIORITY)]
    assert settings()["LimitMEMLOCK"] == ["infinity"]


def test_calls_that_the_program_makes_are_allowed_again() -> None:
    """Both are in @resources, which is shut: SCHED_FIFO of the player, nice(2) of the child that plans."""
    assert set(settings()["SystemCallFilter"][-1].split()) == {"sched_setscheduler", "setpriority"}


def test_stopping_leaves_the_player_its_time() -> None:
    """A train, and then what :mod:`sequencer.player.process` gives the player to end, twice at worst."""
    assert int(settings()["TimeoutStopSec"][0]) >= 60 + 2 * process.END_LIMIT_S


def test_a_crowd_and_a_search_fit_into_its_limits() -> None:
    """Threads: the socket's lines, with eight circuits a search and a waiter each, the player and a dozen more.
    Memory: a daemon of 40 MB, a search that gives up at 150 MB, a player of 20 MB, and half as much again."""
    (tasks,), (memory,) = settings()["TasksMax"], settings()["MemoryMax"]
    assert MOST_LINES + 2 * 8 + 2 + 12 <= int(tasks) <= 2 * MOST_LINES
    assert 1.5 * (40 + 150 + 20) <= int(memory.removesuffix("M")) < 512  # a board of 512 MB lives on


def test_it_stands_where_the_pin_library_can_make_its_pipe_whatever_the_disk_does() -> None:
    assert settings()["WorkingDirectory"] == [f"%t/{settings()['RuntimeDirectory'][0]}"]


def test_it_waits_for_nothing_that_is_not_on_the_board() -> None:
    waited = " ".join(settings()["After"] + settings()["Wants"] + settings()["Requires"])
    assert {word.split("@")[0] for word in waited.split()} == {"modprobe"}


def test_state_is_where_the_program_looks_for_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """systemd.exec(5): StateDirectory=NAME is STATE_DIRECTORY=/var/lib/NAME. A person's command, through the
    installed wrapper, looks in the same places."""
    monkeypatch.setenv("STATE_DIRECTORY", f"/var/lib/{settings()['StateDirectory'][0]}")
    assert kept.path_for("lido", "c") == Path("/var/lib/lampstep/lido/c.json")
    wrapper = (FOLDER / "lampstep").read_text()
    assert 'STATE_DIRECTORY="${STATE_DIRECTORY-/var/lib/lampstep}"' in wrapper
    assert 'RUNTIME_DIRECTORY="${RUNTIME_DIRECTORY-/run/lampstep}"' in wrapper
