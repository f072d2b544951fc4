"""The report's two pictures as SVG: windows on a logarithmic axis, and colours in chromaticity.

Nothing is told by colour alone: what was measured and what was claimed differ in shape and place, and every mark has
its number or name beside it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from html import escape
from typing import NamedTuple

from sequencer.bench.chromaticity import spectral_locus, uv_of


class Bar(NamedTuple):
    """One line of the windows' picture, lengths in s; an end of inf runs off the right side.

    ``claimed`` is drawn open, ``found`` filled; ``estimate_s`` a stroke, with its 95 % ``interval_s`` as whiskers.
    """

    name: str
    claimed: tuple[float, float] | None = None
    found: tuple[float, float] | None = None
    estimate_s: float | None = None
    interval_s: tuple[float, float] | None = None


class Dot(NamedTuple):
    """One scene of the colours' picture: what was claimed (a ring), what was seen (a cross), and its number."""

    number: int
    claimed: str | None
    seen: str | None


MARKS = {
    "axis": 'stroke="#777"',
    "grid": 'stroke="#ddd" fill="none"',
    "claimed": 'fill="none" stroke="#111" stroke-dasharray="4 2"',
    "found": 'fill="#999" stroke="#111"',
    "whisker": 'stroke="#111" fill="none"',
    "estimate": 'stroke="#111" stroke-width="3" fill="none"',
    "locus": 'fill="#f6f6f6" stroke="#111"',
    "ring": 'stroke="#111" stroke-width="1.5"',
    "cross": 'stroke="#111" stroke-width="1.5" fill="none"',
    "tick": 'fill="#111"',
}
"""How each mark is drawn: as attributes, which every printer of SVG heeds, and not as a sheet of styles."""
TEXT = 'font-family="sans-serif" font-size="11" fill="#111"'
WIDTH, LEFT, RIGHT, ROW = 640, 190, 25, 30
DECADES = (0.01, 100.0)


def windows_svg(bars: Sequence[Bar]) -> str:
    """The bars, one a row, over 10 ms to 100 s."""
    height = ROW * len(bars) + 34
    return "".join(_windows(bars, height))


def _windows(bars: Sequence[Bar], height: int) -> Iterator[str]:
    words = "Windows on a logarithmic axis of seconds; the table after it has the figures."
    yield f'<svg viewBox="0 0 {WIDTH} {height}" role="img" aria-label="{words}">'
    for decade in range(-2, 3):
        for part in range(1, 10):
            seconds = part * 10.0**decade
            if seconds > DECADES[1]:
                break
            kind, x = MARKS["axis" if part == 1 else "grid"], _x(seconds)
            yield f'<line {kind} x1="{x}" x2="{x}" y1="4" y2="{height - 24}"/>'
        name = f"{10.0**decade:g} s"
        yield f'<text {TEXT} x="{_x(10.0**decade)}" y="{height - 8}" text-anchor="middle">{name}</text>'
    for row, bar in enumerate(bars):
        top = 6 + row * ROW
        yield f'<text {TEXT} x="{LEFT - 8}" y="{top + 16}" text-anchor="end">{escape(bar.name)}</text>'
        if bar.claimed is not None:
            yield _box("claimed", bar.claimed, top + 2, 20)
        if bar.found is not None:
            yield _box("found", bar.found, top + 7, 10)
        if bar.interval_s is not None:
            low, high = (_x(s) for s in bar.interval_s)
            yield f'<path {MARKS["whisker"]} d="M{low} {top + 12}H{high}M{low} {top + 7}v10M{high} {top + 7}v10"/>'
        if bar.estimate_s is not None:
            yield f'<path {MARKS["estimate"]} d="M{_x(bar.estimate_s)} {top}v24"/>'
    yield "</svg>"


def _box(kind: str, window: tuple[float, float], top: int, height: int) -> str:
    low, high = (_x(s) for s in window)
    return f'<rect {MARKS[kind]} x="{low}" y="{top}" width="{max(1.0, round(high - low, 1))}" height="{height}"/>'


def _x(seconds: float) -> float:
    """Where a length lies across the picture; what is outside of the axis lies at its end."""
    low, high = (math.log10(s) for s in DECADES)
    part = (math.log10(min(max(seconds, DECADES[0]), DECADES[1])) - low) / (high - low)
    return round(LEFT + part * (WIDTH - LEFT - RIGHT), 1)


SCALE, MARGIN = 700.0, 34


def colours_svg(dots: Sequence[Dot]) -> str:
    """Every scene at its u', v', within the curve of pure colours."""
    return "".join(_colours(dots))


def _colours(dots: Sequence[Dot]) -> Iterator[str]:
    width, height = (round(MARGIN * 2 + side * SCALE) for side in (0.64, 0.62))
    words = "Chromaticity diagram of the scenes; the table after it has the figures."
    yield f'<svg viewBox="0 0 {width} {height}" role="img" aria-label="{words}">'
    for tenth in range(7):
        at = tenth / 10
        (x, bottom), (left, y) = _place(at, 0.0), _place(0.0, at)
        yield f'<path {MARKS["grid"]} d="M{x} {bottom}V{MARGIN}M{left} {y}H{width - MARGIN}"/>'
        yield f'<text {TEXT} x="{x}" y="{bottom + 16}" text-anchor="middle">{at:g}</text>'
        yield f'<text {TEXT} x="{left - 6}" y="{y + 4}" text-anchor="end">{at:g}</text>'
    curve = [_place(u, v) for _, u, v in spectral_locus()]
    yield "<path " + MARKS["locus"] + ' d="M' + "L".join(f"{x} {y}" for x, y in curve) + 'Z"/>'
    for nm, u, v in spectral_locus():
        if nm in {450, 480, 500, 520, 560, 580, 600, 620}:
            x, y = _place(u, v)
            yield f'<circle {MARKS["tick"]} cx="{x}" cy="{y}" r="2"/>'
            yield f'<text {TEXT} x="{x + 5}" y="{y - 5}">{nm} nm</text>'
    for dot in dots:
        yield from _dot(dot)
    x, y = _place(0.32, 0.0)
    yield f'<text {TEXT} x="{x}" y="{y + 30}" text-anchor="middle">u\'</text>'
    yield f'<text {TEXT} x="8" y="{_place(0.0, 0.35)[1]}">v\'</text></svg>'


def _dot(dot: Dot) -> Iterator[str]:
    at = None
    if dot.claimed is not None:
        x, y = at = _place(*uv_of(dot.claimed))
        yield f'<circle {MARKS["ring"]} cx="{x}" cy="{y}" r="6" fill="{escape(dot.claimed)}"/>'
    if dot.seen is not None:
        x, y = at = _place(*uv_of(dot.seen))
        yield f'<path {MARKS["cross"]} d="M{x - 5} {y - 5}l10 10m0 -10l-10 10"/>'
    if at is not None:
        yield f'<text {TEXT} font-weight="bold" x="{at[0] + 8}" y="{at[1] + 4}">{dot.number}</text>'


def _place(u: float, v: float) -> tuple[float, float]:
    return round(MARGIN + u * SCALE, 1), round(MARGIN + (0.62 - v) * SCALE, 1)
