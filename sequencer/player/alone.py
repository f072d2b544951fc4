"""Locks for the life of a process, which hold whatever the disk does: one daemon a site, one player a circuit.

A lock is held in three places at once, in as many of them as can be had:

- a file beside what it is for, also one that can only be read (flock(2));
- a file in the folder that systemd keeps in memory for the service, ``RUNTIME_DIRECTORY``;
- a socket in the abstract namespace (unix(7)), which needs no disk; but a service with a network namespace of
  its own and a command typed beside it do not see each other's.

Whoever finds one of them taken is not alone. Standard library only, and light: the player takes one.
"""

from __future__ import annotations

import fcntl
import os
import socket
import struct
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple
from zlib import crc32

if TYPE_CHECKING:
    from collections.abc import Iterator

MODE = 0o640
_UCRED = struct.Struct("3i")  # struct ucred: pid, uid, gid
_MOST_WAITING = 4096
"""Connections that nobody accepts; each look at a lock leaves one behind. The kernel's own limit is lower or this."""


class TakenError(Exception):
    """Another process holds the lock; ``pid`` is 0 where it is not known which."""

    def __init__(self, pid: int) -> None:
        super().__init__(f"held by process {pid}")
        self.pid = pid


class Lock(NamedTuple):
    """Descriptors that hold a lock, until they are closed or the process ends."""

    descriptors: tuple[int, ...]

    def close(self) -> None:
        """Let go."""
        for descriptor in self.descriptors:
            os.close(descriptor)


def take(path: Path) -> Lock:
    """Take the lock of what is called ``path``; that need not exist.

    :raises TakenError: another process has it, or this one.
    """
    held: list[int] = []
    try:
        for file in _files(path):
            held += _lock_file(file)
        for name in _names(path):
            held += _bind(name)
    except TakenError:
        Lock(tuple(held)).close()
        raise
    return Lock(tuple(held))


def is_taken(path: Path) -> bool:
    """Whether a process holds the lock now."""
    for descriptor in _opened(path):
        try:
            fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except BlockingIOError:
            return True
        except OSError:
            continue  # no locks on this file system
        finally:
            os.close(descriptor)
    return any(_holder(name) is not None for name in _names(path))


def wait_until_free(path: Path) -> None:
    """Return when no process holds the lock any more."""
    for descriptor in _opened(path):
        with suppress(OSError):
            fcntl.flock(descriptor, fcntl.LOCK_SH)
        os.close(descriptor)
    for name in _names(path):
        if _holder(name) is None:
            continue
        with socket.socket(socket.AF_UNIX) as line, suppress(OSError):
            line.connect(name)
            line.recv(1)  # nobody answers; it ends when the holder does


def peer_of(line: socket.socket) -> tuple[int, int]:
    """Process and user at the other end of a connected local socket, as they were when it listened."""
    pid, uid, _ = _UCRED.unpack(line.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _UCRED.size))
    return pid, uid


def _files(path: Path) -> Iterator[Path]:
    yield path.with_name(f"{path.name}.lock")
    run = Path(os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0] or "/run/lampstep")
    yield run / f"{path.parent.name}.{path.name}.lock"


def _names(path: Path) -> Iterator[bytes]:
    """Addresses in the abstract namespace: of the path as it is given, and of where its links lead.

    Such an address has 108 bytes at most (unix(7)): a checksum of the path, and its end for who looks at a list.
    """
    for each in sorted({os.path.abspath(path), os.path.realpath(path)}):  # noqa: PTH100 - raises nothing
        name = os.fsencode(each)
        yield b"\0lampstep/%08x/%s" % (crc32(name), name[-80:])


def _lock_file(file: Path) -> list[int]:
    """The descriptor that holds it; none where the file cannot be had or its file system knows no locks."""
    for flags in (os.O_RDWR | os.O_CREAT, os.O_RDONLY):
        try:
            descriptor = os.open(file, flags | os.O_CLOEXEC, MODE)
        except OSError:
            continue
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            pid = _written_in(descriptor)
            os.close(descriptor)
            raise TakenError(pid) from None
        except OSError:
            os.close(descriptor)
            return []
        with suppress(OSError):
            os.ftruncate(descriptor, 0)
            os.write(descriptor, b"%d\n" % os.getpid())
        return [descriptor]
    return []


def _written_in(descriptor: int) -> int:
    try:
        return int(os.pread(descriptor, 20, 0))
    except (OSError, ValueError):
        return 0


def _opened(path: Path) -> Iterator[int]:
    for file in _files(path):
        try:
            descriptor = os.open(file, os.O_RDONLY | os.O_CLOEXEC)
        except OSError:
            continue
        yield descriptor


def _bind(name: bytes) -> list[int]:
    line = socket.socket(socket.AF_UNIX)
    try:
        line.bind(name)
        line.listen(_MOST_WAITING)
    except OSError:
        line.close()
        if (pid := _holder(name)) is not None:
            raise TakenError(pid) from None
        return []
    return [line.detach()]


def _holder(name: bytes) -> int | None:
    """Who listens at an address: its process, 0 where that is not known, None for nobody.

    Somebody else's user may take an address to keep the daemon from starting; only root's and the own count.
    """
    with socket.socket(socket.AF_UNIX) as line:
        line.setblocking(False)
        try:
            line.connect(name)
        except BlockingIOError:  # more have looked at it than may wait
            return 0
        except OSError:
            return None
        pid, uid = peer_of(line)
    me = os.geteuid()
    return pid if me in (0, uid) or uid == 0 else None
