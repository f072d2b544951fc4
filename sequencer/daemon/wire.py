"""The local socket: one JSON object a line in, one out. Who may open the file may ask; there is no other key.

It is how ``status``, ``tell``, ``play`` and the others reach a running daemon. Only this machine can; file
permissions say who.
"""

from __future__ import annotations

import json
import os
import socket
import socketserver
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any

from sequencer.daemon.messages import Call, Message
from sequencer.errors import HardwareError

LONGEST = 64 * 1024
"""Bytes of one question or answer."""
PATIENCE_S = 10.0
"""For an answer: the loop answers in between two edges of anything, at once."""
AGAIN_S = 0.05
"""To the next try, where too many wait."""
SILENCE_S = 2.0
"""For a question, from who has opened a line."""
MOST_LINES = 64
"""Lines served at once; the next ones wait for their turn, so that no crowd uses up the daemon's files."""
MOST_BRACKETS = 100
"""In a question, which needs two: a parser goes deeper with each, and a small stack has an end."""
MODE = 0o660
BUSY = "the daemon is busy; try again"


def ask_daemon(path: Path, request: Mapping[str, Any]) -> dict[str, Any] | None:
    """Put one question to the daemon that listens at ``path``; None when none does.

    :raises HardwareError: it is there, but does not answer, or may not be asked.
    """
    with socket.socket(socket.AF_UNIX) as line:
        line.settimeout(PATIENCE_S)
        try:
            _connect(line, path)
        except (FileNotFoundError, ConnectionRefusedError):
            return None
        except PermissionError:
            words = "the daemon may not be asked by this user: be in the group of that file, or use sudo"
            raise HardwareError(f"{path}: {words}") from None
        except OSError as error:
            raise HardwareError(f"{path}: the daemon cannot be asked: {error.strerror}") from error
        try:
            line.sendall(json.dumps(request).encode() + b"\n")
            with line.makefile("rb") as answers:
                answer = json.loads(answers.readline(LONGEST))
        except (OSError, ValueError) as error:
            raise HardwareError(f"{path}: the daemon did not answer ({error}); see its log") from error
    if "busy" in answer:
        raise HardwareError(f"{path}: {answer['busy']}")
    return dict(answer)


def _connect(line: socket.socket, path: Path) -> None:
    give_up = time.monotonic() + PATIENCE_S
    while True:
        try:
            with _short(path) as short:
                line.connect(short)
            return
        except BlockingIOError:  # as many as the kernel lets wait are waiting already
            if time.monotonic() >= give_up:
                raise HardwareError(f"{path}: {BUSY}") from None
            time.sleep(AGAIN_S)


CALLS, CALL_S = 40, 0.05
"""How often the listening thread is called to its end, and how long each call waits for it."""


class Socket:
    """The daemon's end, served by threads that put each question into the loop's queue and wait."""

    def __init__(self, path: Path, post: Callable[[Message], None]) -> None:
        with suppress(FileNotFoundError):
            path.unlink()  # a daemon that died left it; the lock says that none lives
        with _short(path) as short:
            self._server = _Server(short, post)
        path.chmod(MODE)
        self._path = path
        self._thread = threading.Thread(
            target=self._server.serve_forever, kwargs={"poll_interval": 3600}, name="socket", daemon=True
        )
        self._thread.start()

    def close(self) -> None:
        """Listen no more, and end the thread: it sleeps until somebody calls, so call."""
        threading.Thread(target=self._server.shutdown, name="socket's end", daemon=True).start()
        for _ in range(CALLS):
            with suppress(OSError), _short(self._path) as short, socket.socket(socket.AF_UNIX) as line:
                line.settimeout(CALL_S)
                line.connect(short)
            self._thread.join(CALL_S)
            if not self._thread.is_alive():
                break
        with suppress(FileNotFoundError):
            self._path.unlink()
        self._server.server_close()


class _Server(socketserver.ThreadingUnixStreamServer):
    daemon_threads = True
    request_queue_size = 128

    def __init__(self, path: str, post: Callable[[Message], None]) -> None:
        self.post = post
        self._free = threading.BoundedSemaphore(MOST_LINES)
        super().__init__(path, _Handler)

    def process_request(self, request: Any, client_address: Any) -> None:
        """Wait until a line is free, and serve this one in a thread of its own."""
        self._free.acquire()
        try:
            super().process_request(request, client_address)
        except BaseException:  # no thread was to be had
            self._free.release()
            raise

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        """In that thread."""
        try:
            super().process_request_thread(request, client_address)
        finally:
            self._free.release()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Who hangs up in the middle is no concern of the daemon's."""


class _Handler(socketserver.StreamRequestHandler):
    timeout = SILENCE_S

    def handle(self) -> None:
        line = self.rfile.readline(LONGEST)
        try:
            if line.count(b"[") + line.count(b"{") > MOST_BRACKETS:
                raise ValueError("too deep")
            request = json.loads(line)
            if not isinstance(request, dict):
                raise ValueError("no object")
        except ValueError:
            self._say({"errors": ["this is no question"]})
            return
        answers: SimpleQueue[Mapping[str, Any]] = SimpleQueue()
        assert isinstance(self.server, _Server)
        self.server.post(Call(request, answers.put, time.monotonic()))
        try:
            self._say(answers.get(timeout=PATIENCE_S))
        except Empty:
            self._say({"busy": BUSY})

    def _say(self, answer: Mapping[str, Any]) -> None:
        self.wfile.write(json.dumps(answer).encode() + b"\n")


@contextmanager
def _short(path: Path) -> Iterator[str]:
    """The same file under a name that fits a socket address: 108 bytes on Linux (unix(7))."""
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        yield f"/proc/self/fd/{folder}/{path.name}"
    finally:
        os.close(folder)
