"""The daemon as a process: asked by the commands, stopped, killed together with its player, and started again."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import stat
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from sequencer.cli.main import main
from sequencer.daemon import serve
from sequencer.daemon.messages import Message, Stop
from sequencer.daemon.wire import LONGEST, ask_daemon
from sequencer.player.signals import STOPPING, name_of
from tests.daemon.real import BOUND_S, CIRCUIT, Daemon, is_there, kill, wait_for, write_site

NOBODY = 65534
MOSS, MILLPOND = 2, 1
EVENING = 2
"""Relay cycles of a train to that scene."""


class Said(NamedTuple):
    """How a command ended."""

    status: int
    out: str
    err: str

    @property
    def circuit(self) -> dict[str, Any]:
        """The one circuit of a status as JSON."""
        return dict(json.loads(self.out)["circuits"][0])


Run = Callable[..., Said]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Callable[[Daemon], Run]:
    """The commands, with a daemon's surroundings."""

    def for_daemon(daemon: Daemon) -> Run:
        for name in ("XDG_STATE_HOME", "RUNTIME_DIRECTORY"):
            monkeypatch.setenv(name, daemon.environ[name])
        monkeypatch.delenv("STATE_DIRECTORY", raising=False)

        def run(command: str, *words: str) -> Said:
            capsys.readouterr()
            status = main([command, str(daemon.site), *words])
            return Said(status, *capsys.readouterr())

        return run

    return for_daemon


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Daemon]:
    """One daemon for all that leaves it running."""
    folder = tmp_path_factory.mktemp("serve")
    with Daemon(write_site(folder), folder / "state") as daemon:
        yield daemon.start()


@pytest.fixture
def daemon(shared: Daemon) -> Daemon:
    """The same, at rest on the evening's scene."""
    ready = shared.wait(matched=True, phase="lit")
    if ready["scene"] != "evening" or ready["rank"] != "memory":
        ask_daemon(shared.socket, {"do": "take back", "circuit": CIRCUIT})
        ask_daemon(shared.socket, {"do": "ask", "circuit": CIRCUIT, "scene": "evening"})
        shared.wait(matched=True, phase="lit", scene="evening")
        ask_daemon(shared.socket, {"do": "take back", "circuit": CIRCUIT})
        shared.wait(matched=True, phase="lit", scene="evening", rank="memory")
    return shared


# -- what it is asked --------------------------------------------------------------------------


def test_it_is_matched_after_its_start_and_says_so(daemon: Daemon, run: Callable[[Daemon], Run]) -> None:
    lampstep = run(daemon)
    said = lampstep("status", "--json")
    assert daemon.process is not None
    assert (said.status, said.err) == (0, "")
    assert json.loads(said.out)["pid"] == daemon.process.pid
    assert said.circuit["headline"] == "every lamp on evening"
    assert [(lamp["lamp"], lamp["scene"], lamp["code"], lamp["by"]) for lamp in said.circuit["lamps"]] == [
        (name, "moss", MOSS, "train") for name in ("north", "middle", "south")
    ]
    plain = lampstep("status")
    assert plain.status == 0
    assert f"{CIRCUIT}: every lamp on evening\n" in plain.out
    assert len(daemon.entries("intent")) >= 1


def test_what_a_person_tells_corrects_it(daemon: Daemon, run: Callable[[Daemon], Run]) -> None:
    lampstep, trains = run(daemon), len(daemon.entries("intent"))
    said = lampstep("tell", "north=moss", "--json")
    assert said.status == 0
    assert {lamp["lamp"]: lamp["by"] for lamp in said.circuit["lamps"]}["north"] == "person"
    assert lampstep("tell", "south=heather").status == 1
    daemon.wait(phase="sending")
    early = lampstep("tell", "south=heather")
    assert early.status == 2
    assert early.err.startswith(f"{CIRCUIT}: look again when the lamps have been lit and left alone for")
    daemon.wait(matched=True, phase="lit")
    assert len(daemon.entries("intent")) == trains + 1


