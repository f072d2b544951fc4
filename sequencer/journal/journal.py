"""The journal as the daemon has it: one writer, which plays on whatever the disk does."""

from __future__ import annotations

import fcntl
import math
import os
import sqlite3
from collections import Counter, deque
from collections.abc import Callable, Mapping
from contextlib import closing, suppress
from datetime import UTC, tzinfo
from itertools import islice
from pathlib import Path

from sequencer.core.carried import Carried
from sequencer.errors import HardwareError, LampstepError
from sequencer.journal.days import Day, by_year, day_from, day_of, oldest_kept
from sequencer.journal.entries import Entry, checksum
from sequencer.journal.file import (
    FAILURES,
    WAL_PAGES,
    Kept,
    SetAsideError,
    UnfitError,
    connect,
    days_in,
    latest_in,
    newest_first,
    set_aside,
    to_read,
    why_unfit,
)
from sequencer.journal.fold import fold, recent, slot_of
from sequencer.journal.folder import FILE_MODE, make_folder

RETRY_S = 30.0
"""After a failure the disk is tried again no sooner: a dying card may take seconds over each try."""
MOST_KEPT_BACK = 500
"""Entries that are kept in memory while they cannot be written; what is dropped beyond it is still counted."""
ANEW_S = 3600.0
"""A new file is begun no more often than that: a disk that damages each is to be replaced, not filled."""
_BATCH = 100
"""Entries that are written, or removed, in one transaction."""
_BESIDE = 2 * WAL_PAGES * 4096 + 100_000
"""Bytes of the limit left to the write-ahead log and its index."""

Clock = Callable[[], float]


def open_journal(
    path: Path,
    *,
    now_unix: Clock,
    now: Clock,
    boot: str,
    limit_mb: float,
    zone: tzinfo = UTC,
) -> Journal:
    """Open the journal, or begin one; a file that is none is set aside.

    :param now_unix: the wall clock, as the board believes it.
    :param now: the daemon's own axis, seconds.
    :param boot: tells this boot of the board from others.
    :param limit_mb: largest size on the disk, its write-ahead log included; megabytes, at least 1.
    :param zone: of the site, for daily sums.
    :raises HardwareError: another process writes it. Nothing else: of any other trouble the journal tells.
    """
    return Journal(path, now_unix, now, boot, int(limit_mb * 1_000_000), zone)


