"""What arrives at a real datagram socket, as systemd has one; the protocol is sd_notify(3)'s."""

from __future__ import annotations

import os
import socket
from contextlib import suppress
from typing import TYPE_CHECKING

import pytest

from sequencer.daemon.notify import Notifier, message, watchdog_period_s

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture(params=["in the file system", "abstract"])
def systemd(
    request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[socket.socket]:
    """The manager's end. ``@`` stands for the null of an abstract address: sd_notify(3), NOTIFY_SOCKET."""
    abstract = request.param == "abstract"
    name = f"@lampstep-{os.getpid()}" if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(f"\0{name[1:]}" if abstract else name)
        listening.setblocking(False)
        monkeypatch.setenv("NOTIFY_SOCKET", name)
        yield listening


def heard(listening: socket.socket) -> list[str]:
    """All that has arrived, a datagram each, as the UTF-8 that sd_notify(3) wants."""
    datagrams = []
    while True:
        try:
            datagrams.append(listening.recv(4096).decode("utf-8"))
        except BlockingIOError:
            return datagrams


def test_a_life_from_ready_to_stopping(systemd: socket.socket) -> None:
    with Notifier() as notifier:
        notifier.ready("lap-pool: not yet known")
        notifier.alive()
        notifier.status('lap-pool: "evening", matched')
        notifier.alive()
        notifier.stopping("waiting for a train to end")
    notifier.alive()
    assert heard(systemd) == [
        "READY=1\nSTATUS=lap-pool: not yet known",
        "WATCHDOG=1",
        'STATUS=lap-pool: "evening", matched',
        "WATCHDOG=1",
        "STOPPING=1\nSTATUS=waiting for a train to end",
    ]


def test_the_same_status_is_said_once(systemd: socket.socket) -> None:
    with Notifier() as notifier:
        notifier.ready("one")
        for text in ("one", "two", "two", "one"):
            notifier.status(text)
    assert heard(systemd) == ["READY=1\nSTATUS=one", "STATUS=two", "STATUS=one"]


@pytest.mark.parametrize("name", ["Badeanstalt Süd", "Łaźnia", "水"])
def test_names_of_any_language_arrive(systemd: socket.socket, name: str) -> None:
    with Notifier() as notifier:
        notifier.status(f"{name}: matched")
    assert heard(systemd) == [f"STATUS={name}: matched"]


def test_a_status_cannot_smuggle_in_another_word(systemd: socket.socket) -> None:
    with Notifier() as notifier:
        notifier.status("lap-pool\nSTOPPING=1\r\nMAINPID=1")
    assert heard(systemd) == ["STATUS=lap-pool STOPPING=1 MAINPID=1"]


def test_nobody_to_tell(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is said, nothing is opened: an unclosed socket would be an error in these tests."""
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    monkeypatch.delenv("WATCHDOG_USEC", raising=False)
    notifier = Notifier()
    notifier.ready("on a terminal")
    notifier.status("still on it")
    notifier.alive()
    notifier.stopping("gone")
    notifier.close()
    assert notifier.watchdog_period_s is None


def test_a_manager_that_has_gone_is_no_error(systemd: socket.socket) -> None:
    with Notifier() as notifier:
        systemd.close()
        notifier.ready("nobody hears this")
        notifier.alive()


@pytest.mark.parametrize(
    ("environ", "period_s"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "30000000"}, 15.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "17"}, 15.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "18"}, None),  # a parent's: not for this process
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": ""}, None),
        ({"WATCHDOG_USEC": "1"}, 5e-7),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "-1"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({"WATCHDOG_USEC": "³"}, None),
        ({"WATCHDOG_PID": "17"}, None),
    ],
)
def test_when_to_feed_the_watchdog(environ: dict[str, str], period_s: float | None) -> None:
    """sd_watchdog_enabled(3): WATCHDOG_USEC counts if WATCHDOG_PID is unset or the process's own."""
    assert watchdog_period_s(environ, pid=17) == period_s


def test_the_environment_of_this_process_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    monkeypatch.setenv("WATCHDOG_USEC", "10000000")
    monkeypatch.setenv("WATCHDOG_PID", str(os.getpid()))
    assert Notifier().watchdog_period_s == 5.0


def test_a_datagram_may_hold_several_words() -> None:
    assert message(("A", " x  y "), ("B", "")) == "A=x y\nB="


def test_a_manager_that_does_not_listen_is_not_waited_for_and_hears_it_later(systemd: socket.socket) -> None:
    """As many datagrams as the kernel takes; on a notifier that waits this test never ends."""
    with Notifier() as notifier:
        filling = notifier._systemd.socket.dup()
        filling.setblocking(False)
        with filling, suppress(BlockingIOError):
            while True:
                filling.send(b"WATCHDOG=1")
        notifier.ready("lap-pool: evening")
        notifier.alive()
        notifier.status("lap-pool: quiet")
        heard(systemd)
        notifier.alive()
        assert heard(systemd) == ["READY=1\nSTATUS=lap-pool: quiet\nWATCHDOG=1"]
        notifier.alive()
        assert heard(systemd) == ["WATCHDOG=1"]