def test_play_goes_through_it(daemon: Daemon, run: Callable[[Daemon], Run]) -> None:
    lampstep = run(daemon)
    said = lampstep("play", "--circuit", CIRCUIT, "--scene", "quiet", "--yes", "--json")
    assert said.status == 0
    assert said.circuit["headline"] == "every lamp on quiet"
    assert {lamp["code"] for lamp in said.circuit["lamps"]} == {MILLPOND}
    assert f"{CIRCUIT}: sending the train to quiet\n" in said.err
    assert daemon.entries("outcome")[-1]["outcome"] == "held"
    assert lampstep("play", "--circuit", CIRCUIT, "--scene", "quiet", "--from-dark").status == 2


def test_a_replaced_lamp_is_unknown_until_the_next_train(
    daemon: Daemon, run: Callable[[Daemon], Run]
) -> None:
    said = run(daemon)("replaced", "middle", "--json")
    assert said.status == 1
    assert {lamp["scene"] for lamp in said.circuit["lamps"]} == {None}
    assert "a train is due: middle was replaced" in said.circuit["reasons"]
    daemon.wait(matched=True, phase="lit")


def test_steady_until_it_is_taken_back(daemon: Daemon, run: Callable[[Daemon], Run]) -> None:
    lampstep, trains = run(daemon), len(daemon.entries("intent"))
    said = lampstep("steady", "--json")
    assert (said.status, said.circuit["headline"]) == (0, "plain light, no trains")
    assert lampstep("resync").status == 0
    assert daemon.status() == {**said.circuit, "lamps": daemon.wait(rank="steady")["lamps"]}
    assert len(daemon.entries("intent")) == trains
    lampstep("resume")
    daemon.wait(phase="sending")
    daemon.wait(matched=True, phase="lit")
    assert len(daemon.entries("intent")) == trains + 1


def test_resync_sends_a_full_train(daemon: Daemon, run: Callable[[Daemon], Run]) -> None:
    said = run(daemon)("resync", "--json")
    assert said.circuit["reasons"][1] == "a train is due: a person asked for it"
    daemon.wait(phase="sending")
    daemon.wait(matched=True, phase="lit")
    assert daemon.entries("intent")[-1]["known"] == {}


def test_its_simulated_inputs_can_be_touched(daemon: Daemon, run: Callable[[Daemon], Run]) -> None:
    lampstep = run(daemon)
    assert lampstep("touch", "switch=off").status in {0, 1}  # it bounces first
    daemon.wait(phase="dark", rank="off")
    said = lampstep("status", "--json")
    assert (said.status, said.circuit["headline"]) == (0, "dark")
    lampstep("touch", "switch=on")
    daemon.wait(matched=True, phase="lit")
    assert lampstep("touch", "switch=half").status == 2
    assert lampstep("touch", "lever=on").err.startswith(f"{CIRCUIT}: has no input lever")


def test_a_train_is_broken_off_for_people_in_the_water(daemon: Daemon, run: Callable[[Daemon], Run]) -> None:
    lampstep = run(daemon)
    lampstep("resync")
    player = daemon.sending()
    lampstep("touch", "occupied=on")
    said = daemon.wait(phase="waiting")
    assert "it waits: people may be in the water" in said["reasons"]
    assert not is_there(player)
    assert daemon.entries("outcome")[-1]["outcome"] == "broken off"
    lampstep("touch", "occupied=off")
    daemon.wait(matched=True, phase="lit")


def test_it_has_loaded_nothing_that_speaks_encrypted(daemon: Daemon) -> None:
    """APScheduler, imported some seconds after the start, brings 5 MB of it along by itself."""
    assert daemon.process is not None
    proc = Path(f"/proc/{daemon.process.pid}")
    wait_for("the scheduler's thread", lambda: len(list((proc / "task").iterdir())) >= 3)
    wait_for("the scheduler's import", lambda: "_asyncio" in (proc / "maps").read_text())
    assert not {"libssl", "libcrypto"} & set(re.findall(r"lib[a-z]+", (proc / "maps").read_text()))


def test_another_daemon_is_refused(daemon: Daemon) -> None:
    with Daemon(daemon.site, daemon.log.parent) as other:
        other.log = daemon.log.with_name("other")
        assert other.start().process is not None
        assert other.process is not None
        assert other.process.wait(BOUND_S) == 3
        assert daemon.process is not None
        assert other.said() == (
            f"Quarry Lane lido: process {daemon.process.pid} serves this site already: "
            "stop it first, or ask it: lampstep status\n"
        )
    daemon.wait(matched=True, phase="lit")


