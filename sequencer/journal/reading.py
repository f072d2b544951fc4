"""Reading the journal while the daemon writes it, or while no daemon runs."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

from sequencer.errors import InputError
from sequencer.journal.days import Day
from sequencer.journal.entries import Entry, entry_from
from sequencer.journal.file import FAILURES, UnfitError, check_format, days_in, decoded, why_unfit


class Read(NamedTuple):
    """The last entries, oldest first; all daily sums; the last train's edges; how many rows are damaged."""

    entries: tuple[Entry, ...]
    days: tuple[Day, ...]
    edges: Entry | None
    damaged: int


def read_journal(path: Path, last: int, circuit: str | None = None) -> Read | None:
    """The last entries of a journal, all of one moment; None when there is no journal yet.

    :param circuit: only entries of this circuit and of the whole pad, and its last train.
    :raises InputError: it cannot be read, or is no journal.
    """
    try:
        if not path.exists():
            return None
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", timeout=5.0, uri=True)) as found:
            found.text_factory = decoded
            found.execute("BEGIN")
            return _read(found, last, circuit) if check_format(found) else None
    except UnfitError as error:
        raise InputError(f"{path}: {error}") from error
    except FAILURES as error:
        refused = getattr(error, "sqlite_errorcode", 0) & 0xFF == sqlite3.SQLITE_READONLY
        if (why := why_unfit(error)) and not refused:
            words = f"it is damaged ({why}): the daemon sets it aside when it comes upon that, or starts"
            raise InputError(f"{path}: {words}") from error
        raise InputError(
            f"{path}: cannot be read ({error}): try as the user whom the daemon runs as"
        ) from error
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error


def _read(connection: sqlite3.Connection, last: int, circuit: str | None) -> Read:
    where, names = ("", ()) if circuit is None else ("circuit = ?", (circuit,))
    rows = connection.execute(
        f"SELECT * FROM entry {where and f'WHERE circuit IS NULL OR {where}'} ORDER BY id DESC LIMIT ?",  # noqa: S608
        (*names, last),
    ).fetchall()
    entries = [entry for row in reversed(rows) if (entry := entry_from(row)) is not None]
    edges = connection.execute(
        f"SELECT * FROM entry WHERE kind = 'edges' {where and f'AND {where}'} ORDER BY id DESC",  # noqa: S608
        names,
    )
    train = next((entry for row in edges if (entry := entry_from(row)) is not None), None)
    days, damaged = days_in(connection)
    if circuit is not None:
        days = [day for day in days if day.circuit == circuit]
    return Read(tuple(entries), tuple(days), train, damaged + len(rows) - len(entries))
