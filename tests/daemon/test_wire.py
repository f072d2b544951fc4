"""The local socket within one process: asked, answered, and gone without a trace when it is closed."""

from __future__ import annotations

import threading
from pathlib import Path

from sequencer.daemon.messages import Call, Message
from sequencer.daemon.wire import Socket, ask_daemon


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
