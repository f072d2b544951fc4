"""How each input, and the indicator, is wired to the board; the pins are those of the docs' example."""

from __future__ import annotations

from canvas import INK, PAPER, Shapes, arrow, box, picture, text
from wiring import LAMPS, SIGNAL, WIDTH, diode, ground, joint, level_contact, notes, resistor, wire

EDGE = 104  # the board's right edge
ROWS = {"switch": 92, "button": 192, "sense": 300, "occupied": 444, "indicator": 548}


def _pin(name: str, number: int) -> Shapes:
    y = ROWS[name]
    return [
        text(24, y - 4, name, size=14, weight="bold"),
        text(24, y + 14, f"pin {number}"),
        box(EDGE - 8, y - 6, 16, 12, fill="#d9b44a", stroke=INK),
    ]


def _to_ground(x: float, y: float) -> Shapes:
    return [wire([(x, y), (420, y), (420, y + 14)], SIGNAL), *ground(420, y + 20)]


def _sense() -> Shapes:
    """The optocoupler: light crosses, nothing else does."""
    y = ROWS["sense"]
    return [
        box(170, y - 34, 126, 104, fill="#f7f9fa", stroke=INK, radius=6),
        text(233, y - 42, "optocoupler, for AC", anchor="middle", weight="bold"),
        # The transistor, on the board's side.
        wire([(EDGE + 8, y), (190, y), (208, y + 13)], SIGNAL),
        wire([(208, y + 6), (208, y + 36)], SIGNAL),
        arrow([(208, y + 29), (190, y + 42)]),
        wire([(190, y + 42), (134, y + 42), (134, y + 56)], SIGNAL),
        *ground(134, y + 62),
        # The gap.
        box(232, y - 24, 4, 84, fill="#d55e00", opacity=0.35),
        # The diode, on the lamps' side.
        wire([(320, y), (272, y), (272, y + 10)], LAMPS),
        *diode(272, y + 10, 0, 1, kind=LAMPS),
        wire([(272, y + 34), (272, y + 44), (430, y + 44)], LAMPS),
        box(320, y - 7, 36, 14, fill=PAPER, stroke=LAMPS),
        wire([(356, y), (430, y)], LAMPS),
        joint(430, y, LAMPS),
        joint(430, y + 44, LAMPS),
        *notes(436, y + 19, "lamp voltage,", "before the contact", anchor="end"),
        *notes(430, y + 66, "or in its place", "a relay's coil", fill="#52606d", anchor="end"),
    ]


def input_wiring() -> str:
    """All five, one below the other."""
    switch, button, occupied, lit = (ROWS[name] for name in ("switch", "button", "occupied", "indicator"))
    shapes: Shapes = [
        text(14, 29, "What is wired to the board", size=17, weight="bold"),
        box(12, 44, EDGE - 12, 556, fill="#eef2f5", stroke=INK, radius=8),
        text(24, 64, "board", fill="#52606d"),
        *_pin("switch", 5),
        *_pin("button", 6),
        *_pin("sense", 13),
        *_pin("occupied", 19),
        *_pin("indicator", 26),
        wire([(EDGE + 8, switch), (220, switch)], SIGNAL),
        *level_contact(220, switch),
        *_to_ground(264, switch),
        text(242, switch + 26, "a plain switch, for signals", anchor="middle"),
        wire([(EDGE + 8, button), (220, button)], SIGNAL),
        *level_contact(220, button, pressed=True),
        *_to_ground(264, button),
        text(242, button + 26, "a push button", anchor="middle"),
        *_sense(),
        wire([(EDGE + 8, occupied), (220, occupied)], SIGNAL),
        box(206, occupied - 30, 72, 46, fill="none", stroke=INK, radius=4, dashed=True),
        *level_contact(220, occupied),
        *_to_ground(264, occupied),
        text(242, occupied + 36, "volt-free contact of a sensor", anchor="middle"),
        wire([(EDGE + 8, lit), (180, lit)], SIGNAL),
        wire([(300, lit), (420, lit)], SIGNAL),
        wire([(216, lit), (276, lit)], SIGNAL),
        *resistor(180, lit),
        *diode(300, lit, -1, 0),
        text(446, lit - 10, "3.3 V", anchor="end"),
        joint(420, lit, SIGNAL),
        text(242, lit + 32, "a small lamp (LED) and its resistor", anchor="middle"),
        *notes(
            20,
            626,
            "Pulled up inside the board while open; closed to",
            "ground is active. Nothing here touches mains.",
        ),
    ]
    return picture(WIDTH, 664, "Switch, button, sense, occupied sensor and indicator at the board", shapes)