# -- its socket --------------------------------------------------------------------------------


def test_who_may_not_open_the_socket_is_told_so(memory: Path, run: Callable[[Daemon], Run]) -> None:
    memory.chmod(0o755)
    with Daemon(write_site(memory), memory / "state") as daemon:
        daemon.start().wait()
        assert stat.S_IMODE(daemon.socket.stat().st_mode) == 0o660
        lampstep = run(daemon)
        if os.geteuid() != 0:
            daemon.socket.chmod(0)
        with as_nobody():
            said = lampstep("status")
        assert (said.status, said.out) == (3, "")
        assert said.err.count("\n") == 1
        assert said.err.endswith(
            "the daemon may not be asked by this user: be in the group of that file, or use sudo\n"
        )


@contextmanager
def as_nobody() -> Iterator[None]:
    """As a user who is in no group of the daemon's, where this process can become one."""
    if os.geteuid() != 0:
        yield
        return
    group = os.getegid()
    os.setegid(NOBODY)
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)
        os.setegid(group)


@pytest.mark.parametrize(
    "sent",
    [
        b"",
        b"\n",
        b"status\n",
        b"[1, 2]\n",
        b"\xff\xfe\x00\n",
        b"[" * (LONGEST - 1) + b"\n",
        b'{"do": "sta',
        b'{"do": "' + b"x" * 2 * LONGEST,
    ],
    ids=["nothing", "an empty line", "a word", "no object", "no text", "deep", "half a line", "a long line"],
)
def test_garbage_does_not_trouble_it(daemon: Daemon, sent: bytes) -> None:
    with connected(daemon) as line:
        with suppress(BrokenPipeError, ConnectionResetError):
            line.sendall(sent)
            line.shutdown(socket.SHUT_WR)
        with suppress(ConnectionResetError):
            answer = line.makefile("rb").readline()
            assert answer in {b"", b'{"errors": ["this is no question"]}\n'}
    daemon.wait(matched=True, phase="lit")


@pytest.mark.parametrize(
    "request_", [{"do": "dance"}, {"do": "resync"}, {"do": "tell", "circuit": CIRCUIT}, {}]
)
def test_a_question_that_lacks_something_is_answered(daemon: Daemon, request_: dict[str, Any]) -> None:
    answer = ask_daemon(daemon.socket, request_)
    assert answer is not None
    assert "are both of one version?" in answer["errors"][0]


def test_a_hundred_who_ask_and_a_hundred_who_never_do(daemon: Daemon) -> None:
    answers: list[Any] = []
    threads = [
        threading.Thread(target=lambda: answers.append(ask_daemon(daemon.socket, {"do": "status"})))
        for _ in range(100)
    ]
    with ExitStack() as lines:
        for _ in range(100):
            lines.enter_context(connected(daemon))
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(BOUND_S)
    assert [answer["circuits"][0]["matched"] for answer in answers] == [True] * 100
    daemon.wait(matched=True, phase="lit")


@contextmanager
def connected(daemon: Daemon) -> Iterator[socket.socket]:
    """A line to the daemon, by its short name in this process's working directory."""
    folder = os.open(daemon.folder, os.O_RDONLY)
    with socket.socket(socket.AF_UNIX) as line:
        line.settimeout(BOUND_S)
        line.connect(f"/proc/self/fd/{folder}/{daemon.socket.name}")
        os.close(folder)
        yield line


# -- its end -----------------------------------------------------------------------------------


class Systemd:
    """The manager's end of the notification socket, and all that has arrived there."""

    def __init__(self, path: Path) -> None:
        self.heard: list[str] = []
        self._line = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._line.bind(str(path))
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        while data := self._line.recv(4096):
            self.heard.append(data.decode())

    def close(self) -> None:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as end:
            end.sendto(b"", self._line.getsockname())
        self._thread.join()
        self._line.close()


@pytest.fixture
def systemd(memory: Path) -> Iterator[Systemd]:
    listening = Systemd(memory / "notify")
    yield listening
    listening.close()