class Journal:
    """Writes entries; see :func:`open_journal`.

    No method raises for what the disk does: entries that cannot be written are kept back, and
    :attr:`trouble` says so until they are written.
    """

    def __init__(
        self, path: Path, now_unix: Clock, now: Clock, boot: str, limit_bytes: int, zone: tzinfo
    ) -> None:
        self.path = path
        self.notes: list[str] = []
        """Sentences for the user: what was set aside, what was lost."""
        self._now_unix, self._now, self._boot, self._zone = now_unix, now, boot, zone
        self._room = limit_bytes - _BESIDE
        self._lock: int | None = None
        self._connection: sqlite3.Connection | None = None
        self._written: Counter[str] = Counter()
        """Relay cycles that the file has."""
        self._back: deque[Entry] = deque()
        self._owed: dict[tuple[str, str], Day] = {}
        """Daily sums of entries that were dropped before they could be written."""
        self._dropped = 0
        self._carry = Kept()
        """For a new file, from the one it replaces."""
        self._latest: dict[tuple[str, str], Entry] = {}
        self._old: list[Entry] = []
        """Of a file that could only be read at the start."""
        self._today = ""
        self._why = ""
        self._retry_at = self._may_begin_anew_at = -math.inf
        self._inode = 0
        with suppress(OSError):  # if so, it is said below
            self._lock = _locked(path)
        self.catch_up()
        if self._connection is None:
            self._only_read()

    @property
    def trouble(self) -> str:
        """Why nothing can be written now, as a sentence; empty: all is written."""
        if not self._why:
            return ""
        return f"the journal cannot be written ({self._why}); entries kept in memory: {len(self._back)}"

    def write(
        self, kind: str, circuit: str | None = None, detail: Mapping[str, object] | None = None
    ) -> None:
        """Enter what happened, now. It is on the disk when this returns, unless there is trouble."""
        entry = Entry(float(self._now_unix()), self._boot, float(self._now()), kind, circuit, detail or {})
        self._back.append(entry)
        if len(self._back) > MOST_KEPT_BACK:
            self._drop_one()
        if not self._why or self._now() >= self._retry_at:
            self.catch_up()

    def catch_up(self) -> None:
        """Write what was kept back, if that can be done now."""
        try:
            try:
                self._flush()
            except FAILURES as error:
                if self._connection is None or not (why := why_unfit(error)):
                    raise
                self._replace(self._connection, why)
                self._flush()
            self._why = ""
        except (*FAILURES, OSError, SetAsideError, LampstepError) as error:
            self._why = f"{error.filename}: {error.strerror}" if isinstance(error, OSError) else str(error)
            self._retry_at = self._now() + (ANEW_S if isinstance(error, SetAsideError) else RETRY_S)

    def cycles_total(self, circuit: str) -> int:
        """Relay cycles for ever, those not yet written included."""
        return self._totals()[circuit]

    def carried(self) -> dict[str, Carried]:
        """What every circuit carries over to this start of the daemon; see :func:`fold`."""
        try:
            entries = self._read_back()
        except FAILURES as error:
            self.notes.append(f"the journal could not be read back whole: {error}")
            entries = []
        known = {entry.id: entry for entry in (*self._latest.values(), *entries)}
        written = [known[number] for number in sorted(known)]
        return fold([*written, *self._back], self._now_unix(), self._totals())

    def close(self) -> None:
        """Write what can be written, and let go of the file."""
        if self._back:
            self.catch_up()
        if self._connection is not None:
            try:
                self._connection.close()
            except sqlite3.Error as error:
                self.notes.append(f"the journal could not be closed: {error}")
            self._connection = None
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None

    # What follows raises what catch_up catches.

    def _flush(self) -> None:
        if self._connection is not None and _inode(self.path) != self._inode:
            self._begin_anew(
                "the journal's file was removed while it was in use, and a new one begun", self._known()
            )
            connection, self._connection = self._connection, None
            connection.close()
        connection = self._connection or self._open()
        while self._back or self._owed:
            self._insert(connection)
        self._trim(connection)

    def _open(self) -> sqlite3.Connection:
        """Take the lock, open the file and read what is needed of it."""
        if self._lock is None:
            self._lock = _locked(self.path)
        try:
            connection = connect(self.path, self._now_unix())
        except SetAsideError as error:
            self._begin_anew(str(error), error.kept)
            connection = connect(self.path, self._now_unix())
        try:
            if any(self._carry):
                self._bring_over(connection)
            self._learn_from(connection)
        except BaseException:
            connection.close()
            raise
        self._connection, self._inode = connection, _inode(self.path)
        while self._trim(connection):
            pass
        return connection

    def _learn_from(self, connection: sqlite3.Connection) -> None:
        """Read what a start needs of the file, and the sums."""
        days, damaged = days_in(connection)
        latest, lost = latest_in(connection)
        if damaged:
            self.notes.append(f"{damaged} daily sums in the journal are damaged and no longer count")
        if lost:
            self.notes.append(f"{lost} of the last entries that the journal keeps for a start are damaged")
        self._written = Counter()
        for day in days:
            self._written[day.circuit] += day.cycles
        self._latest = {(str(entry.circuit), str(slot_of(entry))): entry for entry in latest}

    def _only_read(self) -> None:
        """A disk that cannot be written now may still say what was wanted and counted."""
        with suppress(*FAILURES, OSError, UnfitError), closing(to_read(self.path)) as found:
            self._old = recent(newest_first(found, but="edges"), self._now_unix())
            self._learn_from(found)

    def _replace(self, connection: sqlite3.Connection, why: str) -> None:
        """Set aside a file that turned out damaged, and carry over into a new one what is known of it."""
        if self._now() < self._may_begin_anew_at:
            raise SetAsideError(f"{why}, and so was another not an hour ago", Kept())
        kept = self._known()
        self._begin_anew(set_aside(self.path, why, self._now_unix()), kept)
        self._connection = None
        connection.close()

    def _known(self) -> Kept:
        """What is known of the file that is open, even if it can no longer be read."""
        try:
            days = days_in(self._connection)[0] if self._connection else []
        except (*FAILURES, TypeError):  # no more than the totals, as if they were today's
            today = day_of(self._now_unix(), self._zone)
            days = [Day(name, today, cycles=cycles) for name, cycles in self._written.items()]
        return Kept(tuple(days), tuple(sorted(self._latest.values(), key=lambda entry: entry.id)))

    def _begin_anew(self, note: str, kept: Kept) -> None:
        """Say so, also in the new file."""
        self._carry = kept if any(kept) else self._carry
        self._may_begin_anew_at = self._now() + ANEW_S
        self.notes.append(note)
        at = (float(self._now_unix()), self._boot, float(self._now()))
        self._back.appendleft(Entry(*at, "note", None, {"text": note}))

    def _bring_over(self, connection: sqlite3.Connection) -> None:
        """The daily sums and latest entries of another file, once; not into one that has its own."""
        if connection.execute("SELECT count(*) FROM day").fetchone() == (0,):
            with _transaction(connection):
                for day in self._carry.days:
                    _put_day(connection, day)
                for entry in self._carry.latest:
                    _put_entry(connection, entry)
        self._carry = Kept()

    def _insert(self, connection: sqlite3.Connection) -> None:
        """One batch of what is kept back, with its daily sums, all or nothing."""
        batch = list(islice(self._back, _BATCH))
        today = day_of(batch[-1].unix_s, self._zone) if batch else self._today
        owed = list(self._owed.values())
        added = [*owed, *(day for entry in batch if (day := day_from(entry, self._zone)))]
        with _transaction(connection):
            if today != self._today:
                _sum_by_year(connection, today)
            for day in added:
                _put_day(connection, day)
            if self._dropped:
                text = f"{self._dropped} entries were lost while nothing could be written; they were counted"
                _put_entry(connection, batch[0]._replace(kind="note", circuit=None, detail={"text": text}))
            written = [_put_entry(connection, entry) for entry in batch]
        for _ in batch:
            self._back.popleft()
        self._owed, self._dropped, self._today = {}, 0, today
        for day in added:
            self._written[day.circuit] += day.cycles
        for entry in written:
            if slot := slot_of(entry):
                self._latest[str(entry.circuit), slot] = entry

    def _trim(self, connection: sqlite3.Connection) -> bool:
        """Remove some of the oldest entries if the file is too large; whether it was.

        Their sums are kept already, and the last entry of every slot stays.
        """
        pages, free, size = (
            connection.execute(f"PRAGMA {what}").fetchone()[0]
            for what in ("page_count", "freelist_count", "page_size")
        )
        if (pages - free) * size <= self._room:
            return False
        with _transaction(connection):
            found = connection.execute(
                "DELETE FROM entry WHERE id IN (SELECT id FROM entry WHERE id NOT IN (SELECT entry FROM latest) "
                "AND id < (SELECT max(id) FROM entry) ORDER BY id LIMIT ?)",
                (_BATCH,),
            )
        connection.executescript("PRAGMA incremental_vacuum")  # execute() would step once, and free one page
        return found.rowcount > 0

    def _read_back(self) -> list[Entry]:
        """The last week, without the logs of its edges, which are most of it and carry nothing over."""
        if self._connection is None:
            return self._old
        return recent(newest_first(self._connection, but="edges"), self._now_unix())

    def _totals(self) -> Counter[str]:
        totals = self._written.copy()
        for day in (*self._owed.values(), *(day_from(entry, self._zone) for entry in self._back)):
            if day is not None:
                totals[day.circuit] += day.cycles
        return totals

    def _drop_one(self) -> None:
        """Let go of the oldest entry that a later one has overtaken, but not of what it counts."""
        later: set[tuple[str | None, str]] = set()
        last_free = 0
        for index in range(len(self._back) - 1, -1, -1):
            slot = slot_of(self._back[index])
            if slot is None or (self._back[index].circuit, slot) in later:
                last_free = index
            else:
                later.add((self._back[index].circuit, slot))
        entry = self._back[last_free]
        del self._back[last_free]
        self._dropped += 1
        if (day := day_from(entry, self._zone)) is not None:
            owed = self._owed.get((day.circuit, day.day))
            self._owed[day.circuit, day.day] = day if owed is None else owed.with_more(day)


