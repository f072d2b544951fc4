"""A circuit's current held against hypotheses, on a supply whose figures can be reckoned by hand."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from sequencer.diagnosis.current import Hypothesis, Meter, hold, reading_lines
from sequencer.sitefile import load_site
from sequencer.supply.feed import Feed, feed_of

CONFIG = Path(__file__).parents[2] / "config"
EXACT = Meter(error=0.0, error_a=0.001)
MOSS = {"bench": "moss", "grotto": "moss", "weir": "moss"}


@pytest.fixture(scope="module")
def feed() -> Feed:
    found = feed_of(load_site(CONFIG / "weak-corner.toml"), "far-corner")
    assert found is not None
    return found


def test_expected_amps_lie_between_those_at_the_best_and_the_worst_volts(feed: Feed) -> None:
    expected = hold(feed, MOSS, 4.0, EXACT).meant.amps
    no_load_v = 12 * 1.04 * 119 / 120
    assert 3 * 15 / 0.92 / no_load_v < expected < 3 * 15 / 0.92 / 11


def test_a_reading_as_expected_is_matched(feed: Feed) -> None:
    expected = hold(feed, MOSS, 4.0, EXACT).meant.amps
    reading = hold(feed, MOSS, expected, EXACT)
    assert reading.matched
    assert reading.fits[0] == reading.meant


def test_a_dark_lamp_is_found_but_not_which(feed: Feed) -> None:
    """Three lamps of one type on one scene: any of them dark draws the same but for its cable."""
    one_dark = hold(feed, MOSS, 4.0, EXACT).meant.amps * 2 / 3
    reading = hold(feed, MOSS, one_dark, EXACT)
    assert not reading.matched
    assert {(each.kind, each.lamp) for each in reading.fits} == {("dark", lamp) for lamp in MOSS}
    assert "the current contradicts" in reading_lines(reading)[0]


def test_a_scene_of_other_watts_is_found(feed: Feed) -> None:
    """30 W instead of 15 W on one lamp: a third more; of seven scenes only that one draws so much."""
    more = hold(feed, MOSS, 4.0, EXACT).meant.amps * 4 / 3
    reading = hold(feed, MOSS, more, Meter(0.0, 0.01))
    assert {each.scene for each in reading.fits} == {"hoarfrost"}
    assert str(reading.fits[0]).endswith('is on "hoarfrost"')


def test_scenes_of_equal_watts_cannot_be_told_apart_by_any_meter(feed: Feed) -> None:
    sheet = feed.sheets["weir"]
    alike = tuple(scene.model_copy(update={"watts": 15.0}) for scene in sheet.scenes)
    sheets = {**feed.sheets, "weir": sheet.model_copy(update={"scenes": alike})}
    same = feed._replace(sheets=sheets)
    expected = hold(same, MOSS, 4.0, EXACT).meant.amps
    reading = hold(same, MOSS, expected, Meter(0.0, 1e-9))
    others = [each for each in reading.fits if each.lamp == "weir" and each.kind == "scene"]
    assert len(others) == len(sheet.scenes) - 1
    assert all(math.isclose(each.amps, expected) for each in others)
    assert "cannot tell that from" in reading_lines(reading)[0]


def test_what_nothing_explains_is_said(feed: Feed) -> None:
    reading = hold(feed, MOSS, 12.0, EXACT)
    assert reading.fits == ()
    assert "one lamp otherwise would not explain it" in reading_lines(reading)[0]


def without_watts(feed: Feed, *lamps: str) -> Feed:
    """Where the datasheet says no more than its worst case: 30 W."""
    sheets = dict(feed.sheets)
    for lamp in lamps:
        scenes = tuple(scene.model_copy(update={"watts": None}) for scene in sheets[lamp].scenes)
        sheets[lamp] = sheets[lamp].model_copy(update={"scenes": scenes})
    return feed._replace(sheets=sheets)


def test_scenes_without_watts_are_named(feed: Feed) -> None:
    reading = hold(without_watts(feed, "weir"), MOSS, 4.0, EXACT)
    assert reading.unknown == ("weir",)
    assert isinstance(reading.meant, Hypothesis)


@pytest.mark.parametrize("amps", [0.0, 0.5, 2.7, 4.0, 8.0])
def test_a_reading_below_an_upper_bound_contradicts_nothing(feed: Feed, amps: float) -> None:
    """With 30 W each and none known, three lamps draw anything up to 90 W / 0.92 / 11.5 V = 8.5 A."""
    reading = hold(without_watts(feed, *MOSS), MOSS, amps, EXACT)
    assert reading.matched
    assert reading.meant.least_a == pytest.approx(0.0, abs=1e-9)
    head, *rest = reading_lines(reading)
    assert "contradicts nothing" in head
    assert "contradicts that" not in head
    assert len(rest) == len(MOSS)


def test_above_the_upper_bound_it_still_contradicts(feed: Feed) -> None:
    bare = without_watts(feed, *MOSS)
    most = hold(bare, MOSS, 4.0, EXACT).meant
    assert hold(bare, MOSS, most.amps + 1.9 * most.wide_a, EXACT).matched
    reading = hold(bare, MOSS, most.amps + 2.1 * most.wide_a, EXACT)
    assert not reading.matched
    assert "contradicts every lamp on its scene" in reading_lines(reading)[0]


def test_what_the_known_lamps_draw_at_least_still_counts(feed: Feed) -> None:
    """Two lamps of 15 W and one of 0 to 30: less than the two draw is no lamp's fault but one of theirs."""
    bare = without_watts(feed, "weir")
    meant = hold(bare, MOSS, 4.0, EXACT).meant
    known = hold(feed, MOSS, 4.0, EXACT).meant.amps
    assert meant.least_a == pytest.approx(known * 2 / 3, rel=0.05)
    assert meant.amps == pytest.approx(known * 4 / 3, rel=0.08)
    assert hold(bare, MOSS, meant.least_a + 0.01, EXACT).matched
    reading = hold(bare, MOSS, known / 3, EXACT)
    assert not reading.matched
    assert f"{meant.least_a:.2f} to {meant.amps:.2f} A" in reading_lines(reading)[0]
