"""A TOML file read with care: only a plain file, only a small one, and every problem in a line of its own.

Two kinds of bad news leave this module as :class:`~sequencer.errors.InputError`: the file cannot be had
(absent, a directory, a pipe, too long, not text, not TOML), or its values do not fit the model. The second
kind is worded here from pydantic's error types, with the place in the file's own words, the line where a
search of the text finds it, and the nearest known name.
"""

from __future__ import annotations

import math
import os
import stat
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import islice
from typing import TYPE_CHECKING, Annotated, Any, TypeVar, get_args, get_origin

from pydantic import AfterValidator, BaseModel, ConfigDict, Strict, ValidationError

from sequencer.errors import InputError
from sequencer.tomltext import (
    MAX_NAME,
    Loc,
    crowded_line,
    did_you_mean,
    located,
    printable,
    quoted,
    shown_path,
    syntax_words,
    told,
)

if TYPE_CHECKING:
    from pathlib import Path

    from pydantic.fields import FieldInfo
    from pydantic_core import ErrorDetails

__all__ = [
    "MAX_BYTES",
    "MAX_DOTS",
    "MAX_NAME",
    "MAX_PROBLEMS",
    "Faults",
    "Loc",
    "MisfitError",
    "Name",
    "Number",
    "Pair",
    "Some",
    "Table",
    "TomlFile",
    "did_you_mean",
    "misfits",
    "place",
    "printable",
    "quoted",
    "read_toml",
    "told",
]
MAX_BYTES = 256 * 1024
"""Longest file read: a hundred times a long datasheet."""
MAX_DOTS = 50
"""Most dots in a line: the parser's time grows with the square of a dotted key's length."""
MAX_PROBLEMS = 50
"""Most problems told of one file."""

Faults = Iterator[tuple[Loc, str]]
"""Where, and what is wrong there."""
T = TypeVar("T")


class Table(BaseModel):
    """A TOML table as a frozen value: no unknown keys, no text where a number belongs."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    @classmethod
    def lacking(cls, given: Mapping[str, object]) -> Faults:  # noqa: ARG003 - of which a table makes use
        """What is missing of which a key alone says nothing, as one of two; ``given``: what the file sets.

        Asked of a table that is wrong otherwise, so that all that it lacks is told at once; its own validator is
        to ask it as well, with :attr:`given`.
        """
        yield from ()

    @property
    def given(self) -> dict[str, object]:
        """What the file sets, by its own keys."""
        fields = type(self).model_fields
        return {fields[name].alias or name: getattr(self, name) for name in self.model_fields_set}


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
        return tuple(located(self.text))


def read_toml(path: Path, shown: str | None = None) -> TomlFile:
    """Read and parse; raises :class:`InputError` with one clear line when that cannot be done."""
    shown = shown_path(str(path) if shown is None else shown)
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
        raise InputError(f"{shown}: not TOML: {syntax_words(str(error), text)}") from None
    except RecursionError:
        line = crowded_line(text, "[\\[{]")
        words = f"brackets nested too deep in line {line}: no file of this kind needs that"
        raise InputError(f"{shown}: {words}") from None
    except ValueError:  # the interpreter's own limit on whole numbers
        line = crowded_line(text, r"\d")
        raise InputError(f"{shown}: holds a number of thousands of digits in line {line}") from None


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
    "union_tag_invalid": "must be one of {expected_tags}, not {got}",
    "int_parsing_size": "must be a whole number of fewer digits",
    "string_unicode": "must be text in quotes, not {got}",
    "finite_number": "must be a number with an end, not {got}",
    "invalid_key": "has a key that is no text",
}
"""Pydantic's error types in plain words; ``got`` is what stands there instead."""


def misfits(error: ValidationError, model: type[Table], data: object) -> Faults:
    """A validation's errors as locations and words; ``model`` and ``data`` are what was validated."""
    around: dict[Loc, None] = {}  # the tables whose own validators did not come to their turn
    for details in error.errors(include_url=False):
        yield from _worded(details, model, data)
        around |= {details["loc"][:depth]: None for depth in range(len(details["loc"]))}
    for tagged in around:
        loc, here = _untagged(tagged, data), data
        for step in loc:
            here = _inside(here, step)
        tables = _tables_at(model, tagged)
        if isinstance(here, Mapping) and len(tables) == 1:
            for keys, words in tables[0].lacking(here):
                yield (*loc, *keys), place(loc, data) + words


def _worded(details: ErrorDetails, model: type[Table], data: object) -> list[tuple[Loc, str]]:
    """One pydantic error as places and words."""
    kind, ctx, loc = details["type"], details.get("ctx", {}), _untagged(details["loc"], data)
    got, more = details["input"], list[tuple[Loc, str]]()
    if isinstance(misfit := ctx.get("error"), MisfitError):
        return [((*loc, *keys), place(loc, data) + words) for keys, words in misfit.faults]
    where, last, fields = place(loc[:-1], data), loc[-1], _fields(model, details["loc"][:-1])
    if kind == "extra_forbidden":
        hint = did_you_mean(str(last), fields)
        return [(loc, f"{where}no such key: {quoted(str(last))}" + (f": {hint}" if hint else ""))]
    if kind == "missing":
        lacking = f"{_headed(last, fields)} is missing" if last in fields else "needs two numbers"
        return [(loc, where + lacking + _needs(fields.get(str(last))))]
    if kind in {"union_tag_not_found", "union_tag_invalid"}:
        here = details["input"]
        keys = [key for key in _needed(_tables_at(model, details["loc"])) if key not in {"driver", *here}]
        more = [((*loc, key), f"{place((*loc, key), data)}is missing") for key in keys]
        loc, got = (*loc, "driver"), here.get("driver")
    limits = {k: printable(v)[:200].replace("'", '"') if isinstance(v, str) else v for k, v in ctx.items()}
    words = _WORDS.get(kind, "is not what belongs there: {got}").format(got=told(got), **limits)
    if kind in {"less_than", "less_than_equal"} and str(loc[-1]).endswith("_s") and 10 <= got < math.inf:
        words += f": if that is milliseconds, write {got / 1000:.10g}"
    return [(loc, place(loc, data) + words), *more]


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
    return {key: field for table in _tables_at(model, loc) for key, field in _by_key(table).items()}


def _tables_at(model: type[Table], loc: Loc) -> list[type[Table]]:
    """The model of the table at ``loc``; several where its driver has not chosen one."""
    tables, named = [model], False
    for step in loc:
        if isinstance(step, int):
            continue
        if len(tables) > 1:  # a union: the step is the driver that chose one of its tables
            tables = [t for t in tables if step in get_args(t.model_fields["driver"].annotation)]
            continue
        if named:  # a table of tables: the step is the name of one of them
            named = False
            continue
        field = _by_key(tables[0]).get(step) if tables else None
        tables = _tables_in(field.annotation) if field else []
        named = field is not None and get_origin(field.annotation) is dict
    return tables


def _needed(tables: Iterable[type[Table]]) -> list[str]:
    """The keys that each of the tables must have."""
    each = [[key for key, field in _by_key(table).items() if field.is_required()] for table in tables]
    return [key for key in (each or [[]])[0] if all(key in keys for keys in each)]


def _needs(field: FieldInfo | None) -> str:
    """What a table that is not there must hold; nothing for a key that is no table."""
    keys = _needed(_tables_in(field.annotation)) if field else []
    return f": it needs {', '.join(keys)}" if keys else ""


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
