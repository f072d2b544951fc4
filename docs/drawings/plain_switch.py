"""The two ways to hang behind a plain switch, as wiring."""

from __future__ import annotations

from canvas import INK, Shapes, box, picture, text
from wiring import (
    LAMPS,
    MAINS,
    SIGNAL,
    WIDTH,
    joint,
    key,
    lamp,
    level_contact,
    notes,
    part,
    upright_contact,
    wire,
)

X, BOARD = 118, 270  # the lamps' wire, and the board's left edge
BOARD_W = 172
MAINS_FILL = "#fdf1e7"


def _mains_side(height: float) -> Shapes:
    return [
        box(10, 44, WIDTH - 20, height, fill=MAINS_FILL, stroke=MAINS, radius=10, dashed=True),
        *part(24, 56, 190, 46, "isolator, breaker", "RCD or GFCI"),
        *notes(WIDTH - 20, 72, "mains side:", "licensed people only", size=13, fill="#a34700", anchor="end"),
    ]


def _low_side(top: float) -> Shapes:
    """From the transformer down to the water: the contact with its coil, the bypass beside it, the lamps."""
    c = top + 72
    return [
        wire([(X, top), (X, c)], LAMPS),
        *upright_contact(X, c, LAMPS, closed=True),
        wire([(X, c + 44), (X, c + 154), (X + 270, c + 154)], LAMPS),
        wire([(X, c - 18), (46, c - 18), (46, c)], LAMPS),
        *upright_contact(46, c, LAMPS, closed=False),
        wire([(46, c + 44), (46, c + 62), (X, c + 62)], LAMPS),
        joint(X, c - 18, LAMPS),
        joint(X, c + 62, LAMPS),
        *notes(14, c + 84, "bypass:", "closed, there is", "plain light"),
        box(X + 62, c + 4, 50, 36, fill="#fff", stroke=INK, radius=3),
        text(X + 87, c + 27, "coil", anchor="middle"),
        box(X + 4, c + 20, 57, 4, fill="none", stroke=INK, dashed=True),
        *notes(X + 14, c + 62, "rests closed"),
        wire([(X + 112, c + 22), (BOARD, c + 22)], SIGNAL),
        text(BOARD + 8, c + 27, "relay"),
        box(10, c + 166, WIDTH - 20, 74, fill="#e3f1fa", stroke="#8fb8d6", radius=10),
        *(shape for i in range(4) for shape in (
            wire([(X + 90 * i, c + 154), (X + 90 * i, c + 179)], LAMPS), *lamp(X + 90 * i, c + 194))),
        *notes(24, c + 231, "lamps under water, on one circuit"),
    ]  # fmt: skip


def _sense(y: float) -> Shapes:
    """Whether there is supply before the contact, told across a gap that no current crosses."""
    return [
        wire([(X, y), (X + 52, y)], LAMPS),
        joint(X, y, LAMPS),
        box(X + 52, y - 14, 70, 28, fill="#fff", stroke=INK, radius=3),
        text(X + 87, y + 5, "isolated", anchor="middle", size=12),
        wire([(X + 122, y), (BOARD, y)], SIGNAL),
        text(BOARD + 8, y + 5, "sense"),
    ]


def _legend(y: float) -> Shapes:
    words = ("A line stands for a pair of wires. Bonding is not drawn,", "and is never left out.")
    return [*key(y), *notes(20, y + 22, *words)]


def switch_as_input() -> str:
    """(a): the board is always on, and the switch only tells it what is wanted."""
    top = 196
    shapes: Shapes = [
        text(14, 29, "(a) The switch is an input of the board", size=17, weight="bold"),
        *_mains_side(152),
        wire([(X, 102), (X, 146)], MAINS),
        wire([(X, 124), (BOARD + 86, 124), (BOARD + 86, 146)], MAINS),
        joint(X, 124, MAINS),
        *part(24, 146, 190, 50, "transformer", "isolating, e.g. 12 V"),
        *part(BOARD, 146, BOARD_W, 50, "board's supply", "always on"),
        *_low_side(top),
        wire([(BOARD + 86, 196), (BOARD + 86, 216)], SIGNAL),
        *part(BOARD, 216, BOARD_W, 150, "", fill="#eef2f5"),
        text(BOARD + 164, 238, "board", size=15, weight="bold", anchor="end"),
        *_sense(232),
        text(BOARD + 8, 352, "switch"),
        wire([(BOARD + 28, 366), (BOARD + 28, 384), (BOARD + 42, 384)], SIGNAL),
        *level_contact(BOARD + 42, 384),
        wire([(BOARD + 86, 384), (BOARD + 130, 384), (BOARD + 130, 366)], SIGNAL),
        text(BOARD + 164, 352, "ground", anchor="end"),
        text(BOARD + 86, 403, "the owner's plain switch", anchor="middle"),
        *_legend(544),
    ]
    return picture(WIDTH, 586, "The switch is an input of the board, the lamps hang on the relay", shapes)


def switch_feeds_the_box() -> str:
    """(b): what the switch takes away, it takes from the board too."""
    top = 266
    shapes: Shapes = [
        text(14, 29, "(b) The switch feeds the whole box", size=17, weight="bold"),
        *_mains_side(222),
        wire([(X, 102), (X, 124)], MAINS),
        *upright_contact(X, 124, MAINS, closed=False),
        *notes(X + 20, 151, "the owner's plain switch"),
        wire([(X, 168), (X, 216)], MAINS),
        wire([(X, 192), (BOARD + 86, 192), (BOARD + 86, 216)], MAINS),
        joint(X, 192, MAINS),
        *part(24, 216, 190, 50, "transformer", "isolating, e.g. 12 V"),
        *part(BOARD, 216, BOARD_W, 50, "board's supply", "on with the switch"),
        *_low_side(top),
        wire([(BOARD + 86, 266), (BOARD + 86, 284)], SIGNAL),
        *part(BOARD, 284, BOARD_W, 112, "", fill="#eef2f5"),
        text(BOARD + 164, 306, "board", size=15, weight="bold", anchor="end"),
        *_sense(300),
        text(BOARD + 8, 386, "boots every evening"),
        *_legend(614),
    ]
    return picture(WIDTH, 656, "The switch feeds the board and the lamps alike", shapes)
