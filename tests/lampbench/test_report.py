"""The report: whole, alone, escaped, printable, and with the same figures as the JSON."""

from __future__ import annotations

import json
import math
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest

from sequencer.bench.asking import Asking, Assumed
from sequencer.bench.chromaticity import spectral_locus, uv_of
from sequencer.bench.discover import discover
from sequencer.bench.discovered import datasheet_toml, discovered_fields
from sequencer.bench.pictures import Bar, Dot, colours_svg, windows_svg
from sequencer.bench.report import html_report, verdict
from sequencer.bench.simulated import EyesThatErr, SimStand
from sequencer.datasheet import load_datasheet
from sequencer.sim.lamp import SimLamp
from sequencer.sim.nature import Nature
from tests.cli.conftest import CONFIG

LAMPS = Path(CONFIG) / "lamps"
VOID = {"meta", "br", "img", "link", "hr"}
NASTY = "<script>alert(\"x\")</script> & 'co'"


class Page(HTMLParser):
    """Every tag is closed in order; texts by tag; every attribute that could fetch something."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.texts: list[tuple[str, str]] = []
        self.fetched: list[str] = []
        self.scripts: list[dict[str, str | None]] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.fetched += [
            value or "" for name, value in attrs if name in {"src", "href", "xlink:href", "data"}
        ]
        assert not [name for name, _ in attrs if name.startswith("on")]
        if tag == "script":
            self.scripts.append(dict(attrs))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None: ...

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.texts.append((self.open[-1] if self.open else "", data))

    def said(self, tag: str) -> list[str]:
        return [text for where, text in self.texts if where == tag]


def discovered(**changes: Any) -> dict[str, Any]:
    sheet = load_datasheet(LAMPS / "type-b.toml")
    stand = SimStand(SimLamp(sheet, Nature(), scene=1), eyes=EyesThatErr())
    found = discover(Asking(stand, Assumed(lapse=0.0, **changes)), "a lamp")
    toml = None if found.sheet is None else datasheet_toml(found, "2026-11-25")
    more = {
        "whole": toml is not None,
        "broken_off": False,
        "kept": "x",
        "out": None,
        "toml": toml,
        "notes": [NASTY],
    }
    return {**discovered_fields(found), **more}


def accepted() -> dict[str, Any]:
    seen = {
        "code": 2,
        "difference": 0.4,
        "colour": "#51606b",
        "period_s": None,
        "watts": None,
        "spoiled": False,
    }
    right = {
        "phase": "reach",
        "what": NASTY,
        "again": False,
        "pulses": [],
        "expects": 2,
        "seen": seen,
        "right": True,
    }
    wrong = {**right, "seen": {**seen, "code": None, "colour": "#ff0000"}, "right": False, "again": True}
    return {
        "lamp": NASTY, "accepted": False, "whole": True, "broken_off": False, "done": 8, "of": 8, "trials": 40,
        "slips": 1, "rate_bound": 0.1133, "confidence": 0.95, "lapses": 0, "spoiled": 0, "lowest_v": None,
        "failures": [wrong], "relay_cycles": 321, "seconds": 754.0, "kept": "x", "notes": [], "log": [right, wrong],
    }  # fmt: skip


def measured() -> dict[str, Any]:
    edge = {
        "edge": "ride-through", "volts": 11.0, "watts": 17.0, "outcome": "found", "estimate_s": 0.0191,
        "interval_s": [0.0164, 0.0211], "certain_s": [0.015, None], "spread": 0.01, "claimed_s": [0.02, 0.12],
        "presentations": 4, "wasted": 0, "shown": [{"lengths_s": [0.02, 0.03], "found_long": 1}], "note": "",
    }  # fmt: skip
    none = {**edge, "edge": "gap", "volts": None, "outcome": "above", "estimate_s": None, "interval_s": None}
    held = {"capacitance_f": 7e-3, "capacitance_error_f": 4e-4, "dropout_v": 8.5, "dropout_error_v": 0.3}
    return {
        "lamp": NASTY, "whole": False, "broken_off": False, "problems": [NASTY], "edges": [edge, none],
        "hold_up": {**held, "points": 4, "chi2": 1.0}, "presentations": 8, "relay_cycles": 99, "seconds": 600.0,
        "kept": "x", "out": None, "toml": None, "notes": [],
    }  # fmt: skip


SHEET = load_datasheet(LAMPS / "type-a.toml")
CASES = {"accept": accepted, "measure": measured, "discover": discovered}


@pytest.fixture(params=CASES)
def page(request: pytest.FixtureRequest) -> tuple[str, dict[str, Any], str]:
    kind = request.param
    fields = CASES[kind]()
    return kind, fields, html_report(kind, fields, SHEET, "2026-11-25 16:00 UTC")


def test_it_is_well_formed_and_needs_nothing_else(page: tuple[str, dict[str, Any], str]) -> None:
    _, _, text = page
    read = Page(text)
    assert read.fetched == []
    assert "url(" not in text
    assert "@import" not in text
    assert read.scripts == [{"type": "application/json", "id": "figures"}]
    for svg in re.findall(r"<svg.*?</svg>", text, re.DOTALL):
        ET.fromstring(svg)  # noqa: S314 - our own


def test_names_are_escaped(page: tuple[str, dict[str, Any], str]) -> None:
    _, _, text = page
    assert "<script>alert" not in text
    assert "&lt;script&gt;alert(&quot;x&quot;)&lt;/script&gt; &amp; &#x27;co&#x27;" in text
    assert any(NASTY in words for _, words in Page(text).texts)


def test_the_verdict_comes_first(page: tuple[str, dict[str, Any], str]) -> None:
    kind, fields, text = page
    read = Page(text)
    paragraphs = read.said("p")
    assert paragraphs[1] == verdict(kind, fields)  # type: ignore[arg-type]
    assert text.index('class="verdict"') < text.index("<h2>")


def test_it_prints(page: tuple[str, dict[str, Any], str]) -> None:
    """No fixed sheet, so that A4 and letter both do; tables repeat their heads; pictures are not cut."""
    _, _, text = page
    assert "@page { margin: 15mm; }" in text
    assert "table-header-group" in text
    assert "break-inside: avoid" in text


def test_the_json_is_in_it_and_agrees(page: tuple[str, dict[str, Any], str]) -> None:
    kind, fields, text = page
    read = Page(text)
    (within,) = read.said("script")
    assert json.loads(within) == json.loads(json.dumps(fields))
    words = " ".join(words for _, words in read.texts)
    assert f"{fields['seconds'] / 60:.0f} minutes and {fields['relay_cycles']} relay cycles" in words
    if kind == "accept":
        assert "1 of 40 trains went wrong. With 95% confidence at most 11.33%" in words
    if kind == "measure":
        assert "0.0191" in words
        assert "0.0164 to 0.0211" in words
    if kind == "discover":
        assert fields["toml"] in words
        assert words.count("CIEDE2000") >= 1


def test_what_was_not_tested_and_the_cautions_are_always_there(page: tuple[str, dict[str, Any], str]) -> None:
    _, _, text = page
    heads = Page(text).said("h2")
    assert {"What was not tested", "Cautions", "Log"} <= set(heads)
    assert "Mains and water kill" in text


def test_a_discovery_that_came_to_nothing_has_a_report_too() -> None:
    for cycles in (10, 60, 200):
        fields = discovered(budget_cycles=cycles)
        text = html_report("discover", fields, None, "now")
        Page(text)
        assert f"NOT DISCOVERED: {cycles} relay cycles are spent" in text


@pytest.mark.parametrize(
    ("kind", "changes", "said"),
    [
        ("accept", {"accepted": True}, "ACCEPTED. It does"),
        ("accept", {"broken_off": True}, "nothing is decided"),
        ("accept", {}, "NOT ACCEPTED. 1 time it was"),
        ("measure", {"whole": True}, "MEASURED. 1 of 2 edges"),
        ("measure", {}, "NOT FINISHED"),
    ],
)
def test_verdicts(kind: Any, changes: dict[str, Any], said: str) -> None:
    assert said in verdict(kind, {**CASES[kind](), **changes})


def test_bars_lie_where_their_lengths_are() -> None:
    """On a logarithmic axis a decade is as wide as any other, and a window without end reaches its end."""
    svg = ET.fromstring(windows_svg([Bar("a & b", (0.1, 1.0)), Bar("c", (1.0, math.inf))]))  # noqa: S314 - our own
    boxes = [(float(r.attrib["x"]), float(r.attrib["width"])) for r in svg.iter("rect")]
    (first, wide), (second, rest) = boxes
    assert second == pytest.approx(first + wide, abs=0.11)
    assert rest == pytest.approx(2 * wide, abs=0.2)
    assert "a & b" in [text.text for text in svg.iter("text")]


def test_dots_lie_within_the_curve_of_pure_colours() -> None:
    svg = ET.fromstring(colours_svg([Dot(1, "#ff0000", "#fe0102"), Dot(2, None, "#0000ff")]))  # noqa: S314 - our own
    assert len(list(svg.iter("circle"))) == 1 + 8
    assert [text.text for text in svg.iter("text")].count("1") == 1


def test_chromaticities_are_the_published_ones() -> None:
    """u', v' from x, y as published: D65 and the primaries of IEC 61966-2-1 (sRGB), by 4x / (-2x + 12y + 3).

    The spectral locus: x, y of ISO/CIE 11664-1:2019's table (CIE 1931 observer) at three wavelengths, from memory:
    450 nm 0.1566, 0.0177; 520 nm 0.0743, 0.8338; 600 nm 0.6270, 0.3725.
    """

    def uv(x: float, y: float) -> tuple[float, float]:
        return 4 * x / (-2 * x + 12 * y + 3), 9 * y / (-2 * x + 12 * y + 3)

    for colour, x, y in (
        ("#ffffff", 0.3127, 0.3290),
        ("#ff0000", 0.64, 0.33),
        ("#00ff00", 0.30, 0.60),
        ("#0000ff", 0.15, 0.06),
    ):
        assert uv_of(colour) == pytest.approx(uv(x, y), abs=2e-4)
    curve = {nm: (u, v) for nm, u, v in spectral_locus()}
    for nm, x, y in ((450, 0.1566, 0.0177), (520, 0.0743, 0.8338), (600, 0.6270, 0.3725)):
        assert curve[nm] == pytest.approx(uv(x, y), abs=5e-4)
