"""The tree of a supply as a picture: thickness is current, colour is margin, and every colour has its word.

The colours are some that colour-blind eyes tell apart (Okabe and Ito 2008, from memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

from sequencer.supply.tree import Branch

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

COLOURS = {"short": "#d55e00", "thin": "#e0a526", "good": "#009e73", None: "#1f2933"}
WORDS = {"short": "outside its range", "thin": "margin below 0.5 V", "good": "good"}
INK, FAINT, PAPER = "#1f2933", "#5f6c7b", "#ffffff"
_COLUMN, _ROW, _LEFT, _TOP = 230, 58, 90, 84


def draw(found: tuple[Branch, ...], title: str, subtitle: str) -> str:
    """An SVG document; ``found`` as from :func:`~sequencer.supply.tree.branches`."""
    places = _places(found)
    deep = max(len(branch.last) for branch in found)
    rows = max(y for _, y in places) + 1
    width, height = round(_LEFT + deep * _COLUMN + 230), round(_TOP + rows * _ROW + 30)
    size = {"width": str(width), "height": str(height), "viewBox": f"0 0 {width} {height}"}
    picture = ET.Element("svg", {"xmlns": "http://www.w3.org/2000/svg", **size, "font-family": "sans-serif"})
    ET.SubElement(picture, "title").text = title
    ET.SubElement(picture, "rect", {"width": str(width), "height": str(height), "fill": PAPER})
    _text(picture, 24, 30, title, size=17, weight="bold")
    _text(picture, 24, 50, subtitle, size=12, fill=FAINT)
    points = [(_LEFT + depth * _COLUMN, _TOP + y * _ROW + 16) for depth, y in places]
    for branch, (x, y) in zip(found, points, strict=True):
        if branch.parent >= 0:
            _cable(picture, branch, points[branch.parent], (x, y))
    for branch, (x, y) in zip(found, points, strict=True):
        _node(picture, branch, x, y)
    _legend(picture, 24, height - 22)
    ET.indent(picture)
    return ET.tostring(picture, encoding="unicode") + "\n"


def _places(found: tuple[Branch, ...]) -> list[tuple[int, float]]:
    """Depth, and the row: leaves one below the other, every node in the middle of what hangs on it."""
    children: dict[int, list[int]] = {}
    for index, branch in enumerate(found):
        children.setdefault(branch.parent, []).append(index)
    rows: dict[int, float] = {}
    leaves = 0
    for index in range(len(found)):
        if index not in children:
            rows[index] = leaves
            leaves += 1
    for index in reversed(range(len(found))):
        if index in children:
            inner = [rows[child] for child in children[index]]
            rows[index] = (min(inner) + max(inner)) / 2
    return [(len(branch.last), rows[index]) for index, branch in enumerate(found)]


def _cable(picture: Element, branch: Branch, start: tuple[float, float], end: tuple[float, float]) -> None:
    (x1, y1), (x2, y2) = start, end
    bend = x1 + 70
    path = f"M {x1} {y1} L {bend - 24} {y1} L {bend} {y2} L {x2} {y2}"
    thick = f"{min(8.0, 1.2 + branch.amps * 0.35):.1f}"
    style = {"d": path, "fill": "none", "stroke": FAINT, "stroke-width": thick, "stroke-linejoin": "round"}
    ET.SubElement(picture, "path", style)
    _text(picture, bend + 6, y2 - 9, branch.cable, size=11, fill=FAINT)
    drop = f"{branch.amps:.1f} A, loses {branch.drop_v:.2f} V"
    _text(picture, bend + 6, y2 + 18, drop, size=11, fill=FAINT)


def _node(picture: Element, branch: Branch, x: float, y: float) -> None:
    lamp, colour = branch.kind == "lamp", COLOURS[branch.mark]
    place = {"cx": str(x), "cy": str(y), "r": "11" if lamp else "6", "fill": colour}
    ET.SubElement(picture, "circle", place)
    if branch.mark == "short":
        for turn in (-1, 1):
            ends = {"x1": str(x - 5), "x2": str(x + 5), "y1": str(y - 5 * turn), "y2": str(y + 5 * turn)}
            ET.SubElement(picture, "line", {**ends, "stroke": PAPER, "stroke-width": "2.5"})
    volts = f"{branch.volts:.2f} V" if branch.volts else "not fed"
    if lamp:
        _text(picture, x + 20, y - 2, branch.name, size=14, weight="bold")
        margin = f" ({branch.margin_v:+.2f} V)" if branch.volts and branch.margin_v is not None else ""
        _text(picture, x + 20, y + 15, volts + margin, size=13, fill=INK)
    else:
        _text(picture, x, y - 15, branch.name, size=13, weight="bold", anchor="middle")
        _text(picture, x, y + 24, volts, size=13, anchor="middle")


def _legend(picture: Element, x: float, y: float) -> None:
    for mark, words in WORDS.items():
        ET.SubElement(picture, "circle", {"cx": str(x + 6), "cy": str(y), "r": "6", "fill": COLOURS[mark]})
        _text(picture, x + 18, y + 4, words, size=12)
        x += 40 + 7 * len(words)


def _text(
    picture: Element,
    x: float,
    y: float,
    words: str,
    *,
    size: int,
    fill: str = INK,
    weight: str = "normal",
    anchor: str = "start",
) -> None:
    place = {"x": f"{x:g}", "y": f"{y:g}", "font-size": str(size), "fill": fill, "text-anchor": anchor}
    halo = {"stroke": PAPER, "stroke-width": "4", "paint-order": "stroke"}
    ET.SubElement(picture, "text", {**place, "font-weight": weight, **halo}).text = words
