"""Text laid out for the width there is: tables, and lines that wrap at words.

Every table that a command prints comes from :func:`table`, and every answer goes through :func:`fitted`. On a terminal
no line is wider than it, and no word is broken; only a word that is itself wider than the terminal stands out. What
goes to a file or a pipe is as wide as it likes, unless ``COLUMNS`` is set.
"""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterator, Sequence
from typing import TextIO

LEAST_WIDTH = 20
"""A terminal that says it is narrower is not believed."""
GAPS, INDENT = ("   ", "  "), "  "
"""Between columns, and narrower where there is no room."""
MOST_LINES = 4
"""A row that needs more lines than this in columns is stacked instead."""
WIDEST_HANG = 14
ESCAPE = "\x1b"
_GLUE = "\0"
_UNIT = re.compile(r"(?<=\d) (?=(?:s|ms|h|min|V|VA|A|AWG|W|ft|m|mm2|Hz|%)\b)")
_COMMAND = re.compile(r"(?:^|(?<=[:,;] )|(?<=, then ))lampstep [a-z]+ \S.*[^.)\s]$")
_LABEL, _SPACES = re.compile(r"\s*\S+(?: \S+)?\s{2,}|\s+"), re.compile(r"\s*")


def width_for(stream: TextIO | None) -> int | None:
    """Columns that a line of it may have; None where there is no limit.

    ``COLUMNS`` counts before what the terminal says, as in POSIX.1-2017, section 8.3.
    """
    said = os.environ.get("COLUMNS", "")
    if said.isascii() and said.isdigit() and int(said) > 0:
        return max(int(said), LEAST_WIDTH)
    try:
        if stream is None or not stream.isatty():
            return None
        columns = os.get_terminal_size(stream.fileno()).columns
    except (OSError, ValueError):
        return None
    return max(columns, LEAST_WIDTH) if columns > 0 else None


def table(
    rows: Sequence[Sequence[str]],
    sides: str,
    *,
    heads: bool = True,
    width: int | None = None,
    indent: int = 2,
) -> list[str]:
    """Rows as aligned columns, each to its side: ``l`` left, ``r`` right.

    Where that is too wide, long cells wrap at words. Where even that is too wide or too tall, each row becomes lines
    of "label: value"; there an empty first cell means the one above it.

    :param heads: whether the first row names the columns.
    :param width: columns that there are; default: those of standard output.
    :param indent: columns before each line.

    >>> print("\\n".join(table([("lamp", "tightest"), ("north", "break 1: reset begins")], "ll", width=24)))
      lamp    tightest
      north   break 1: reset
              begins
    """
    width = width_for(sys.stdout) if width is None else width
    natural = [max(len(row[i]) for row in rows) for i in range(len(sides))]
    lead = " " * indent
    for gap in GAPS:
        between = len(gap) * (len(sides) - 1)
        if width is None or indent + sum(natural) + between <= width:
            whole = [[[cell] for cell in row] for row in rows]
            return [lead + line for row in whole for line in _row_lines(row, natural, sides, gap)]
    assert width is not None
    for gap in GAPS:
        widths = _shrunk(rows, sides, natural, width - indent - len(gap) * (len(sides) - 1), heads=heads)
        if widths is not None:
            cells = [[_wrapped(cell, wide) for cell, wide in zip(row, widths, strict=True)] for row in rows]
            if max(len(cell) for row in cells for cell in row) <= MOST_LINES:
                return [lead + line for row in cells for line in _row_lines(row, widths, sides, gap)]
    return list(_stacked(rows, width, indent, heads=heads))


def _row_lines(cells: Sequence[Sequence[str]], widths: Sequence[int], sides: str, gap: str) -> Iterator[str]:
    for at in range(max(map(len, cells))):
        parts = [cell[at] if at < len(cell) else "" for cell in cells]
        line = [
            p.ljust(w) if side == "l" else p.rjust(w) for p, w, side in zip(parts, widths, sides, strict=True)
        ]
        yield gap.join(line).rstrip()


