"""The parent's side: start the player's process, pass signals on to it, collect what it says."""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Self

import sequencer
from sequencer.errors import HardwareError, InputError
from sequencer.journal.folder import make_folder
from sequencer.player.job import PRIORITY, Job, PlayResult, check, job_to_json, result_from_json
from sequencer.player.signals import ENDING, name_of
from sequencer.train import Delays, Limits, Train

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from types import FrameType, TracebackType

COMMAND: Sequence[str] = (sys.executable, "-S", "-P", "-m", "sequencer.player.child")
"""-S: our own search path is handed on, no need to find it again. -P: nothing from where the child runs."""

START_LIMIT_S = 30.0
"""Until the train starts; a slow board needs a few seconds to import its pin library."""
END_LIMIT_S = 10.0
"""From the end of the train, or from being told to end, to the end of the process."""


def play(
    train: Train,
    delays: Delays,
    relay: Mapping[str, object],
    tolerance_s: Sequence[float] = (),
    *,
    limits: Limits = Limits(),  # noqa: B008 - a plain value
    priority: int | None = PRIORITY,
    keep: Path | None = None,
    on_start: Callable[[float], None] | None = None,
    on_child: Callable[[Callable[[int], None]], None] | None = None,
) -> PlayResult:
    """Play ``train`` in a process of its own and wait until it is over, the last supply time included.

    SIGINT, SIGTERM and SIGQUIT, in the main thread, are passed on to the player: the train is broken off, the
    relay goes to rest, and this still returns. If this process dies instead, the train is finished
    without it; ``keep`` then has the log.

    :param relay: the relay's table of the site file, as plain values.
    :param tolerance_s: the bounds of the proof: how far from due each edge may be commanded.
    :param limits: the site's or the rig's; a train that breaks one is refused.
    :param priority: of ``SCHED_FIFO``; None asks for no real time.
    :param keep: the file that gets the log (:mod:`sequencer.player.kept`); it stays until forgotten.
    :param on_start: called once with the train's zero, in seconds of the monotonic clock.
    :param on_child: called once with a function that sends the player a signal: SIGTERM ends the train at
        once, :data:`~sequencer.player.realtime.WHEN_LIT` when the lamps are lit. It may be called from any
        thread, and does nothing once the player has ended.
    :returns: the edge log and what to tell the user; its outcome may be "overdue", "broken off" or "failed".
    :raises InputError: the job makes no sense; nothing was sent.
    :raises HardwareError: the relay could not be opened, or the player died or did not answer: then the
        relay has been sent to rest from here, or the message says that it has not.
    """
    job = Job(
        train,
        delays,
        dict(relay),
        tuple(tolerance_s),
        priority,
        None if keep is None else str(keep.absolute()),
        limits,
    )
    check(job)
    with _Player(job) as player:
        if on_child is not None:
            on_child(player.send_signal)
        said = player.listen(on_start)
    if "result" in said:
        return result_from_json(said["result"])
    if "error" in said:
        raise {2: InputError, 3: HardwareError}[said["exit_status"]](said["error"])
    raise HardwareError(f"the player {said['died']}; {_send_to_rest(job)}")


def _send_to_rest(job: Job) -> str:
    """Open and close the relay in a fresh player, since the last one cannot have done it; say how it went."""
    with _Player(Job(Train(()), job.delays, job.relay, priority=None)) as player:
        said = player.listen(None)
    if "result" in said and said["result"]["log"]["outcome"] == "finished":
        return "the relay has been sent to rest"
    why = said.get("error") or said.get("died") or said["result"]["log"]["detail"]
    return f"the relay could not be sent to rest either ({why}): check where it stands"


