"""The local socket within one process: asked, answered, and gone without a trace when it is closed."""

from __future__ import annotations

import os
import socket as sockets
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from sequencer.daemon import wire
from sequencer.daemon.messages import Call, Message
from sequencer.daemon.wire import MOST_LINES, Listening, Socket, ask_daemon, listener
from sequencer.errors import HardwareError
from tests.failing_disk import disk_that_fails

if TYPE_CHECKING:
    from pytest_mock import MockerFixture


def answering(message: Message) -> None:
    assert isinstance(message, Call)
    message.reply({"heard": message.request})


def test_asked_and_answered(tmp_path: Path) -> None:
    path = tmp_path / "serve.socket"
    assert ask_daemon(path, {"do": "status"}) is None
    socket = Socket(path, answering)
    assert ask_daemon(path, {"do": "status"}) == {"heard": {"do": "status"}}
    socket.close()
    assert ask_daemon(path, {"do": "status"}) is None


def test_once_closed_no_thread_of_it_is_left(tmp_path: Path) -> None:
    before = set(threading.enumerate())
    socket = Socket(tmp_path / "serve.socket", answering)
    (listening,) = [thread for thread in set(threading.enumerate()) - before if thread.name == "socket"]
    socket.close()
    assert not listening.is_alive()
    assert not (tmp_path / "serve.socket").exists()


@contextmanager
def line_to(path: Path) -> Iterator[sockets.socket]:
    with sockets.socket(sockets.AF_UNIX) as line:
        line.connect(os.fspath(path))  # waits while as many wait as the kernel lets
        line.settimeout(20)
        yield line


@pytest.fixture
def listening(tmp_path: Path) -> Iterator[Path]:
    path = tmp_path / "s"
    socket = Socket(path, answering)
    yield path
    socket.close()


def test_a_question_has_its_time_in_all_and_not_for_each_byte(listening: Path, mocker: MockerFixture) -> None:
    """A byte now and then, each in time for a wait of its own: the line is closed all the same."""
    mocker.patch.object(wire, "SILENCE_S", 0.2)
    with line_to(listening) as line:
        line.settimeout(0.02)
        while True:
            try:
                line.send(b" ")
                if line.recv(1) == b"":
                    break
            except TimeoutError:
                continue
            except OSError:  # it hung up
                break
    assert ask_daemon(listening, {"do": "status"}) == {"heard": {"do": "status"}}


def test_a_crowd_of_slow_ones_locks_nobody_out(listening: Path, mocker: MockerFixture) -> None:
    """None of them ever ends its question, nor is closed for that: the oldest make room for who asks."""
    mocker.patch.object(wire, "SILENCE_S", 1e6)
    with ExitStack() as lines:
        slow = [lines.enter_context(line_to(listening)) for _ in range(3 * MOST_LINES)]
        for line in slow:
            with suppress(OSError):
                line.send(b"{")
        for _ in range(3):
            assert ask_daemon(listening, {"do": "status"}) == {"heard": {"do": "status"}}
        assert slow[0].recv(10) == b""


def test_where_all_have_asked_and_none_is_answered_the_next_is_told_so(
    tmp_path: Path, mocker: MockerFixture
) -> None:
    mocker.patch.object(wire, "PATIENCE_S", 0.2)
    waiting: list[Message] = []
    socket = Socket(tmp_path / "s", waiting.append)
    with ExitStack() as lines:
        asking = [lines.enter_context(line_to(tmp_path / "s")) for _ in range(MOST_LINES + 1)]
        for line in asking:
            line.sendall(b"{}\n")
        for line in asking:
            assert line.makefile("rb").readline() == b'{"busy": "the daemon is busy; try again"}\n'
    socket.close()


# -- where it cannot be made -----------------------------------------------------------------------


def test_what_cannot_be_made_is_said_once_and_made_later(tmp_path: Path, mocker: MockerFixture) -> None:
    told: list[str] = []
    path = tmp_path / "site" / "serve.socket"
    with disk_that_fails(tmp_path, first=1):
        listening = Listening(path, answering, told.append)
        listening.look()
    assert told == [
        f"{path}: cannot be made: Input/output error: nobody can ask the daemon anything; tried again"
    ]
    mocker.patch.object(wire.time, "monotonic", return_value=1e9)
    listening.look()
    mocker.stopall()
    assert told[1:] == [""]
    assert ask_daemon(path, {"do": "status"}) == {"heard": {"do": "status"}}
    listening.close()
    assert not path.exists()


def test_a_user_outside_the_group_goes_on_and_says_so(tmp_path: Path, mocker: MockerFixture) -> None:
    told: list[str] = []
    mocker.patch.object(Path, "chmod", side_effect=PermissionError(1, "Operation not permitted"))
    listening = Listening(tmp_path / "s", answering, told.append)
    assert told == [
        f"{tmp_path / 's'}: only this user can ask the daemon: its mode cannot be set: Operation not permitted"
    ]
    assert ask_daemon(tmp_path / "s", {"do": "status"}) is not None
    listening.close()


def test_a_folder_that_may_not_be_entered_goes_on_and_says_so(tmp_path: Path, mocker: MockerFixture) -> None:
    """As of ``/run/lampstep``, which belongs to the service's group."""
    told: list[str] = []
    mocker.patch.object(Path, "unlink", side_effect=PermissionError(13, "Permission denied"))
    Listening(tmp_path / "s", answering, told.append).close()
    (words,) = told
    assert words.startswith(f"{tmp_path / 's'}: cannot be made: Permission denied")


@pytest.mark.parametrize("first", range(1, 8))
def test_a_disk_that_fails_at_any_call_leaves_the_loop_alone(tmp_path: Path, first: int) -> None:
    told: list[str] = []
    with disk_that_fails(tmp_path, first=first):
        listening = Listening(tmp_path / "serve.socket", answering, told.append)
        listening.close()
    assert len(told) == 1


def test_who_listens_is_told_and_not_robbed_of_the_socket(listening: Path) -> None:
    assert listener(listening) == os.getpid()
    with pytest.raises(HardwareError, match=f"process {os.getpid()} listens there already"):
        Socket(listening, answering)
    assert ask_daemon(listening, {"do": "status"}) is not None
    assert listener(listening.with_name("nobody")) is None
