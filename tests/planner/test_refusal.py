"""Each refusal for its true cause, and the nearest scenes by colour."""

from __future__ import annotations

import pytest

from sequencer.planner.refusal import ciede2000, mean_lab, nearest_scenes
from sequencer.train import Delays
from tests.automaton.sheets import INF, sheet
from tests.planner.requests import ask, planned, refused

GREYS = {1: "#202020", 2: "#707070", 3: "#c0c0c0"}

# L a b, L a b, difference. Sharma, Wu and Dalal 2005, "The CIEDE2000 color-difference formula", table 1:
# pairs 1, 7, 17, 19, 24 and 34 as check values.
SHARMA = [
    ((50.0, 2.6772, -79.7751), (50.0, 0.0, -82.7485), 2.0425),
    ((50.0, 2.49, -0.001), (50.0, -2.49, 0.0011), 7.2195),
    ((50.0, 2.5, 0.0), (73.0, 25.0, -18.0), 27.1492),
    ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
    ((22.7233, 20.0904, -46.6940), (23.0331, 14.9730, -42.5619), 2.0373),
    ((2.0776, 0.0795, -1.1350), (0.9033, -0.0636, -0.5514), 0.9082),
]


@pytest.mark.parametrize(("a", "b", "published"), SHARMA)
def test_colour_difference_as_published(
    a: tuple[float, float, float], b: tuple[float, float, float], published: float
) -> None:
    assert ciede2000(a, b) == pytest.approx(published, abs=5e-5)
    assert ciede2000(b, a) == pytest.approx(published, abs=5e-5)


def test_twins_count_every_pulse_together() -> None:
    answer = refused(ask({"a": (sheet(), 2), "b": (sheet(), 4)}, max_dark_s=5.0))
    assert answer.proved
    assert "a and b cannot be had together" in answer.reason
    assert "they count every pulse together" in answer.reason
    assert "a's [off] pulse 0.12-3 s and b's 0.12-3 s" in answer.reason


def test_a_step_lamp_that_never_forgets_says_what_would_help() -> None:
    never = sheet("step", 4, reset=None)
    answer = refused(ask({"ring": (never, 2)}))
    assert answer.proved
    assert "never forgets" in answer.reason
    assert "--from ring=SCENE" in answer.reason
    assert answer.nearest is None
    assert planned(ask({"ring": (never, 2, 1)})).train.relay_cycles == 1


def test_the_flash_limit_stands_in_the_way() -> None:
    wish = {"a": (sheet(), 2)}
    # A break of at most 3 s and supply of at most 2 s: a cycle of 5 s is the longest that still counts.
    assert planned(ask(wish, max_flashes_per_s=0.2)).train.relay_cycles == 2
    answer = refused(ask(wish, max_flashes_per_s=0.19))
    assert "the flash limit of 0.19 a second asks for 5.26 s from break to break" in answer.reason
    assert answer.nearest == {"a": "scene 1"}  # which one pulse tells


def test_the_longest_break_stands_in_the_way() -> None:
    home = {"s": (sheet("step", 3), 1)}
    assert planned(ask(home, max_dark_s=6.5)).train.dark_s == 6.5
    answer = refused(ask(home, max_dark_s=6.4))
    assert "longer than max_dark_s (6.4 s)" in answer.reason


def test_margin_and_spread_leave_no_room() -> None:
    narrow = {"a": (sheet(pulse=(0.12, 0.2), reset=None), 1)}
    assert planned(ask(narrow, margin_s=0.04)).train.relay_cycles == 1
    answer = refused(ask(narrow, margin_s=0.041))
    assert "margin_s (0.041 s) and the relay's spread (0 s)" in answer.reason
    assert "a's [off] pulse 0.12-0.2 s" in answer.reason
    spread = Delays((0.0, 0.05), (0.0, 0.032))
    assert "the relay's spread (0.041 s)" in refused(ask(narrow, delays=spread)).reason


