"""A TOML file read with care: only a plain file, only a small one, and every problem in a line of its own.

Two kinds of bad news leave this module as :class:`~sequencer.errors.InputError`: the file cannot be had
(absent, a directory, a pipe, too long, not text, not TOML), or its values do not fit the model. The second
kind is worded here from pydantic's error types, with the place in the file's own words, the line where a
search of the text finds it, and the nearest known name.
"""

from __future__ import annotations

import math
import os
import re
import stat
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import islice
from typing import TYPE_CHECKING, Annotated, Any, TypeVar, get_args, get_origin

from pydantic import AfterValidator, BaseModel, ConfigDict, Strict, ValidationError

from sequencer.errors import InputError

if TYPE_CHECKING:
    from pathlib import Path

    from pydantic.fields import FieldInfo
    from pydantic_core import ErrorDetails

MAX_BYTES = 256 * 1024
"""Longest file read: a hundred times a long datasheet."""
MAX_DOTS = 50
"""Most dots in a line: the parser's time grows with the square of a dotted key's length."""
MAX_PROBLEMS = 50
"""Most problems told of one file."""
MAX_NAME = 60
"""Longest name, characters."""

Loc = tuple[int | str, ...]
Faults = Iterator[tuple[Loc, str]]
"""Where, and what is wrong there."""
T = TypeVar("T")


class Table(BaseModel):
    """A TOML table as a frozen value: no unknown keys, no text where a number belongs."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class MisfitError(ValueError):
    """Raised by validators: one or more ``(keys within this table that locate it, words)``."""

    def __init__(self, *faults: tuple[Loc, str]) -> None:
        self.faults = faults
        super().__init__("; ".join(words for _, words in faults))


def _name(value: str) -> str:
    if not value or value != value.strip() or not value.isprintable() or len(value) > MAX_NAME:
        rule = f"1 to {MAX_NAME} characters that print, no space around them"
        raise MisfitError(((), f"must be {rule}, not {quoted(value)}"))
    return value


def _finite(value: float) -> float:
    if not math.isfinite(value):
        raise MisfitError(((), f"must be a number with an end, not {value}"))
    return value


def _some(values: tuple[T, ...]) -> tuple[T, ...]:
    if not values:
        raise MisfitError(((), "must have at least one entry"))
    return values


Name = Annotated[str, AfterValidator(_name)]
Number = Annotated[float, AfterValidator(_finite)]
Pair = Annotated[tuple[float, float], Strict(False)]
"""Two numbers; not strict about the container, for TOML has arrays and no tuples."""
Some = Annotated[tuple[T, ...], Strict(False), AfterValidator(_some)]
"""At least one; counted after the entries are sound, so that a broken one is not also one too few."""


@dataclass(frozen=True)
class TomlFile:
    """A file's text, what it says, and the name by which its reader knows it."""

    shown: str
    text: str
    data: dict[str, Any]

    def problem(self, loc: Loc, words: str, head: str | None = None) -> str:
        """One line: the file (or ``head``, the file then last), ``words``, and where to look."""
        line = self.near_line(loc)
        hints = ([self.shown] if head else []) + ([f"near line {line}"] if line else [])
        return f"{head or self.shown}: {words}" + (f" ({', '.join(hints)})" if hints else "")

    def problems(self, faults: Iterable[tuple[Loc, str]], head: str | None = None) -> list[str]:
        """Faults as lines, without repeats; after ``MAX_PROBLEMS`` it says only that there are more."""
        first = list(islice(faults, MAX_PROBLEMS + 1))
        lines = [self.problem(loc, words, head) for loc, words in first[:MAX_PROBLEMS]]
        if len(first) > MAX_PROBLEMS:
            lines.append(f"{self.shown}: and more than these {MAX_PROBLEMS} problems")
        return list(dict.fromkeys(lines))

    def near_line(self, loc: Loc) -> int | None:
        """The first line that sets ``loc`` or a part of it, else the nearest table around it, else ``None``.

        A plain scan for headers and ``key =``, which a text over several lines can mislead: hence "near".
        """
        shared = ((min(len(path), len(loc)), line, path) for line, path in self._lines)
        found = [(-depth, line) for depth, line, path in shared if path[:depth] == loc[:depth] and depth]
        return min(found)[1] if found else None

    @cached_property
    def _lines(self) -> tuple[tuple[int, Loc], ...]:
        return tuple(_located(self.text))


