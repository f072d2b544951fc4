"""The tree in plain characters, and as a picture."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree as ET

from sequencer.supply.drawing import COLOURS, draw
from sequencer.supply.feed import network_of, with_lamp
from sequencer.supply.solve import solve
from sequencer.supply.tree import Branch, branches, tree_lines
from tests.supply.sites import Change, feed

SVG = "{http://www.w3.org/2000/svg}"
WEAK: Change = ("length_m = 6", "length_m = 12")


def parsed(text: str) -> ET.Element:
    return ET.fromstring(text)  # noqa: S314 - our own text


def tree(folder: Path, *changes: Change) -> tuple[Branch, ...]:
    found = feed(folder, *changes)
    return branches(found, solve(network_of(found), keep_lit=True))


def test_lines(tmp_path: Path) -> None:
    assert list(tree_lines(tree(tmp_path, WEAK))) == [
        "  transformer                     5.59 A   12.48 V",
        "  +- box          30 ft AWG 10    5.59 A   12.13 V",
        "     +- north     4 m AWG 14      2.73 A   11.94 V",
        "     +- rock      5 m 4 mm2       2.86 A   12.00 V",
        "        +- south  12 m AWG 14     2.86 A   11.42 V  only 0.42 V to spare",
    ]


def test_lines_of_a_lamp_with_too_few_volts_and_of_one_with_none(tmp_path: Path) -> None:
    few = list(tree_lines(tree(tmp_path, ("length_m = 6", "length_m = 22"))))
    assert few[-1].endswith("V  OUTSIDE by 0.15 V")
    none = list(tree_lines(tree(tmp_path, ("length_m = 6", "length_m = 400"))))
    assert none[-1].endswith("no  V  TOO FEW")


def test_every_lamp_and_node_is_drawn_in_the_colour_of_its_margin(tmp_path: Path) -> None:
    found = tree(tmp_path, WEAK)
    picture = parsed(draw(found, "deep", "now"))
    texts = [text.text or "" for text in picture.iter(f"{SVG}text")]
    assert {branch.name for branch in found} <= set(texts)
    fills = {circle.get("fill") for circle in picture.iter(f"{SVG}circle") if circle.get("r") == "11"}
    assert fills == {COLOURS["good"], COLOURS["thin"]}
    assert len(list(picture.iter(f"{SVG}path"))) == len(found) - 1


def test_nothing_lies_on_anything_and_all_of_it_is_within(tmp_path: Path) -> None:
    more = feed(tmp_path)
    for _ in range(4):
        more = with_lamp(more, "rock", "south")
    picture = parsed(draw(branches(more, solve(network_of(more), keep_lit=True)), "deep", "now"))
    spots = [(float(c.get("cx", "0")), float(c.get("cy", "0"))) for c in picture.iter(f"{SVG}circle")]
    assert len(set(spots)) == len(spots)
    width, height = float(picture.get("width", "0")), float(picture.get("height", "0"))
    assert all(0 < x < width and 0 < y < height for x, y in spots)


def test_a_name_is_text_and_no_markup(tmp_path: Path) -> None:
    changes: tuple[Change, ...] = (('to = "rock"', 'to = "<b>&"'), ('node = "rock"', 'node = "<b>&"'))
    texts = [text.text for text in parsed(draw(tree(tmp_path, *changes), "d", "n")).iter(f"{SVG}text")]
    assert "<b>&" in texts
