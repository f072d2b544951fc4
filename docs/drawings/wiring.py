"""Signs that the wiring drawings share. Upright and narrow, so that they can be read on a phone.

A line in them stands for a pair of wires unless both wires are drawn.
"""

from __future__ import annotations

from collections.abc import Sequence

import svg
from canvas import INK, PAPER, Shapes, box, line, text

WIDTH = 460
# Okabe and Ito 2008, from memory: colour-blind eyes tell them apart. Each has its width and its word as well.
MAINS, LAMPS, SIGNAL = "#d55e00", "#0072b2", "#3b3f46"
WIDTHS = {MAINS: 4.5, LAMPS: 3, SIGNAL: 1.5}
Points = Sequence[tuple[float, float]]


def wire(points: Points, kind: str) -> svg.Polyline:
    """From point to point."""
    return line(points, stroke=kind, width=WIDTHS[kind])


def joint(x: float, y: float, kind: str) -> svg.Circle:
    """Where wires meet."""
    return svg.Circle(cx=x, cy=y, r=4.5, fill=kind)


def part(x: float, y: float, w: float, h: float, *words: str, fill: str = PAPER) -> Shapes:
    """A box with its name; the first line is bold."""
    top = y + h / 2 + 5 - 8.5 * (len(words) - 1)
    lines: Shapes = [
        text(x + w / 2, top + 17 * i, word, anchor="middle", size=14 if i == 0 else 13,
             weight="normal" if i else "bold")
        for i, word in enumerate(words)
    ]  # fmt: skip
    return [box(x, y, w, h, fill=fill, stroke=INK, radius=6), *lines]


def upright_contact(x: float, y: float, kind: str, *, closed: bool) -> Shapes:
    """A contact in an upright wire, from ``y`` to ``y + 44``; its arm leans away when open."""
    arm = (x, y + 10) if closed else (x - 17, y + 13)
    return [
        wire([(x, y), (x, y + 10)], kind),
        wire([(x, y + 34), (x, y + 44)], kind),
        wire([(x, y + 34), arm], kind),
        *(svg.Circle(cx=x, cy=y + dy, r=3.5, fill=PAPER, stroke=kind, stroke_width=2) for dy in (10, 34)),
    ]


def level_contact(x: float, y: float, *, pressed: bool = False) -> Shapes:
    """An open contact in a level signal wire, from ``x`` to ``x + 44``; a push button if ``pressed`` closes it."""
    arm: Shapes
    if pressed:
        arm = [
            wire([(x + 6, y - 9), (x + 38, y - 9)], SIGNAL),
            wire([(x + 22, y - 9), (x + 22, y - 18)], SIGNAL),
            wire([(x + 14, y - 18), (x + 30, y - 18)], SIGNAL),
        ]
    else:
        arm = [wire([(x + 34, y), (x + 12, y - 14)], SIGNAL)]
    return [
        wire([(x, y), (x + 10, y)], SIGNAL),
        wire([(x + 34, y), (x + 44, y)], SIGNAL),
        *arm,
        *(svg.Circle(cx=x + dx, cy=y, r=3.5, fill=PAPER, stroke=SIGNAL, stroke_width=1.5) for dx in (10, 34)),
    ]


def ground(x: float, y: float) -> Shapes:
    """The board's ground, below a wire's end."""
    bars = [(11, 0), (7, 5), (3, 10)]
    return [
        wire([(x, y - 8), (x, y)], SIGNAL),
        *(wire([(x - w, y + dy), (x + w, y + dy)], SIGNAL) for w, dy in bars),
    ]


def diode(x: float, y: float, dx: int, dy: int, *, kind: str = SIGNAL) -> Shapes:
    """A light-emitting diode of length 24 from (``x``, ``y``), where current flows in, along (``dx``, ``dy``).

    Its light goes to the left of the picture if it stands upright, and up if it lies.
    """

    def at(along: float, across: float) -> tuple[float, float]:
        return x + dx * along + abs(dy) * across, y + dy * along + abs(dx) * across

    rays = [(at(8 + d, -13), at(15 + d, -22)) for d in (0, 8)]
    body = [at(3, -9), at(3, 9), at(20, 0), at(3, -9)]
    return [
        wire([at(0, 0), at(3, 0)], kind),
        wire([at(20, 0), at(24, 0)], kind),
        svg.Polygon(
            points=[number for point in body for number in point], fill=PAPER, stroke=kind, stroke_width=1.5
        ),
        wire([at(20, -9), at(20, 9)], kind),
        *(
            svg.Path(d=[svg.M(*a), svg.L(*b)], stroke=INK, stroke_width=1.2, marker_end="url(#head)")
            for a, b in rays
        ),
    ]


def resistor(x: float, y: float) -> Shapes:
    """From ``x`` to ``x + 36`` in a level wire."""
    return [box(x, y - 6, 36, 12, fill=PAPER, stroke=SIGNAL)]


def lamp(x: float, y: float) -> Shapes:
    """A lamp under water."""
    r, d = 15.0, 10.6
    return [
        svg.Circle(cx=x, cy=y, r=r, fill="#fff6cf", stroke=INK, stroke_width=1.5),
        line([(x - d, y - d), (x + d, y + d)], width=1.2),
        line([(x - d, y + d), (x + d, y - d)], width=1.2),
    ]


def notes(
    x: float, y: float, *lines: str, size: float = 13, fill: str = INK, anchor: str = "start"
) -> Shapes:
    """Lines of text, one below the other."""
    return [text(x, y + 17 * i, words, size=size, fill=fill, anchor=anchor) for i, words in enumerate(lines)]


def key(y: float) -> Shapes:
    """What the three kinds of wire are."""
    shapes: Shapes = []
    for x, kind, words in (
        (20, MAINS, "mains"),
        (128, LAMPS, "lamp voltage"),
        (284, SIGNAL, "board's voltage"),
    ):
        shapes += [wire([(x, y - 5), (x + 30, y - 5)], kind), text(x + 38, y, words)]
    return shapes
