"""One entry of the journal, as a value and as a row that can be told from a damaged one.

Pages of the main file carry no checksum of their own (SQLite's file format has none), so every row does.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple
from zlib import crc32

from sequencer.train import EdgeLog, Stamp

KINDS = (
    "start",
    "stop",
    "input",
    "supply",
    "show",
    "wish",
    "told",
    "replaced",
    "intent",
    "edges",
    "outcome",
    "dark",
    "note",
    "clock",
)
"""What an entry can be about; docs/journal.md lists what the detail of each kind says."""

COUNTED = frozenset({"outcome", "dark"})
"""The kinds that say how many relay cycles something took."""


class Entry(NamedTuple):
    """What happened, and when.

    ``unix_s``: by the wall clock, as the board believed it. ``at_s``: on the daemon's own axis, which means
    something only within one run. ``boot``: which boot of the board. ``circuit`` None: the whole pad.
    """

    unix_s: float
    boot: str
    at_s: float
    kind: str
    circuit: str | None
    detail: Mapping[str, Any]
    id: int = 0

    def row(self) -> tuple[object, ...]:
        """For the table ``entry``."""
        detail = json.dumps(self.detail, default=_plain, skipkeys=True, separators=(",", ":"))
        values = (self.id, *self[:5], detail)
        return (*values, checksum(values))


def entry_from(row: Sequence[Any]) -> Entry | None:
    """Back from a row; None when it is not what was once written."""
    *values, crc = row
    if crc != checksum(values):
        return None
    number, unix_s, boot, at_s, kind, circuit, detail = values
    return Entry(unix_s, boot, at_s, kind, circuit, json.loads(detail), number)


def checksum(values: Sequence[object]) -> int:
    """CRC-32 (that of zlib and ISO 3309) over the values of a row."""
    return crc32(repr(tuple(values)).encode(errors="backslashreplace"))


def edges_detail(log: EdgeLog) -> dict[str, object]:
    """The detail of an ``edges`` entry: a train's whole log, each stamp as its values in order.

    >>> log = EdgeLog((Stamp(0.5, 0.4945, 0.4946, False),), "finished", "", 0.5, True)
    >>> edges_log(edges_detail(log)) == log
    True
    """
    return {**log._asdict(), "stamps": [list(stamp) for stamp in log.stamps]}


def edges_log(detail: Mapping[str, Any]) -> EdgeLog:
    """Back from :func:`edges_detail`, whatever else the detail says; older versions wrote fewer fields."""
    fields = {name: detail[name] for name in EdgeLog._fields if name in detail}
    return EdgeLog(**{**fields, "stamps": tuple(Stamp(*stamp) for stamp in detail["stamps"])})


def _plain(value: object) -> object:
    """Sets as sorted lists, and whatever else JSON has no form for as text: a record is never refused."""
    return sorted(value, key=repr) if isinstance(value, set | frozenset) else str(value)
