"""Shapes and colours that the drawings share; sizes are pixels of the finished picture."""

from __future__ import annotations

import html
from collections.abc import Sequence

import svg

INK, FAINT, PAPER = "#1f2933", "#7b8794", "#ffffff"
# Hues that colour-blind eyes tell apart (Okabe and Ito 2008, from memory); every use has its word beside it.
EFFECTS = {"ignored": "#9dbba8", "pulse": "#0072b2", "reset": "#d55e00", "power_down": "#3b3f46"}
SUPPLIES = {"same_train": "#56b4e9", "settled": "#009e73", "warm_up": "#e0a526"}
WORDS = {
    "ignored": "rides through",
    "pulse": "pulse",
    "reset": "reset",
    "power_down": "power-down",
    "same_train": "same train",
    "settled": "settled",
    "warm_up": "warm",
}
Shapes = list[svg.Element]


def px(number: float) -> float:
    """One decimal is finer than any screen, and the same on every machine."""
    return round(number, 1)


def text(x: float, y: float, words: str, *, size: float = 13, fill: str = INK, anchor: str = "start",
         weight: str = "normal", halo: str | None = None) -> svg.Text:  # fmt: skip
    """One line of text; ``anchor`` is start, middle or end; a ``halo`` keeps it clear of what it lies on."""
    return svg.Text(
        x=px(x), y=px(y), text=html.escape(words, quote=False), font_size=size, fill=fill,
        text_anchor=anchor, font_weight=weight, stroke=halo, stroke_width=4 if halo else None,
        style="paint-order: stroke" if halo else None,
    )  # fmt: skip


def box(x: float, y: float, w: float, h: float, *, fill: str, stroke: str = "none", radius: float = 0,
        dashed: bool = False, opacity: float = 1) -> svg.Rect:  # fmt: skip
    """A rectangle."""
    return svg.Rect(
        x=px(x), y=px(y), width=px(w), height=px(h), rx=radius, fill=fill, stroke=stroke,
        stroke_dasharray=[4, 3] if dashed else None, fill_opacity=opacity,
    )  # fmt: skip


def line(points: Sequence[tuple[float, float]], *, stroke: str = INK, width: float = 1.5) -> svg.Polyline:
    """Straight from point to point."""
    flat = [px(number) for point in points for number in point]
    return svg.Polyline(points=flat, fill="none", stroke=stroke, stroke_width=width)


def arrow(points: Sequence[tuple[float, float]], *, perhaps: bool = False) -> svg.Path:
    """From the first point to the last: two straight, four a curve; dashed when it may also not happen."""
    (x, y), *rest = [(px(a), px(b)) for a, b in points]
    way: list[svg.PathData] = [svg.M(x, y)]
    if len(rest) == 1:
        way.append(svg.L(*rest[0]))
    else:
        (ax, ay), (bx, by), (ex, ey) = rest
        way.append(svg.C(ax, ay, bx, by, ex, ey))
    return svg.Path(
        d=way, fill="none", stroke=FAINT if perhaps else INK, stroke_width=1.5,
        stroke_dasharray=[5, 4] if perhaps else None, marker_end="url(#head)",
    )  # fmt: skip


def scene_tile(x: float, y: float, w: float, h: float, name: str, colours: Sequence[str], key: str) -> Shapes:
    """A scene in its colour, or over a band of its colours; ``key`` is unique in the picture."""
    dark = len(colours) == 1 and _light(colours[0]) < 0.55
    words = text(x + w / 2, y + h / 2 + 4.5, name, fill=PAPER if dark else INK, anchor="middle", size=12.5)
    if len(colours) == 1:
        return [box(x, y, w, h, fill=colours[0], stroke=INK, radius=6), words]
    stops: Shapes = [
        svg.Stop(offset=f"{100 * i // (len(colours) - 1)}%", stop_color=colour)
        for i, colour in enumerate(colours)
    ]
    return [
        svg.Defs(elements=[svg.LinearGradient(id=key, elements=stops)]),
        box(x, y, w, h, fill=PAPER, radius=6),
        box(x + 1, y + h - 10, w - 2, 9, fill=f"url(#{key})", radius=4),
        box(x, y, w, h, fill="none", stroke=INK, radius=6),
        words,
    ]


def _light(colour: str) -> float:
    red, green, blue = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    return 0.3 * red + 0.59 * green + 0.11 * blue


def picture(width: float, height: float, title: str, shapes: Shapes) -> str:
    """The whole file: on paper of its own, so that it reads on a dark page too."""
    tip = svg.Path(d=[svg.M(0, 1), svg.L(10, 5), svg.L(0, 9), svg.Z()], fill=INK)
    head = svg.Marker(
        id="head", viewBox=svg.ViewBoxSpec(0, 0, 10, 10), refX=9, refY=5, markerWidth=7, markerHeight=7,
        orient="auto-start-reverse", elements=[tip],
    )  # fmt: skip
    drawing = svg.SVG(
        viewBox=svg.ViewBoxSpec(0, 0, width, height), width=width, height=height,
        elements=[
            svg.Title(text=html.escape(title, quote=False)),
            svg.Defs(elements=[head]),
            box(0, 0, width, height, fill=PAPER, radius=8),
            svg.G(style="font-family: DejaVu Sans, Verdana, sans-serif", elements=shapes),
        ],
    )  # fmt: skip
    return drawing.as_str().replace("><", ">\n<") + "\n"
