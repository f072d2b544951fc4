"""The journal's file: its tables, whether it is sound, and how it is set aside when it is not.

SQLite's own pages say what is relied on here: <https://www.sqlite.org/wal.html>,
<https://www.sqlite.org/pragma.html>, <https://www.sqlite.org/howtocorrupt.html>.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, nullcontext
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from sequencer.journal.days import Day
from sequencer.journal.entries import Entry, checksum, entry_from
from sequencer.journal.folder import FILE_MODE, shut_to_others

APPLICATION_ID = 0x6C6D7073
"""Marks the file as ours: "lmps"."""
VERSION = 1
WAL_PAGES = 64
"""Pages of 4096 bytes in the write-ahead log after which they are brought into the main file."""
_TABLES = {
    "day": "CREATE TABLE day (circuit TEXT NOT NULL, day TEXT NOT NULL, evenings INTEGER NOT NULL, "
    "trains INTEGER NOT NULL, spoiled INTEGER NOT NULL, cycles INTEGER NOT NULL, outages INTEGER NOT NULL, "
    "dark_s REAL NOT NULL, crc INTEGER NOT NULL, PRIMARY KEY (circuit, day)) WITHOUT ROWID",
    "entry": "CREATE TABLE entry (id INTEGER PRIMARY KEY, unix_s REAL NOT NULL, boot TEXT NOT NULL, "
    "at_s REAL NOT NULL, kind TEXT NOT NULL, circuit TEXT, detail TEXT NOT NULL, crc INTEGER NOT NULL)",
    "latest": "CREATE TABLE latest (circuit TEXT NOT NULL, slot TEXT NOT NULL, entry INTEGER NOT NULL, "
    "crc INTEGER NOT NULL, PRIMARY KEY (circuit, slot)) WITHOUT ROWID",
}
_PARTS = ("-wal", "-shm", "-journal", "")
"""What may stand beside the main file, and, last, the main file itself."""
_DAMAGED = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_ERROR}
"""Primary codes; an ``ERROR`` is the file's too, for what it is asked never changes."""
FAILURES = (sqlite3.Error, UnicodeDecodeError, OverflowError)
"""How SQLite fails in Python 3.11: also when an error's message quotes what a damaged file calls text, and
when the number after a damaged one is too large."""
_UNREADABLE = {sqlite3.SQLITE_IOERR_READ, sqlite3.SQLITE_IOERR_SHORT_READ}


class Kept(NamedTuple):
    """What is carried over into a new file: daily sums, and the last entry of every slot, in order."""

    days: tuple[Day, ...] = ()
    latest: tuple[Entry, ...] = ()


class UnfitError(Exception):
    """The file is no sound journal."""


class SetAsideError(Exception):
    """It was no sound journal and has been set aside, as the message says. ``kept``: what was read in it."""

    def __init__(self, note: str, kept: Kept) -> None:
        super().__init__(note)
        self.kept = kept


def connect(path: Path, now_unix: float) -> sqlite3.Connection:
    """Open a sound journal, or make a new one.

    :raises SetAsideError: what was there is none; it has been set aside, and the next try makes a new one.
    :raises sqlite3.Error: it cannot be opened or made now; that may pass.
    :raises OSError: it cannot be made, or not set aside.
    """
    connection: sqlite3.Connection | None = None
    try:
        _look_before(path)
        _shut(path)
        connection = sqlite3.connect(path, timeout=0.2, isolation_level=None)
        connection.text_factory = decoded
        _examine(connection)
    except (UnfitError, *FAILURES) as error:
        with closing(connection) if connection else nullcontext():
            if not (why := why_unfit(error)):
                raise
            kept = Kept() if connection is None else _salvage(connection)
            # Aside before it is closed: at its end SQLite removes the write-ahead log under its old name.
            note = set_aside(path, why, now_unix)
            counts = "its relay counts were carried over" if kept.days else "no relay counts were read in it"
            raise SetAsideError(f"{note}; {counts}", kept) from error
    return connection


def to_read(path: Path) -> sqlite3.Connection:
    """Open a sound journal on a disk that can only be read.

    :raises sqlite3.Error: that cannot be done.
    :raises UnfitError: it is no journal.
    """
    for how in ("mode=ro", "mode=ro&immutable=1"):  # the second leaves out the write-ahead log
        connection = sqlite3.connect(
            f"{path.absolute().as_uri()}?{how}", timeout=0.2, isolation_level=None, uri=True
        )
        connection.text_factory = decoded
        try:
            if not check_format(connection):
                raise UnfitError("it holds nothing yet")
        except BaseException as error:
            connection.close()
            if isinstance(error, sqlite3.Error) and "immutable" not in how:
                continue
            raise
        return connection
    raise AssertionError("not reached")


def decoded(text: bytes) -> str:
    """What a damaged file calls text may be none; its row's checksum tells."""
    return text.decode(errors="backslashreplace")


def why_unfit(error: Exception) -> str:
    """Why an error means that the file is no sound journal; empty: it does not mean that."""
    code = getattr(error, "sqlite_errorcode", 0)
    if isinstance(error, UnicodeDecodeError | OverflowError):
        return "database disk image is malformed"
    if isinstance(error, UnfitError) or code & 0xFF in _DAMAGED or code in _UNREADABLE:
        return str(error)
    return ""


