"""The worked example of docs/choosing-tap-and-cable.md, by hand and by the program, and its drawing."""

from __future__ import annotations

import math
import re
import tomllib
from pathlib import Path

import pytest

from sequencer.cli.main import main
from sequencer.sitefile.supply import Supply
from sequencer.supply.feed import Feed, network_of, with_tap
from sequencer.supply.solve import solve
from tests.supply.sites import SHEET, SITE, pad

DOCS = Path(__file__).parents[2] / "docs"
PAGE = (DOCS / "choosing-tap-and-cable.md").read_text(encoding="utf-8")
ROWS = [
    tuple(map(float, row))
    for row in re.findall(r"^\| (\d+) V \| (\d+) V \| ([\d.]+) V \| ([\d.]+) V \|$", PAGE, re.MULTILINE)
]


@pytest.fixture
def shown(tmp_path: Path) -> Feed:
    """The supply that the page shows, with the lamp that it speaks of: 30 W, power factor 0.92."""
    assert "watts = 30\npower_factor = 0.92\nvolts = [11, 15]\n" in SHEET
    assert SITE
    block = re.search(r"```toml\n(.*?)```", PAGE, re.DOTALL)
    assert block is not None
    supply = Supply.model_validate(tomllib.loads(block[1])["supply"]["bench"])
    sheet = pad(tmp_path).datasheets["a"]
    return Feed("bench", "nec", "secondary", supply, {"only": sheet})


def by_hand(tap_v: float, primary_v: float) -> float:
    """The page's steps, with its own figures."""
    source, own_ohm = 1.04 * tap_v * primary_v / 120, 0.04 * tap_v / (300 / tap_v)
    ohm = own_ohm + 0.211 + 0.010 + 0.266 + 0.010
    half = source**2 / 2 - ohm * 30
    return math.sqrt(half + math.sqrt(half**2 - (ohm * 30 / 0.92) ** 2))


def test_all_rows_are_there() -> None:
    assert [row[:2] for row in ROWS] == [(tap, primary) for tap in (12, 13, 14) for primary in (120, 114)]


@pytest.mark.parametrize(("tap_v", "primary_v", "hand_v", "shown_v"), ROWS)
def test_by_hand_and_by_the_program(
    shown: Feed, tap_v: float, primary_v: float, hand_v: float, shown_v: float
) -> None:
    network = network_of(with_tap(shown, tap_v))
    flow = solve(network, network.emf_v * primary_v / 120, keep_lit=True)
    assert by_hand(tap_v, primary_v) == pytest.approx(hand_v, abs=0.005)
    assert flow.volts_at(network.loads[0]) == pytest.approx(shown_v, abs=0.005)
    assert hand_v == pytest.approx(shown_v, abs=0.02)


def test_the_drawing_is_what_the_program_draws_now(tmp_path: Path) -> None:
    """If not: ``lampstep supply config/weak-corner.toml --svg docs/weak-corner.svg``, and look at it."""
    site = DOCS.parent / "config" / "weak-corner.toml"
    assert main(["supply", str(site), "--svg", str(tmp_path / "now.svg")]) == 1
    kept = (DOCS / "weak-corner.svg").read_text(encoding="utf-8")
    assert (tmp_path / "now.svg").read_text(encoding="utf-8") == kept