class _Player:
    """One child process, from its start to its end; ends it on the way out if need be."""

    def __init__(self, job: Job) -> None:
        self._job = job
        self._handlers: dict[int, Any] = {}
        self._signals: list[int] = []
        self._child: subprocess.Popen[bytes] | None = None
        self._errors = _in_memory(b"")
        self._deadline = time.monotonic() + START_LIMIT_S

    def __enter__(self) -> Self:
        if threading.current_thread() is threading.main_thread():
            for number in (signal.SIGINT, signal.SIGTERM, signal.SIGQUIT):
                if signal.getsignal(number) not in (signal.SIG_IGN, None):
                    self._handlers[number] = signal.signal(number, self._pass_on)
        try:
            self._start()
        except BaseException:
            self._restore()
            raise
        return self

    def _start(self) -> None:
        # The child inherits the mask, so that no signal can strike it before it has set its own; and it
        # runs where it may write, since lgpio makes a pipe in its working directory when imported.
        mask = signal.pthread_sigmask(signal.SIG_BLOCK, ENDING)
        try:
            with _in_memory(json.dumps(job_to_json(self._job)).encode()) as job:
                self._child = subprocess.Popen(  # noqa: S603 - our own module
                    COMMAND,
                    stdin=job,
                    stdout=subprocess.PIPE,
                    stderr=self._errors,
                    cwd=_writable(Path(self._job.keep).parent if self._job.keep else None),
                    env={**os.environ, "PYTHONPATH": _search_path()},
                    start_new_session=True,
                )
        except OSError as error:
            raise HardwareError(f"the player cannot be started: {error}") from error
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, mask)
        self._flush()

    def send_signal(self, number: int) -> None:
        """Pass a signal on; nothing happens once the player has ended."""
        self._running().send_signal(number)

    def listen(self, on_start: Callable[[float], None] | None) -> dict[str, Any]:
        """What the child said in the end, or ``{"died": how}``."""
        train = self._job.train
        last: dict[str, Any] = {}
        for line in self._lines():
            last = json.loads(line)
            if "started_s" in last:
                self._deadline = last["started_s"] + train.lead_in_s + train.total_s + END_LIMIT_S
                if on_start is not None:
                    on_start(last["started_s"])
        if "result" in last or "error" in last:
            return last
        how = self._end()
        self._errors.seek(0)
        complaint = self._errors.read().decode(errors="replace").strip().rpartition("\n")[2]
        return {"died": f"ended without an answer ({how}{': ' if complaint else ''}{complaint})"}

    def _lines(self) -> Iterator[bytes]:
        """Whole lines as they come. At the deadline the child is told to end, later left alone."""
        stdout = self._running().stdout
        assert stdout is not None
        poll = select.poll()
        poll.register(stdout, select.POLLIN)
        told, rest = False, b""
        while True:
            if not poll.poll(max(0.0, self._deadline - time.monotonic()) * 1000):
                if told:
                    return
                self._running().terminate()
                told, self._deadline = True, time.monotonic() + END_LIMIT_S
                continue
            chunk = os.read(stdout.fileno(), 1 << 16)
            if not chunk:
                return
            *lines, rest = (rest + chunk).split(b"\n")
            yield from lines

    def _end(self) -> str:
        """Wait for the child's end, forcing it if it will not; say how it ended."""
        child = self._running()
        try:
            status = child.wait(END_LIMIT_S)
        except subprocess.TimeoutExpired:
            child.kill()
            status = child.wait()
        return f"signal {name_of(-status)}" if status < 0 else f"exit status {status}"

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        child = self._running()
        try:
            if kind is not None:
                child.terminate()
            self._end()
        finally:
            self._restore()
            if child.stdout is not None:
                child.stdout.close()

    def _running(self) -> subprocess.Popen[bytes]:
        assert self._child is not None
        return self._child

    def _pass_on(self, number: int, _frame: FrameType | None) -> None:
        self._signals.append(number)
        self._flush()

    def _flush(self) -> None:
        while self._child is not None and self._signals:
            self._child.send_signal(self._signals.pop(0))

    def _restore(self) -> None:
        for number, handler in self._handlers.items():
            signal.signal(number, handler)
        self._errors.close()


def _writable(folder: Path | None) -> Path:
    """A folder to run in: the one for the log, made if need be, or another one where a pipe can be made."""
    run = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0]
    if folder is not None:
        with suppress(OSError):
            make_folder(folder)
            if os.access(folder, os.W_OK | os.X_OK):
                return folder
    with suppress(OSError):  # there is no folder for temporary files in which one can be written
        return Path(tempfile.gettempdir())
    return Path(run or "/")


def _in_memory(content: bytes) -> IO[bytes]:
    """A file that is on no disk, at its start."""
    file = os.fdopen(os.memfd_create("lampstep"), "w+b")
    file.write(content)
    file.seek(0)
    return file


def _search_path() -> str:
    """Where this process finds modules, for the child, with this very package first in any case."""
    own = Path(sequencer.__file__).resolve().parents[1]
    return os.pathsep.join([str(own), *(str(Path(entry).absolute()) for entry in sys.path)])
