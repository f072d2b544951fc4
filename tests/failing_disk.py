"""A disk whose calls fail from one on: what Python asks the kernel of files below one folder, and SQLite too."""

from __future__ import annotations

import errno
import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from unittest import mock

CALLS = (
    "open",
    "stat",
    "lstat",
    "mkdir",
    "unlink",
    "rename",
    "replace",
    "chmod",
    "fsync",
    "ftruncate",
    "write",
    "pread",
    "scandir",
    "listdir",
)
"""Of :mod:`os`, and ``access``; ``pathlib`` and ``open()`` come through here or through ``io.open``."""


class Disk:
    """Counts the calls; those from ``first`` to ``last`` fail while it is not paused."""

    def __init__(self, folder: Path, first: float, last: float, code: int) -> None:
        self.folder, self.first, self.last, self.code = os.fspath(folder), first, last, code
        self.calls = 0
        self.failed = 0
        self.paused = False

    def ask(self, what: object) -> None:
        """One call; raises OSError if it fails."""
        if self.paused or not self._is_on(what):
            return
        self.calls += 1
        if self.first <= self.calls <= self.last:
            self.failed += 1
            raise OSError(self.code, os.strerror(self.code), what if isinstance(what, str) else None)

    def _is_on(self, what: object) -> bool:
        if isinstance(what, int):
            try:
                what = Path(f"/proc/self/fd/{what}").readlink()
            except OSError:
                return False
        return isinstance(what, str | os.PathLike) and os.fspath(what).startswith(self.folder)


class _Connection(sqlite3.Connection):
    disk: Disk

    def execute(self, sql: str, *values: Any) -> sqlite3.Cursor:
        try:
            self.disk.ask(self.disk.folder)
        except OSError as error:
            raise sqlite3.OperationalError("disk I/O error") from error
        return super().execute(sql, *values)


@contextmanager
def disk_that_fails(
    folder: Path, *, first: float, last: float = float("inf"), code: int = errno.EIO
) -> Iterator[Disk]:
    """While in here, calls for what is in ``folder`` fail from the ``first`` to the ``last``, counted from 1."""
    disk = Disk(folder, first, last, code)
    access = os.access

    def failing(call: Callable[..., Any]) -> Callable[..., Any]:
        def asked(*given: Any, **more: Any) -> Any:
            if given:
                disk.ask(given[0])
            return call(*given, **more)

        return asked

    def accessible(path: Any, mode: int, **more: Any) -> bool:
        try:
            disk.ask(path)
        except OSError:
            return False
        return access(path, mode, **more)

    connect = sqlite3.connect

    def connected(database: Any, *given: Any, **more: Any) -> sqlite3.Connection:
        try:
            disk.ask(os.fspath(database).removeprefix("file://"))
        except OSError as error:
            raise sqlite3.OperationalError("unable to open database file") from error
        connection = connect(database, *given, factory=_Connection, **more)
        connection.disk = disk
        return connection

    calls = {name: failing(getattr(os, name)) for name in CALLS}
    with (
        mock.patch.multiple(os, access=accessible, **calls),
        mock.patch("io.open", failing(open)),
        mock.patch.object(sqlite3, "connect", connected),
    ):
        yield disk
