"""A logic analyser's capture: a value change dump (IEEE 1364) as waves of single wires."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from sequencer.errors import InputError
from sequencer.tomlfile import did_you_mean, printable, quoted

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

MAX_BYTES = 64 * 1024 * 1024
MAX_CHANGES = 2_000_000
"""More than a day of trains; each costs some 100 bytes."""


class Wave(NamedTuple):
    """One wire: its level at the start, each change as (seconds, level), and when the capture ends.

    ``unknown`` counts changes to neither 0 nor 1 (x, z), which are left out; None stands for a start that never
    was either.
    """

    name: str
    first: bool | None
    changes: tuple[tuple[float, bool], ...]
    end_s: float
    unknown: int = 0


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
        self._levels: dict[str, list[tuple[int, bool]]] = {}
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
        if value not in {"0", "1"}:
            self._unknown[wire] = self._unknown.get(wire, 0) + 1
            return
        levels = self._levels.setdefault(wire, [])
        if not levels or levels[-1][1] != (value == "1"):
            levels.append((self._at, value == "1"))
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
            changes = tuple((at * self._unit_s, level) for at, level in levels[1:])
            first = levels[0][1] if levels else None
            found[name] = Wave(name, first, changes, self._at * self._unit_s, self._unknown.get(wire, 0))
        if not found:
            raise InputError(f"{self._shown}: no wire of one bit in it")
        return found

    def _wires(self) -> Iterator[tuple[str, str]]:
        for wire, names in self._names.items():
            for name in names:
                yield name, wire


_UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "ps": 1e-12, "fs": 1e-15}