def read_toml(path: Path, shown: str | None = None) -> TomlFile:
    """Read and parse; raises :class:`InputError` with one clear line when that cannot be done."""
    shown = printable(str(path) if shown is None else shown)
    raw = _read(path, shown)
    try:
        text = raw.decode("utf-8-sig")  # some editors put a byte order mark in front
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        what = f"byte 0x{raw[error.start]:02x} in line {line} is not UTF-8 text"
        raise InputError(f"{shown}: {what}: save it as plain text in UTF-8") from None
    for number, line_text in enumerate(text.split("\n"), 1):
        if line_text.count(".") > MAX_DOTS and not line_text.lstrip().startswith("#"):
            raise InputError(
                f"{shown}: more than {MAX_DOTS} dots in line {number}: no key or value needs them"
            )
    try:
        return TomlFile(shown, text, tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{shown}: not TOML: {_syntax(str(error), text)}") from None
    except RecursionError:
        raise InputError(f"{shown}: brackets nested too deep: no file of this kind needs that") from None
    except ValueError:  # the interpreter's own limit on whole numbers
        raise InputError(f"{shown}: holds a number of thousands of digits") from None


def _read(path: Path, shown: str) -> bytes:
    """At most ``MAX_BYTES``, of a plain file only, so that no pipe or device is waited for."""
    try:
        mode = path.stat().st_mode
        if stat.S_ISDIR(mode):
            raise InputError(f"{shown}: a folder, not a file{_instead(path)}")
        if not stat.S_ISREG(mode):
            raise InputError(f"{shown}: a pipe, socket or device, not a plain file")
        with os.fdopen(os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC), "rb") as file:
            raw = file.read(MAX_BYTES + 1)
    except (FileNotFoundError, NotADirectoryError):
        raise InputError(f"{shown}: no such file{_instead(path)}") from None
    except OSError as error:
        raise InputError(f"{shown}: cannot be read: {error.strerror}") from None
    except ValueError as error:  # a zero byte in the name
        raise InputError(f"{shown}: cannot be read: {error}") from None
    if len(raw) > MAX_BYTES:
        raise InputError(f"{shown}: longer than {MAX_BYTES // 1024} kB: no file of this kind is")
    return raw


def _instead(path: Path) -> str:
    """What is there instead of a file that is not."""
    folder = path if path.is_dir() else path.parent
    try:
        there = sorted(entry.name for entry in islice(folder.glob("*.toml"), 1000))
    except OSError:
        there = []
    return ": " + (did_you_mean(path.name, there) or f"{len(there) or 'no'} .toml files there")


def _syntax(message: str, text: str) -> str:
    """The parser's message on one line, always with line and column."""
    found = re.fullmatch(r"(?s)(.*) \(at (?:line (\d+), column (\d+)|end of document)\)", message)
    if not found:
        return printable(message)[:200]
    words, line, column = found.groups()
    at = f"line {line}, column {column}"
    if line is None:
        at = f"line {text.count(chr(10)) + 1}, column {len(text) - text.rfind(chr(10))}: the end"
    return f"{printable(words)[:200]} ({at})"


_HEADER = r"\s*(\[\[?)([^\[\]=#]+)\]\]?\s*(?:#.*)?$"
_PART = r"""(?:[\w-]+|"[^"\n]*"|'[^'\n]*')"""
_KEY = rf"\s*({_PART}(?:\s*\.\s*{_PART})*)\s*="


