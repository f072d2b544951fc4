"""The local socket: one JSON object a line in, one out. Who may open the file may ask; there is no other key.

It is how ``status``, ``tell``, ``play`` and the others reach a running daemon. Only this machine can; file
permissions say who.
"""

from __future__ import annotations

import json
import math
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
from sequencer.journal.folder import make_folder
from sequencer.player.alone import peer_of

LONGEST = 64 * 1024
"""Bytes of one question or answer."""
PATIENCE_S = 10.0
"""For an answer: the loop answers in between two edges of anything, at once."""
AGAIN_S = 0.05
"""To the next try, where too many wait."""
SILENCE_S = 2.0
"""For the whole of a question, from who has opened a line, and then for the whole of its answer."""
MOST_LINES = 64
"""Lines served at once, so that no crowd uses up the daemon's files. For the next one, the line that has been open
longest without a whole question is closed."""
GRACE_S = 0.25
"""But none that was opened so lately: it may be about to ask."""
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


RETRY_S = 30.0
"""From one try to make the socket to the next."""
CALLS, CALL_S = 40, 0.05
"""How often the listening thread is called to its end, and how long each call waits for it."""


class Socket:
    """The daemon's end, served by threads that put each question into the loop's queue and wait.

    :raises HardwareError: another process listens there.
    :raises OSError: it cannot be made there.
    """

    def __init__(self, path: Path, post: Callable[[Message], None]) -> None:
        if (pid := listener(path)) is not None:
            raise HardwareError(f"{path}: process {pid} listens there already: stop it first")
        with suppress(FileNotFoundError):
            path.unlink()  # a daemon that died left it
        make_folder(path.parent)
        with _short(path) as short:
            self._server = _Server(short, post)
        self._path = path
        self.note = self._let_the_group_ask()
        """What its users should know, or empty."""
        self._thread = threading.Thread(
            target=self._server.serve_forever, kwargs={"poll_interval": 3600}, name="socket", daemon=True
        )
        self._thread.start()

    def _let_the_group_ask(self) -> str:
        try:
            self._path.chmod(MODE)
        except OSError as error:
            return (
                f"{self._path}: only this user can ask the daemon: its mode cannot be set: {error.strerror}"
            )
        return ""

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
        with suppress(OSError):
            self._path.unlink()
        self._server.server_close()


class Listening:
    """The daemon's socket, made as soon as that can be done; the lamps do not wait for it."""

    def __init__(self, path: Path, post: Callable[[Message], None], trouble: Callable[[str], None]) -> None:
        """``trouble`` is told why nobody can ask, or, with no words, that all is well."""
        self._path, self._post, self._trouble = path, post, trouble
        self._socket: Socket | None = None
        self._retry_at = -math.inf
        self.look()

    def look(self) -> None:
        """Try to make it, if it is not there and the last try is some time ago."""
        if self._socket is not None or time.monotonic() < self._retry_at:
            return
        try:
            self._socket = Socket(self._path, self._post)
        except (OSError, RuntimeError, HardwareError) as error:  # also: no thread to be had
            self._retry_at = time.monotonic() + RETRY_S
            why = getattr(error, "strerror", None) or str(error)
            self._trouble(
                f"{self._path}: cannot be made: {why}: nobody can ask the daemon anything; tried again"
            )
        else:
            self._trouble(self._socket.note)

    def close(self) -> None:
        """Listen no more."""
        if self._socket is not None:
            self._socket.close()


def listener(path: Path) -> int | None:
    """The process that listens at a socket; 0 where it is not known which, None where nobody does."""
    with socket.socket(socket.AF_UNIX) as line:
        line.setblocking(False)
        try:
            with _short(path) as short:
                line.connect(short)
        except BlockingIOError:  # as many as the kernel lets wait are waiting already
            return 0
        except OSError:
            return None
        return peer_of(line)[0]


class _Server(socketserver.ThreadingUnixStreamServer):
    daemon_threads = True
    request_queue_size = 128

    def __init__(self, path: str, post: Callable[[Message], None]) -> None:
        self.post = post
        self._changed = threading.Condition()
        self._opened: dict[Any, float] = {}
        """Lines that have not asked yet, the oldest first, and when they were opened."""
        self._asked: set[Any] = set()
        super().__init__(path, _Handler)

    def process_request(self, request: Any, client_address: Any) -> None:
        """Make room for this line, and serve it in a thread of its own."""
        if not self._make_room(request):
            with suppress(OSError):
                request.settimeout(CALL_S)
                request.sendall(_as_line({"busy": BUSY}))
            self.shutdown_request(request)
            return
        try:
            super().process_request(request, client_address)
        except BaseException:  # no thread was to be had
            self._forget(request)
            raise

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        """In that thread."""
        try:
            super().process_request_thread(request, client_address)
        finally:
            self._forget(request)

    def _make_room(self, request: Any) -> bool:
        give_up = time.monotonic() + PATIENCE_S
        with self._changed:
            while len(self._opened) + len(self._asked) >= MOST_LINES:
                now = time.monotonic()
                oldest, opened = next(iter(self._opened.items()), (None, math.inf))
                if oldest is not None and opened + GRACE_S <= now:
                    del self._opened[oldest]
                    with suppress(OSError):
                        oldest.shutdown(socket.SHUT_RDWR)  # its thread wakes and ends
                elif now >= give_up:
                    return False  # all have asked, and the loop answers none
                else:
                    self._changed.wait(min(opened + GRACE_S, give_up) - now)
            self._opened[request] = time.monotonic()
        return True

    def has_asked(self, request: Any) -> bool:
        """A line's question has come; False: it came too late, the line was closed."""
        with self._changed:
            if self._opened.pop(request, None) is None:
                return False
            self._asked.add(request)
        return True

    def _forget(self, request: Any) -> None:
        with self._changed:
            self._opened.pop(request, None)
            self._asked.discard(request)
            self._changed.notify_all()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Who hangs up in the middle is no concern of the daemon's."""


class _Handler(socketserver.BaseRequestHandler):
    def handle(self) -> None:
        line = _read_line(self.request, time.monotonic() + SILENCE_S)
        assert isinstance(self.server, _Server)
        if not self.server.has_asked(self.request):
            return
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
        self.server.post(Call(request, answers.put, time.monotonic()))
        try:
            self._say(answers.get(timeout=PATIENCE_S))
        except Empty:
            self._say({"busy": BUSY})

    def _say(self, answer: Mapping[str, Any]) -> None:
        self.request.settimeout(SILENCE_S)  # for all of it
        self.request.sendall(_as_line(answer))


def _as_line(answer: Mapping[str, Any]) -> bytes:
    return json.dumps(answer).encode() + b"\n"


def _read_line(line: socket.socket, deadline: float) -> bytes:
    """What comes until a line ends, or the other end, or :data:`LONGEST`.

    :raises TimeoutError: none of them by the deadline, however much came.
    """
    said = bytearray()
    while b"\n" not in said and len(said) < LONGEST:
        left_s = deadline - time.monotonic()
        if left_s <= 0:
            raise TimeoutError
        line.settimeout(left_s)
        more = line.recv(LONGEST - len(said))
        if not more:
            break
        said += more
    return bytes(said.partition(b"\n")[0])


@contextmanager
def _short(path: Path) -> Iterator[str]:
    """The same file under a name that fits a socket address: 108 bytes on Linux (unix(7))."""
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        yield f"/proc/self/fd/{folder}/{path.name}"
    finally:
        os.close(folder)
