"""A TOML file as text: on which line a key stands, what the parser says in plain words, what a terminal may be shown.

Nothing that somebody typed is repeated whole: a value is clipped to the length of a name, a path in its middle.
"""

from __future__ import annotations

import ast
import math
import re
import tomllib
from collections.abc import Iterable, Iterator

MAX_NAME = 60
"""Longest name, characters; what is longer is clipped where it is repeated."""
MAX_SHOWN_PATH = 200
"""Longest path repeated whole; of a longer one the beginning and the end."""

Loc = tuple[int | str, ...]


def printable(text: str) -> str:
    """Nothing that a terminal would obey, no line end.

    >>> printable("tarn\\x1b[2J")
    'tarn\\\\x1b[2J'
    """
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)


def clipped(text: str) -> str:
    """Printable, and no longer than a name.

    >>> clipped("a" * 70)[-5:], len(clipped("\\x00" * 70))
    ('aa...', 60)
    """
    shown = printable(text[: MAX_NAME + 1])
    return shown if len(shown) <= MAX_NAME else shown[: MAX_NAME - 3] + "..."


def quoted(text: str) -> str:
    """Printable, in double quotes, clipped to the length of a name."""
    return f'"{clipped(text)}"'


def shown_path(path: str) -> str:
    """Printable, and of a path that is very long the beginning and the end."""
    shown = printable(path)
    if len(shown) <= MAX_SHOWN_PATH:
        return shown
    return f"{shown[:MAX_NAME]}...{shown[MAX_NAME + 3 - MAX_SHOWN_PATH :]}"


def told(value: object) -> str:
    """What stands there instead, in a few words."""
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, (int, float)):
        return "a number so large" if 1e15 <= abs(value) < math.inf else repr(value)
    if value is None:
        return "nothing"
    if isinstance(value, dict):
        return "a table"
    return "an array" if isinstance(value, list) else "a date or time"


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


_HEADER = r"\s*(\[\[?)([^\[\]=#]+)\]\]?\s*(?:#.*)?$"
_PART = r"""(?:[\w-]+|"[^"\n]*"|'[^'\n]*')"""
_KEY = rf"\s*({_PART}(?:\s*\.\s*{_PART})*)\s*="


def located(text: str) -> Iterator[tuple[int, Loc]]:
    """``(line, location)`` of every header and key; a table of an array carries its running number.

    A plain scan for headers and ``key =``, which a text over several lines can mislead.
    """
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
    return [_bare_key(part) for part in re.findall(_PART, dotted)] or [""]


def _bare_key(part: str) -> str:
    """A part of a key without its quotes, and with what stands escaped in them."""
    if "\\" in part and part.startswith('"'):
        try:
            return str(tomllib.loads(f"key = {part}")["key"])
        except tomllib.TOMLDecodeError:
            pass
    return part.strip("\"'")


def crowded_line(text: str, pattern: str) -> int:
    """The line, from 1, with the most matches of a pattern."""
    lines = text.split("\n")
    return 1 + max(range(len(lines)), key=lambda n: len(re.findall(pattern, lines[n])))


PLAIN: tuple[tuple[str, str], ...] = (
    (r"Invalid statement", "neither a [table] nor a key with = and its value"),
    (r"Invalid initial character for a key part", "a key is missing, or begins with what no key begins with"),
    (r"Invalid value", "no value: text stands in quotes, several values in square brackets"),
    (r"Invalid date or datetime", "no date or time that there is"),
    (r"Invalid hex value", "after \\u stand four of 0-9 and a-f, after \\U eight: for a plain \\ write \\\\"),
    (r"Expected '=' after a key in a key/value pair", "no = after the key"),
    (r"Expected '(\]+)' at the end of .*", "no {0} at the end of the table's name"),
    (
        r"Expected newline or end of document after a statement",
        "something is left over at the end of the line",
    ),
    (r"Expected [\"'].*", "quotes are not closed"),
    (r"Unclosed array", "a square bracket is not closed, or there is no comma between two values"),
    (
        r"Unclosed inline table",
        "a curly bracket is not closed on its line, or there is no comma between two keys",
    ),
    (r"Unterminated string", "quotes are not closed"),
    (r"Illegal character '\\n'", "quotes are not closed on their line"),
    (r"(?:Illegal|Found invalid) character (.*)", "the character {0} may not stand here"),
    (r"Unescaped '\\\\?' in a string", "for a plain \\ in double quotes write \\\\, or use single quotes"),
    (r"Escaped character is not a Unicode scalar value", "\\u or \\U with a number that no character has"),
    (r"Cannot declare (.*) twice", "the table {0} is there already: keep one, or write [[{0}]] each time"),
    (
        r"Cannot (?:mutate immutable|redefine) namespace (.*)",
        "{0} is whole already: nothing can be added to it here",
    ),
    (r"Duplicate inline table key (.*)", "the key {0} is there twice: keep one"),
    (r"Cannot overwrite a value", "it has a value already: keep one"),
)
"""What the standard library's parser says, as patterns, in plain words."""
UNKNOWN = "this is not how TOML is written"


def plain(message: str) -> str:
    """A message of the parser, its place aside, in plain words without Python's own forms.

    >>> plain("Cannot declare ('circuit', 'relay') twice")
    'the table circuit.relay is there already: keep one, or write [[circuit.relay]] each time'
    """
    for pattern, words in PLAIN:
        if found := re.fullmatch(pattern, message, re.DOTALL):
            return words.format(*map(_bare, found.groups()))
    return UNKNOWN


def _bare(python: str) -> str:
    """A key, or a character by its number, from how Python writes it."""
    try:
        value = ast.literal_eval(python)
    except (SyntaxError, ValueError):
        return clipped(python)
    if isinstance(value, tuple):
        return clipped(".".join(map(str, value)))
    return f"U+{ord(value):04X}" if len(value) == 1 and not value.isalnum() else clipped(str(value))


def syntax_words(message: str, text: str) -> str:
    """The parser's message on one line: the key where one stands there, the matter, line and column."""
    found = re.fullmatch(r"(?s)(.*) \(at (?:line (\d+), column (\d+)|end of document)\)", message)
    if not found:
        return UNKNOWN
    words, at_line, at_column = found.groups()
    line = int(at_line) if at_line else text.count("\n") + 1
    at = f"line {line}, column {at_column}"
    if at_line is None:
        at = f"line {line}, column {len(text) - text.rfind(chr(10))}: the end"
    said = plain(words)
    before = [(number, loc) for number, loc in located(text) if number <= line]
    if not before:
        return f"{said} ({at})"
    number, loc = before[-1]
    key = clipped(".".join(str(part) for part in loc if isinstance(part, str)))
    first = next((n for n, other in before[:-1] if other == loc), None) if "already" in said else None
    if first is not None and number == line:
        said = f"it is there already, in line {first}: keep one"
    if number == line:
        return f"{key}: {said} ({at})"
    return f"after {key} in line {number}: {said} ({at})"