def test_it_tells_systemd_and_ends_after_the_train_and_then_nobody_serves(
    memory: Path, systemd: Systemd, run: Callable[[Daemon], Run]
) -> None:
    environ = {"NOTIFY_SOCKET": str(memory / "notify"), "WATCHDOG_USEC": "200000"}
    with Daemon(write_site(memory), memory / "state", environ) as daemon:
        daemon.start().wait(matched=True, phase="lit")
        assert systemd.heard[0] == f"READY=1\nSTATUS={CIRCUIT}: working out the train to evening"
        said = [line for line in systemd.heard if line.startswith("STATUS=")]
        assert said == [
            f"STATUS={CIRCUIT}: sending the train to evening",
            f"STATUS={CIRCUIT}: every lamp on evening",
        ]
        fed = systemd.heard.count("WATCHDOG=1")
        wait_for("a fed watchdog", lambda: systemd.heard.count("WATCHDOG=1") >= fed + 3)

        assert ask_daemon(daemon.socket, {"do": "resync", "circuit": CIRCUIT})
        player = daemon.sending()
        assert daemon.stop() == 0
        assert not is_there(player)
        assert [entry["outcome"] for entry in daemon.entries("outcome")] == ["held", "held"]
        assert daemon.entries("stop") == [{"why": "SIGTERM"}]
        assert daemon.cycles() == 2 * EVENING
        assert f"STOPPING=1\nSTATUS=the train on {CIRCUIT} is sent to its end" in systemd.heard
        assert systemd.heard[-1] == "STOPPING=1\nSTATUS=stopping"
        assert not daemon.socket.exists()

        lampstep = run(daemon)
        said = lampstep("status", "--json")
        assert said.status == 1
        assert json.loads(said.out) == {"pid": None, "journal": "", "circuits": []}
        assert lampstep("status").out.startswith(
            "No daemon serves Quarry Lane lido: nothing is known of its lamps."
        )
        assert lampstep("tell", "north=moss").err.startswith(
            "no daemon serves Quarry Lane lido: start one with"
        )
        assert lampstep("resync").status == 2


@pytest.mark.parametrize("number", [signal.SIGHUP, signal.SIGQUIT, signal.SIGRTMIN], ids=name_of)
def test_a_signal_while_dark_is_a_stop_and_the_contact_goes_home(memory: Path, number: int) -> None:
    with Daemon(write_site(memory), memory / "state") as daemon:
        daemon.start().wait(matched=True, phase="lit")
        ask_daemon(daemon.socket, {"do": "touch", "circuit": CIRCUIT, "line": "switch", "active": False})
        daemon.wait(phase="dark", rank="off")
        assert daemon.process is not None
        daemon.process.send_signal(number)
        assert daemon.process.wait(BOUND_S) == 0
        assert daemon.entries("stop") == [{"why": name_of(number)}]
        assert daemon.said().endswith("Stopped. The lamps are left in plain light.\n")


@pytest.mark.parametrize("number", sorted(STOPPING), ids=name_of)
def test_every_signal_that_would_end_it_stops_the_loop(number: int) -> None:
    heard: list[Message] = []
    with serve._ending(heard.append):
        signal.raise_signal(number)
    assert heard == [Stop(name_of(number))]


@pytest.mark.parametrize("who", [("daemon",), ("player",), ("daemon", "player")], ids="+".join)
def test_killed_in_mid_train_it_comes_back_matched(memory: Path, who: tuple[str, ...]) -> None:
    with Daemon(write_site(memory), memory / "state") as daemon:
        daemon.start().wait(phase="sending")
        player = daemon.sending()
        if "daemon" in who:
            daemon.kill()
        if "player" in who:
            kill(player)
        if "daemon" in who:
            daemon.start()
        daemon.wait(matched=True, phase="lit")
        assert not is_there(player)
        assert [entry["outcome"] for entry in daemon.entries("outcome")][-1] == "held"
        assert len(daemon.entries("outcome")) == len(daemon.entries("intent")) == 2
        assert daemon.cycles() == 2 * EVENING
        if who == ("daemon",):
            assert "a train of an earlier start is still being sent; it is waited for" in daemon.said()


def test_a_hang_up_that_was_ignored_before_stays_so() -> None:
    """As ``nohup`` does it."""
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    heard: list[Message] = []
    try:
        with serve._ending(heard.append):
            signal.raise_signal(signal.SIGHUP)
    finally:
        signal.signal(signal.SIGHUP, before)
    assert heard == []