def _located(text: str) -> Iterator[tuple[int, Loc]]:
    """``(line, location)`` of every header and key; a table of an array carries its running number."""
    counts: dict[Loc, int] = {}
    table: Loc = ()
    for number, line in enumerate(text.split("\n"), 1):
        if header := re.match(_HEADER, line):
            *outer, last = _parts(header[2])
            table = ()
            for part in outer:
                table = (*table, part)
                table = (*table, counts[table]) if table in counts else table
            table = (*table, last)
            if header[1] == "[[":
                counts[table] = counts.get(table, -1) + 1
                table = (*table, counts[table])
            yield number, table
        elif key := re.match(_KEY, line):
            yield number, (*table, *_parts(key[1]))


def _parts(dotted: str) -> list[str]:
    return [part.strip("\"'") for part in re.findall(_PART, dotted)] or [""]


def place(loc: Loc, data: object) -> str:
    """A location in words that others can follow: tables of an array by name, tables in brackets.

    >>> place(("circuit", 0, "lamp", 1, "name"), {"circuit": [{"name": "lap-pool", "lamp": [{}, {}]}]})
    'lap-pool: lamp 2: name '
    >>> place(("off", "pulse", 1), {"off": {"pulse": [0.1, "3"]}})
    '[off] pulse, entry 2 '
    """
    words, here, before = "", data, ""
    for step, after in zip(loc, (*loc[1:], ""), strict=False):
        inner = _inside(here, step)
        if isinstance(step, int):
            named = isinstance(inner, Mapping)
            words = words + _element(before, step, inner) if named else f"{words.rstrip()}, entry {step + 1} "
        elif isinstance(inner, Mapping):
            words += f"[{printable(step)[:MAX_NAME]}] "
        elif not (isinstance(after, int) and isinstance(_inside(inner, after), Mapping)):
            words += f"{printable(step)[:MAX_NAME]} "
        here, before = inner, str(step)
    return words


def _inside(here: object, step: int | str) -> object:
    if isinstance(here, Mapping):
        return here.get(step)
    return here[step] if isinstance(here, list) and isinstance(step, int) and step < len(here) else None


def _element(key: str, index: int, table: object) -> str:
    name = _inside(table, "name")
    if not isinstance(name, str) or not name:
        return f"{key} {index + 1}: "
    return f"{printable(name)[:MAX_NAME]}: " if key == "circuit" else f"{key} {quoted(name)}: "


_WORDS = {
    "float_type": "must be a number, not {got}",
    "int_type": "must be a whole number, not {got}",
    "string_type": "must be text in quotes, not {got}",
    "bool_type": "must be true or false, not {got}",
    "tuple_type": "must be an array in square brackets, not {got}",
    "dict_type": "must be a table, not {got}",
    "model_type": "must be a table, not {got}",
    "model_attributes_type": "must be a table, not {got}",
    "greater_than": "must be more than {gt:g}, not {got}",
    "greater_than_equal": "must be at least {ge:g}, not {got}",
    "less_than": "must be less than {lt:g}, not {got}",
    "less_than_equal": "must be at most {le:g}, not {got}",
    "literal_error": "must be {expected}, not {got}",
    "too_long": "has {actual_length} entries, not {max_length}",
    "union_tag_not_found": "is missing",
    "union_tag_invalid": 'must be one of {expected_tags}, not "{tag}"',
}
"""Pydantic's error types in plain words; ``got`` is what stands there instead."""


def misfits(error: ValidationError, model: type[Table], data: object) -> Faults:
    """A validation's errors as locations and words; ``model`` and ``data`` are what was validated."""
    for details in error.errors(include_url=False):
        yield from _worded(details, model, data)


