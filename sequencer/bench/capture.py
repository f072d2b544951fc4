"""A logic analyser's capture: a value change dump (IEEE 1364) as waves of single wires."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from sequencer.errors import InputError
from sequencer.tomlfile import did_you_mean, printable, quoted

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

MAX_BYTES = 64 * 1024 * 1024
MAX_CHANGES = 2_000_000
"""More than a day of trains; each costs some 100 bytes."""


class Wave(NamedTuple):
    """One wire: its level at the start, each change as (seconds, level), and when the capture ends.

    Where the level is neither 0 nor 1 (x, z) it is unknown: ``unknown`` counts the changes to it, ``unsure`` has each
    stretch as (from, until) in seconds, and a change to another level then stands at the stretch's end. ``first`` is
    the first level that is known, from ``from_s`` on; None stands for a wire that never was either.
    """

    name: str
    first: bool | None
    changes: tuple[tuple[float, bool], ...]
    end_s: float
    unknown: int = 0
    unsure: tuple[tuple[float, float], ...] = ()
    from_s: float = 0.0


def read_capture(path: Path) -> Mapping[str, Wave]:
    """Every single wire of a capture, by its whole name (scopes with dots).

    :raises InputError: no such file, too long, not a value change dump or one that is cut off in a word.
    """
    from vcd.reader import VCDParseError, tokenize  # noqa: PLC0415 - only here

    shown = printable(str(path))
    try:
        with path.open("rb") as file:
            raw = file.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        raise InputError(f"{shown}: cannot be read: {getattr(error, 'strerror', None) or error}") from None
    if len(raw) > MAX_BYTES:
        words = (
            f"longer than {MAX_BYTES // 1024 // 1024} MB: capture less, or at a lower rate (10 kHz will do)"
        )
        raise InputError(f"{shown}: {words}")
    if raw.startswith(b"META "):  # sigrok-cli 0.7 puts such a line before the dump when it converts one
        raw = raw[raw.find(b"\n") + 1 :]
    reader = _Reader(shown)
    try:
        for token in tokenize(io.BytesIO(raw)):
            reader.take(token)
    except VCDParseError as error:
        raise InputError(
            f"{shown}: no value change dump, or a damaged one: line {error.loc.line}: {error}"
        ) from None
    except (IndexError, ValueError, AssertionError, UnicodeDecodeError) as error:
        raise InputError(
            f"{shown}: no value change dump, or a damaged one: {type(error).__name__}: {error}"
        ) from None
    return reader.waves()


def pick(waves: Mapping[str, Wave], name: str | None, shown: str, option: str) -> Wave:
    """The wave of that name, or the only one. InputError with what is there."""
    if name is None:
        if len(waves) == 1:
            return next(iter(waves.values()))
        known = ", ".join(map(quoted, waves)) or "none"
        raise InputError(f"{shown}: name the signal with {option}: it has {known}")
    found = [wave for whole, wave in waves.items() if whole == name or whole.rpartition(".")[2] == name]
    if len(found) == 1:
        return found[0]
    if found:
        raise InputError(f"{shown}: {quoted(name)} is in several scopes: {', '.join(w.name for w in found)}")
    hint = did_you_mean(name, waves)
    raise InputError(f"{shown}: no signal {quoted(name)}" + (f": {hint}" if hint else ""))


class _Reader:
    """Tokens in, waves out."""

    def __init__(self, shown: str) -> None:
        self._shown = shown
        self._scopes: list[str] = []
        self._names: dict[str, list[str]] = {}
        self._unit_s: float | None = None
        self._at = self._count = 0
        self._levels: dict[str, list[tuple[int, bool | None]]] = {}
        self._unknown: dict[str, int] = {}

    def take(self, token: Any) -> None:
        kind, data = token.kind.name, token.data
        if kind == "TIMESCALE":
            self._unit_s = data.magnitude * _UNITS[data.unit.value]
        elif kind == "SCOPE":
            self._scopes.append(data.ident)
        elif kind == "UPSCOPE":
            del self._scopes[-1:]
        elif kind == "VAR" and data.size == 1:
            name = ".".join([*filter(None, self._scopes), data.reference])
            self._names.setdefault(data.id_code, []).append(printable(name))
        elif kind == "CHANGE_TIME":
            if data < self._at:
                raise InputError(f"{self._shown}: time runs backwards at line {token.span.start.line}")
            self._at = data
        elif kind in {"CHANGE_SCALAR", "CHANGE_VECTOR"}:
            self._change(data.id_code, str(data.value))

    def _change(self, wire: str, value: str) -> None:
        if wire not in self._names:
            return
        level = {"0": False, "1": True}.get(value)
        if level is None:
            self._unknown[wire] = self._unknown.get(wire, 0) + 1
        levels = self._levels.setdefault(wire, [])
        if not levels or levels[-1][1] != level:
            levels.append((self._at, level))
            self._count += 1
            if self._count > MAX_CHANGES:
                raise InputError(
                    f"{self._shown}: more than {MAX_CHANGES} changes: that is noise, not a contact"
                )

    def waves(self) -> Mapping[str, Wave]:
        if self._unit_s is None:
            raise InputError(f"{self._shown}: no $timescale: not a whole value change dump")
        found = {}
        for name, wire in self._wires():
            levels = self._levels.get(wire, [])
            found[name] = _wave(name, levels, self._unit_s, self._at, self._unknown.get(wire, 0))
        if not found:
            raise InputError(f"{self._shown}: no wire of one bit in it")
        return found

    def _wires(self) -> Iterator[tuple[str, str]]:
        for wire, names in self._names.items():
            for name in names:
                yield name, wire


def _wave(
    name: str, levels: Sequence[tuple[int, bool | None]], unit_s: float, end: int, unknown: int
) -> Wave:
    """Levels as they came, None for unknown, as known levels and stretches without one."""
    first: tuple[int, bool] | None = None
    last: bool | None = None
    changes: list[tuple[float, bool]] = []
    unsure: list[tuple[float, float]] = []
    lost_at: int | None = None
    for at, level in levels:
        if level is None:
            lost_at = at if first is not None else None
            continue
        if first is None:
            first, last = (at, level), level
        if lost_at is not None and at > lost_at:
            unsure.append((lost_at * unit_s, at * unit_s))
        lost_at = None
        if level != last:
            changes.append((at * unit_s, level))
            last = level
    if lost_at is not None and end > lost_at:
        unsure.append((lost_at * unit_s, end * unit_s))
    if first is None:
        return Wave(name, None, (), end * unit_s, unknown)
    return Wave(name, first[1], tuple(changes), end * unit_s, unknown, tuple(unsure), first[0] * unit_s)


_UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "ps": 1e-12, "fs": 1e-15}