class _transaction:  # noqa: N801 - a statement, as it is used
    """All or nothing, and on the disk at its end."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    def __enter__(self) -> None:
        self._connection.execute("BEGIN IMMEDIATE")

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        try:
            if kind is None:
                self._connection.execute("COMMIT")
        finally:
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")


def _put_entry(connection: sqlite3.Connection, entry: Entry) -> Entry:
    """Give it the next number and write it."""
    [[last]] = connection.execute("SELECT ifnull(max(id), 0) FROM entry").fetchall()
    written = entry._replace(id=last + 1)
    connection.execute("INSERT INTO entry VALUES (?, ?, ?, ?, ?, ?, ?, ?)", written.row())
    if slot := slot_of(entry):
        row = (str(entry.circuit), slot, written.id)
        connection.execute("INSERT OR REPLACE INTO latest VALUES (?, ?, ?, ?)", (*row, checksum(row)))
    return written


def _put_day(connection: sqlite3.Connection, more: Day) -> None:
    """Add to a day's sums."""
    row = connection.execute("SELECT * FROM day WHERE circuit = ? AND day = ?", more[:2]).fetchone()
    sound = row is not None and row[-1] == checksum(row[:-1])
    day = Day(*row[:-1]).with_more(more) if sound else more
    connection.execute(
        "INSERT OR REPLACE INTO day VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", (*day, checksum(tuple(day)))
    )


def _sum_by_year(connection: sqlite3.Connection, today: str) -> None:
    for whole, parts in by_year(days_in(connection, oldest_kept(today))[0]):
        connection.executemany("DELETE FROM day WHERE circuit = ? AND day = ?", [part[:2] for part in parts])
        _put_day(connection, whole)


def _inode(path: Path) -> int:
    return path.stat().st_ino if path.exists() else 0


def _locked(path: Path) -> int:
    """The descriptor that holds the writer's lock."""
    make_folder(path.parent)
    lock = path.with_name(f"{path.name}.lock")
    descriptor = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, FILE_MODE)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(descriptor)
        raise HardwareError(f"{path}: another process is writing this journal; stop it first") from None
    return descriptor