def _worded(details: ErrorDetails, model: type[Table], data: object) -> list[tuple[Loc, str]]:
    """One pydantic error as places and words."""
    kind, ctx, loc = details["type"], details.get("ctx", {}), _untagged(details["loc"], data)
    if isinstance(misfit := ctx.get("error"), MisfitError):
        return [((*loc, *keys), place(loc, data) + words) for keys, words in misfit.faults]
    where, last, fields = place(loc[:-1], data), loc[-1], _fields(model, details["loc"][:-1])
    if kind == "extra_forbidden":
        hint = did_you_mean(str(last), fields)
        return [(loc, f"{where}no such key: {quoted(str(last))}" + (f": {hint}" if hint else ""))]
    if kind == "missing":
        lacking = f"{_headed(last, fields)} is missing" if last in fields else "needs two numbers"
        return [(loc, where + lacking)]
    if kind in {"union_tag_not_found", "union_tag_invalid"}:
        loc = (*loc, "driver")
    limits = {k: printable(v)[:200].replace("'", '"') if isinstance(v, str) else v for k, v in ctx.items()}
    words = _WORDS[kind].format(got=told(details["input"]), **limits) if kind in _WORDS else details["msg"]
    return [(loc, place(loc, data) + words)]


def _untagged(loc: Loc, data: object) -> Loc:
    """Without the ``driver`` that pydantic puts behind a table whose kind it names."""
    kept: Loc = ()
    here, tag = data, None
    for step in loc:
        if step == tag:
            tag = None
            continue
        kept = (*kept, step)
        here = _inside(here, step)
        tag = _inside(here, "driver")
    return kept


def _fields(model: type[Table], loc: Loc) -> dict[str, FieldInfo]:
    """The fields of the table at ``loc``, by key."""
    tables = [model]
    for step in loc:
        if isinstance(step, int):
            continue
        if len(tables) > 1:  # a union: the step is the driver that chose one of its tables
            tables = [t for t in tables if step in get_args(t.model_fields["driver"].annotation)]
            continue
        field = _by_key(tables[0]).get(step) if tables else None
        tables = _tables_in(field.annotation) if field else []
    return {key: field for table in tables for key, field in _by_key(table).items()}


def _by_key(table: type[Table]) -> dict[str, FieldInfo]:
    return {field.alias or name: field for name, field in table.model_fields.items()}


def _headed(key: int | str, fields: Mapping[str, FieldInfo]) -> str:
    """A missing key as it would be written: a table in brackets, an array of tables in two."""
    annotation = fields[str(key)].annotation
    if not _tables_in(annotation):
        return str(key)
    return f"[[{key}]]" if get_origin(annotation) is tuple else f"[{key}]"


def _tables_in(annotation: object) -> list[type[Table]]:
    if isinstance(annotation, type) and issubclass(annotation, Table):
        return [annotation]
    return [table for part in get_args(annotation) for table in _tables_in(part)]


def told(value: object) -> str:
    """What stands there instead, in a few words."""
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, (int, float)):
        return "a number so large" if 1e15 <= abs(value) < math.inf else repr(value)
    if isinstance(value, dict):
        return "a table"
    return "an array" if isinstance(value, list) else "a date or time"


def printable(text: str) -> str:
    """Nothing that a terminal would obey, no line end.

    >>> printable("tarn\\x1b[2J")
    'tarn\\\\x1b[2J'
    """
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)


def quoted(text: str) -> str:
    """Printable, in double quotes, clipped to the length of a name."""
    return f'"{printable(text if len(text) <= MAX_NAME else text[: MAX_NAME - 3] + "...")}"'


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """The remedy for an unknown name: the nearest known one, else all of a short list, else nothing.

    >>> did_you_mean("evning", ["evening", "quiet"])
    'did you mean "evening"?'
    >>> did_you_mean("noon", ["dusk", "rill"])
    'known are "dusk", "rill"'
    """
    import difflib  # noqa: PLC0415  (only when something is wrong)

    names = {name.casefold(): name for name in known}
    near = difflib.get_close_matches(word[:MAX_NAME].casefold(), names, n=1)
    if near:
        return f"did you mean {quoted(names[near[0]])}?"
    return "known are " + ", ".join(map(quoted, names.values())) if 0 < len(names) <= 12 else ""
