"""The daemon's states and what moves a circuit between them, from the table that the daemon itself goes by.

An arrow bears the numbers of its rows; the rows stand below in the order in which they are tried.
"""

from __future__ import annotations

from math import hypot

from canvas import FAINT, INK, PAPER, Shapes, arrow, box, picture, text

from sequencer.core.step import TABLE

WIDTH, NODE = 480, (118, 46)
PLACES = {
    "ending": (72, 86),
    "sending": (408, 86),
    "lit": (240, 206),
    "dark": (72, 336),
    "planning": (408, 336),
    "unpowered": (72, 482),
    "waiting": (408, 482),
}
CONTACT = {"lit": "#fff3c4", "waiting": "#fff3c4", "planning": "#fff3c4", "dark": "#cbd2d9"}
"""Fills: lit, dark; the player's and the one without supply stay white."""
ROWS_TOP, ROW = 574, 22
APART = 9.0
"""Two arrows between the same two states lie so far to either side."""
Point = tuple[float, float]


def daemon_states() -> str:
    """The whole picture."""
    assert {row.phase for row in TABLE} | {row.next for row in TABLE} == set(PLACES)
    numbers: dict[tuple[str, str], list[int]] = {}
    for number, row in enumerate(TABLE, start=1):
        numbers.setdefault((row.phase, row.next), []).append(number)
    shapes: Shapes = [text(16, 30, "One circuit, as the daemon sees it", size=17, weight="bold")]
    for start, end in numbers:
        shapes.append(arrow(way(start, end, two=(end, start) in numbers)))
    for phase, (x, y) in PLACES.items():
        shapes.append(
            box(x - NODE[0] / 2, y - NODE[1] / 2, *NODE, fill=CONTACT.get(phase, PAPER), stroke=INK, radius=9)
        )
        shapes.append(text(x, y + 6, phase, size=17, anchor="middle", weight="bold"))
    for (start, end), rows in numbers.items():
        shapes += badge(way(start, end, two=(end, start) in numbers), rows)
    return picture(WIDTH, ROWS_TOP + ROW * len(TABLE) + 24, "The states of a circuit", [*shapes, *listed()])


def way(start: str, end: str, *, two: bool) -> tuple[Point, Point]:
    """From the edge of one box to that of the other; beside the way back, if there is one."""
    (ax, ay), (bx, by) = PLACES[start], PLACES[end]
    length = hypot(bx - ax, by - ay)
    along, aside = ((bx - ax) / length, (by - ay) / length), APART if two else 0.0
    dx, dy = -along[1] * aside, along[0] * aside
    return edge((ax, ay), along, (dx, dy)), edge((bx, by), (-along[0], -along[1]), (dx, dy))


def edge(centre: Point, along: Point, aside: Point) -> Point:
    """Where a ray that starts ``aside`` of a box's centre leaves the box."""
    reach = min(
        (half - shift * (1 if step > 0 else -1)) / abs(step)
        for half, step, shift in zip((NODE[0] / 2 + 2, NODE[1] / 2 + 2), along, aside, strict=True)
        if abs(step) > 1e-9
    )
    return centre[0] + aside[0] + along[0] * reach, centre[1] + aside[1] + along[1] * reach


def badge(ends: tuple[Point, Point], rows: list[int]) -> Shapes:
    """The numbers of an arrow's rows, nearer to where it starts."""
    words = " ".join(map(str, rows))
    (ax, ay), (bx, by) = ends
    x, y, wide = ax + 0.36 * (bx - ax), ay + 0.36 * (by - ay), 9 + 8.5 * len(words)
    return [
        box(x - wide / 2, y - 10, wide, 20, fill=PAPER, stroke=FAINT, radius=10),
        text(x, y + 5, words, size=14, anchor="middle"),
    ]


def listed() -> Shapes:
    """Every row in words."""
    shapes: Shapes = [text(16, ROWS_TOP - 18, "when, and what it does", size=15, weight="bold")]
    for number, row in enumerate(TABLE, start=1):
        y = ROWS_TOP + ROW * number - 14
        when = ", ".join(row.when) + (f": {', '.join(row.then)}" if row.then else "")
        if number > 1 and TABLE[number - 2].phase == row.phase:
            start = ""
        else:
            start = row.phase
            shapes.append(box(14, y - 16, WIDTH - 28, 0.8, fill="#cbd2d9"))
        shapes += [
            text(16, y, start, size=14.5, weight="bold"),
            text(131, y, str(number), size=14.5, anchor="end", fill="#52606d"),
            text(139, y, when, size=14.5),
            text(WIDTH - 16, y, row.next, size=14.5, anchor="end", weight="bold"),
        ]
    return shapes