def test_clocks_that_err_too_much_leave_no_room() -> None:
    doubtful = sheet(pulse=(1.0, 1.1), ignored=(0, 0.5), reset=None, clock_tolerance=0.06)
    answer = refused(ask({"a": (doubtful, 1)}))
    assert "clock_tolerance leaves no room in a's [off] pulse 1-1.1 s" in answer.reason


def test_three_types_name_the_two_that_conflict() -> None:
    slow = sheet(ignored=(0, 0.2), pulse=(0.3, 0.6), reset=None)
    answer = refused(ask({"a": (sheet(reset=None), 2), "s": (slow, 1), "b": (sheet(reset=None), 3)}))
    assert answer.proved
    assert answer.reason.startswith("a and b cannot be had together")


def test_nearest_has_the_least_greatest_difference() -> None:
    # Counted together, so only equal codes can be had; asked are 1 and 3.
    # Codes 1: 0 and dark-light; 2: two middling steps; 3: dark-light and 0. Two middling steps win.
    greys = sheet(scenes=GREYS, reset=None)
    answer = refused(ask({"a": (greys, 1), "b": (greys, 3)}, max_dark_s=5.0))
    assert answer.nearest == {"a": "scene 2", "b": "scene 2"}


def test_of_equal_greatest_differences_the_least_sum() -> None:
    # b's scenes 1 and 2 look alike to the digit, both as far from its 3: then a decides.
    a = sheet(scenes={1: "#400000", 2: "#000040", 3: "#004000"}, reset=None)
    b = sheet(scenes={1: "#808080", 2: "#808080", 3: "#ffffff"}, reset=None)
    answer = refused(ask({"a": (a, 1), "b": (b, 3)}, max_dark_s=5.0))
    grey_to_white = ciede2000(*(mean_lab(s) or (0, 0, 0) for s in b.scenes[1:]))
    red_to_green = ciede2000(*(mean_lab(a.scenes[i]) or (0, 0, 0) for i in (0, 2)))
    assert red_to_green > grey_to_white  # so both on 3 is worse than both on 1
    assert answer.nearest == {"a": "scene 1", "b": "scene 1"}


def test_a_moving_scene_compares_by_its_mean_colour_in_lab() -> None:
    from coloraide import Color

    sheet_ = sheet(scenes=GREYS)
    moving = sheet_.scenes[0].model_copy(
        update={"colour": None, "period_s": 4.0, "colours": ("#000000", "#ffffff")}
    )
    black, white = (Color(c).convert("lab-d65").coords(nans=False) for c in ("#000000", "#ffffff"))
    assert mean_lab(moving) == pytest.approx([(x + y) / 2 for x, y in zip(black, white, strict=True)])
    bare = moving.model_copy(update={"colours": None, "period_s": None})
    assert mean_lab(bare) is None


def test_nothing_nearest_where_nothing_can_be_reached() -> None:
    never = sheet("step", 3, reset=None)
    assert nearest_scenes(ask({"ring": (never, 2)}), 36_000) == (None, True)


def test_a_budget_that_ends_first_is_not_a_proof() -> None:
    wide = {"a": (sheet(scenes=9, reset=None), 7), "b": (sheet(scenes=9, reset=None), 8)}
    answer = refused(ask(wide, max_dark_s=5.0), budget=8)
    assert not answer.proved
    assert answer.reason.startswith("gave up after looking at")


def test_past_its_budget_the_planner_may_still_have_a_train() -> None:
    a = sheet(scenes=9, power_down=(8.5, INF))
    b = sheet("step", 9, ignored=(0, 0.3), pulse=(0.4, 2.0), reset=(3.0, 6.0), power_down=(8.0, INF))
    wishes = {"a": (a, 9), "b": (b, 7)}
    best = planned(ask(wishes))
    assert best.proved
    found = planned(ask(wishes), budget=200)
    assert not found.proved
    assert found.train.total_s > best.train.total_s
    assert {lamp.code for lamp in found.lamps} == {9, 7}