def set_aside(path: Path, why: str, now_unix: float) -> str:
    """Give the file, and what stands beside it, names with the date; nothing is deleted or overwritten.

    :returns: a sentence that says so.
    :raises OSError: they cannot be renamed.
    """
    try:
        stamp = datetime.fromtimestamp(now_unix, UTC).strftime("%Y-%m-%dT%H%M%SZ")
    except (OverflowError, ValueError, OSError):  # a clock beyond all calendars
        stamp = "undated"
    names = (f"{path.name}.aside-{stamp}{more}" for more in ("", *(f"-{n}" for n in range(2, 1000))))
    aside = next(
        name for name in names if not any(os.path.lexists(path.with_name(name + part)) for part in _PARTS)
    )
    for part in _PARTS:
        if os.path.lexists(found := path.with_name(path.name + part)):
            found.rename(path.with_name(aside + part))
    return f"the journal was set aside as {path.with_name(aside)}, and a new one begun: {why}"


def days_in(connection: sqlite3.Connection, before: str | None = None) -> tuple[list[Day], int]:
    """The daily sums, perhaps only those before a day, and how many are damaged and left out."""
    rows = connection.execute("SELECT * FROM day WHERE ?1 IS NULL OR day < ?1", (before,)).fetchall()
    sound = [Day(*row[:-1]) for row in rows if row[-1] == checksum(row[:-1])]
    return sound, len(rows) - len(sound)


def latest_in(connection: sqlite3.Connection) -> tuple[list[Entry], int]:
    """The last entry of every slot, in the order of writing, and how many are damaged and left out."""
    rows = connection.execute("SELECT circuit, slot, entry, crc FROM latest").fetchall()
    numbers = sorted(row[2] for row in rows if row[3] == checksum(row[:3]))
    found = (connection.execute("SELECT * FROM entry WHERE id = ?", (n,)).fetchone() for n in numbers)
    entries = [entry for row in found if row is not None and (entry := entry_from(row)) is not None]
    return entries, len(rows) - len(entries)


def newest_first(connection: sqlite3.Connection, but: str = "") -> Iterator[Entry]:
    """All sound entries, the last one first; ``but`` those of one kind, which are not even read."""
    for row in connection.execute("SELECT * FROM entry WHERE kind <> ? ORDER BY id DESC", (but,)):
        if (entry := entry_from(row)) is not None:
            yield entry


def check_format(connection: sqlite3.Connection) -> bool:
    """Whether it holds a journal; False: nothing at all yet.

    :raises UnfitError: it holds something else.
    """
    tables = dict(connection.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL").fetchall())
    [[application]] = connection.execute("PRAGMA application_id").fetchall()
    [[version]] = connection.execute("PRAGMA user_version").fetchall()
    if not tables and not application and not version:
        return False
    if application != APPLICATION_ID:
        raise UnfitError("it is not a journal of this program")
    if version > VERSION:
        raise UnfitError(f"a later version of this program wrote it (format {version}, known is {VERSION})")
    if tables != _TABLES or version < VERSION:
        raise UnfitError("it does not have the tables of a journal")
    return True


def _look_before(path: Path) -> None:
    """See what SQLite would delete, wait for, or stumble over."""
    for part in _PARTS:
        beside = path.with_name(path.name + part)
        if os.path.lexists(beside) and not (beside.is_file() and os.access(beside, os.R_OK | os.W_OK)):
            raise UnfitError(f"{beside.name} cannot be read and written")
    log = path.with_name(f"{path.name}-wal")
    if log.exists() and log.stat().st_size and not (path.exists() and path.stat().st_size):
        raise UnfitError("its write-ahead log is there, but the main file is missing or empty")


def _shut(path: Path) -> None:
    """Make the file if it is not there, for nobody else to read; SQLite gives its log and index the same mode."""
    os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, FILE_MODE))
    for part in _PARTS:
        shut_to_others(path.with_name(path.name + part))


def _examine(connection: sqlite3.Connection) -> None:
    """Set the connection up, make the tables if there is nothing yet, and read every page once."""
    for pragma in ("cell_size_check = ON", "trusted_schema = OFF", "secure_delete = OFF"):
        connection.execute(f"PRAGMA {pragma}")
    is_new = not check_format(connection)
    if is_new:
        connection.execute("PRAGMA auto_vacuum = INCREMENTAL")  # means something only before the first page
    connection.execute("PRAGMA journal_mode = WAL").fetchall()
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute(f"PRAGMA wal_autocheckpoint = {WAL_PAGES}").fetchall()
    connection.execute(f"PRAGMA journal_size_limit = {WAL_PAGES * 4096}").fetchall()
    connection.execute("BEGIN IMMEDIATE")  # fails on a file that cannot be written
    if is_new:
        for sql in _TABLES.values():
            connection.execute(sql)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {VERSION}")
    connection.execute("COMMIT")
    [[found]] = connection.execute("PRAGMA quick_check(1)").fetchall()
    if found != "ok":
        raise UnfitError(f"it is damaged ({' '.join(found.split())})")


def _salvage(connection: sqlite3.Connection) -> Kept:
    """What can still be read of it and bears its checksum."""
    try:
        days = tuple(days_in(connection)[0])
    except (*FAILURES, TypeError):
        days = ()
    try:
        return Kept(days, tuple(latest_in(connection)[0]))
    except (*FAILURES, TypeError):
        return Kept(days)