def _shrunk(
    rows: Sequence[Sequence[str]], sides: str, natural: Sequence[int], room: int, *, heads: bool
) -> list[int] | None:
    """A width for each column, none below its longest word; None if there is no room for that.

    Figures, which stand on the right, never wrap; what stands above them may.
    """
    least = []
    for i, side in enumerate(sides):
        whole = [row[i] for row in rows[1 if heads else 0 :]] if side == "r" else []
        words = [word for row in rows for word in _words(row[i])]
        least.append(max(map(len, [*whole, *words]), default=0))
    if sum(least) > room:
        return None
    widths = [max(low, 1) for low in least]
    while sum(widths) < room:  # to the one that would be tallest
        i = max(range(len(widths)), key=lambda at: natural[at] / widths[at])
        if widths[i] >= natural[i]:
            break
        widths[i] += 1
    return widths


def _stacked(rows: Sequence[Sequence[str]], width: int, indent: int, *, heads: bool) -> Iterator[str]:
    labels, rows = (rows[0], rows[1:]) if heads else ([""] * len(rows[0]), rows)
    above = ""
    for row in rows:
        above = row[0] or above
        for place, (label, cell) in enumerate(zip(labels, [above, *row[1:]], strict=True)):
            if cell.strip():
                lead = " " * (indent + (2 if place else 0))
                yield from _filled(f"{label}: {cell}" if label else cell, width, lead, lead + INDENT)


def fitted(text: str, width: int | None) -> str:
    """The same with each line that is too wide wrapped at words, and what follows of it set in.

    A command to be typed goes on a line of its own; if it is too wide itself, its lines end with the backslash that a
    shell reads past.

    >>> print(fitted("Next: clear the water, then lampstep play pool.toml --circuit lap", 40))
    Next: clear the water, then
      lampstep play pool.toml --circuit lap
    """
    if width is None:
        return text
    return "\n".join(line for given in text.split("\n") for line in _fitted_line(given, width))


def _fitted_line(line: str, width: int) -> Iterator[str]:
    if len(line) <= width or ESCAPE in line:  # what is coloured has been laid out before
        yield line
        return
    label = _LABEL.match(line)
    if label is None or label.end() > WIDEST_HANG:
        label = _SPACES.match(line)
    assert label is not None
    lead, rest = label[0], line[label.end() :]
    hang = " " * len(lead) if lead.strip() else lead + INDENT
    command = None if rest.startswith("usage: ") else _COMMAND.search(rest)
    told = rest if command is None else rest[: command.start()].rstrip()
    if told:
        yield from _filled(told, width, lead, hang)
        lead = hang
    if command is not None:
        yield from _command_lines(command[0], width, lead)


def _command_lines(command: str, width: int, lead: str) -> Iterator[str]:
    if len(lead) + len(command) <= width:
        yield lead + command
        return
    words = re.findall(r"(?:[^\s']|'[^']*')+", command)  # as shlex.join quotes them
    pairs: list[str] = []
    for word in words:  # an option keeps its value
        if pairs and pairs[-1].startswith("--") and " " not in pairs[-1] and not word.startswith("-"):
            pairs[-1] += f" {word}"
        else:
            pairs.append(word)
    line = lead + pairs[0]
    for pair in pairs[1:]:
        if len(line) + 1 + len(pair) + 2 > width and line.strip():
            yield f"{line} \\"
            line = lead + INDENT + pair
        else:
            line += f" {pair}"
    yield line


def _filled(text: str, width: int, first: str, rest: str) -> Iterator[str]:
    from textwrap import TextWrapper  # noqa: PLC0415 - only where something is too wide

    wrapper = TextWrapper(
        width, initial_indent=first, subsequent_indent=rest, break_long_words=False, break_on_hyphens=False
    )
    for line in wrapper.wrap(_UNIT.sub(_GLUE, text)):
        yield line.replace(_GLUE, " ")


def _wrapped(cell: str, width: int) -> list[str]:
    return list(_filled(cell, width, "", "")) or [""]


def _words(cell: str) -> list[str]:
    return [word.replace(_GLUE, " ") for word in _UNIT.sub(_GLUE, cell).split()]
