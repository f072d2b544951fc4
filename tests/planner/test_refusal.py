"""Each refusal for its true cause, and the nearest scenes by colour."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from itertools import product

import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

from sequencer.planner import Plan, PlanRequest, Refusal, plan
from sequencer.planner.budget import Budget, Meter
from sequencer.planner.plan import fleet, solve
from sequencer.planner.refusal import ciede2000, mean_lab, nearest_scenes
from sequencer.train import Delays
from tests.automaton.sheets import sheet
from tests.bench.fleets import nested_request
from tests.planner.drawn import requests, small_sheets
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
    assert planned(ask(wish, max_flashes_per_s=0.201)).train.relay_cycles == 2
    answer = refused(ask(wish, max_flashes_per_s=0.19))
    assert "the flash limit of 0.19 a second asks for 5.26 s from break to break" in answer.reason
    assert answer.nearest == {"a": "scene 1"}  # which one pulse tells


def test_the_longest_break_stands_in_the_way() -> None:
    home = {"s": (sheet("step", 3), 1)}
    assert planned(ask(home, max_dark_s=6.501)).train.dark_s == pytest.approx(6.5, abs=2e-9)
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
    assert nearest_scenes(ask({"ring": (never, 2)}), 36_000, Meter(Budget())) == (None, True)


def test_a_budget_that_ends_first_is_not_a_proof() -> None:
    wide = {"a": (sheet(scenes=9, reset=None), 7), "b": (sheet(scenes=9, reset=None), 8)}
    answer = refused(ask(wide, max_dark_s=5.0), budget=8)
    assert not answer.proved
    assert answer.reason.startswith("gave up after looking at")


def test_past_its_budget_the_planner_may_still_have_a_train() -> None:
    asked = nested_request(4)
    best = planned(asked)
    assert best.proved
    found = planned(asked, budget=1000)
    assert not found.proved
    assert found.train.total_s >= best.train.total_s
    assert [lamp.code for lamp in found.lamps] == [lamp.wanted for lamp in asked.lamps]


def test_one_counts_what_the_other_rides_through_but_not_the_reverse() -> None:
    """What B counts (0.5 s and more) may be a pulse or a power-down to a ring that never forgets."""
    ring = sheet("step", pulse=(0.12, 0.4), reset=None)
    rides = sheet(ignored=(0, 0.3), pulse=(0.5, 3.0), reset=None)
    planned(ask({"a": (ring, 2, 1)}))
    answer = refused(ask({"a": (ring, 2, 1), "b": (rides, 1)}, max_dark_s=5.0))
    assert "a can be counted while b rides through, but no break that b counts is ridden through by a" in (
        answer.reason
    )


def test_two_lamps_of_a_type_told_apart_by_name() -> None:
    never = ask({"s": (sheet("step", 4, reset=None), 2)})
    north, south = (never.lamps[0]._replace(lamp=name) for name in ("north", "far south"))
    answer = refused(never._replace(lamps=(north, south)))
    assert answer.reason.startswith('lamps "north" and "far south" (s): a step lamp that never forgets')
    assert answer.reason.endswith('--from north=SCENE --from "far south=SCENE"')


@pytest.mark.parametrize(
    ("wishes", "limits", "cause"),
    [
        ([1], {"margin_s": 0.04}, "margin_s"),
        ([1], {"max_dark_s": 0.1}, "max_dark_s"),
        ([1, 3], {}, "different scenes"),
    ],
)
def test_a_step_lamp_that_never_forgets_but_is_known(
    wishes: list[int], limits: dict[str, float], cause: str
) -> None:
    """Pulses of 0.12 to 0.18 s, from scene 1 to 2; and two lamps on different scenes never come together."""
    never = ask({"s": (sheet("step", 4, reset=None, pulse=(0.12, 0.18)), 2)}, **limits)
    lamps = tuple(never.lamps[0]._replace(lamp=f"lamp {code}", known=code) for code in wishes)
    answer = refused(never._replace(lamps=lamps))
    assert cause in answer.reason
    assert "--from" not in answer.reason


# -- whatever the fleet ------------------------------------------------------------------------------------

EXACT = Delays((0.0, 0.0), (0.0, 0.0))


def with_exact_clocks(asked: PlanRequest) -> PlanRequest:
    lamps = []
    for lamp in asked.lamps:
        better = lamp.datasheet.lamp.model_copy(update={"clock_tolerance": 0.0})
        lamps.append(lamp._replace(datasheet=lamp.datasheet.model_copy(update={"lamp": better})))
    return asked._replace(lamps=tuple(lamps))


LET_GO: dict[str, Callable[[PlanRequest], PlanRequest]] = {
    "the flash limit": lambda asked: asked._replace(max_flashes_per_s=1000.0),
    "max_dark_s": lambda asked: asked._replace(max_dark_s=3600.0),
    "margin_s": lambda asked: asked._replace(margin_s=0.0, delays=EXACT),
    "clock_tolerance": with_exact_clocks,
}
"""What a reason may blame, by the words that blame it, and the request without it."""


def of_those_to_blame(asked: PlanRequest, answer: Refusal) -> PlanRequest:
    """Only the types that the reason names before it says why."""
    named = answer.reason.split(": ")[0]
    return asked._replace(lamps=tuple(lamp for lamp in asked.lamps if lamp.stem in named))


def test_a_reason_that_blames_something_is_true_of_it() -> None:
    """Without what is blamed there is a train; where only lamps are blamed, none of the four would help."""
    tally: Counter[str] = Counter()

    narrow = small_sheets(2, tolerances=(0.0, 0.03, 0.2))

    @settings(max_examples=200, deadline=None, derandomize=True, database=None)
    @given(asked=requests(st.sampled_from([1, 1, 2]), narrow, margins_s=(0.0, 0.03, 0.12)))
    def reason_is_true(asked: PlanRequest) -> None:
        answer = plan(asked, budget=1000)
        if isinstance(answer, Plan) or not answer.proved or "never forgets" in answer.reason:
            return
        blamed = [words for words in LET_GO if words in answer.reason]
        assert len(blamed) <= 1
        some = of_those_to_blame(asked, answer)
        assert some.lamps
        assert isinstance(plan(some, budget=1000), Refusal)
        for words in blamed:
            assert isinstance(plan(LET_GO[words](some), budget=1000), Plan)
            tally[words] += 1
        if not blamed:
            for let_go in LET_GO.values():
                found = plan(let_go(some), budget=1000)
                assert isinstance(found, Refusal) or not found.proved
            tally["the lamps"] += 1

    reason_is_true()
    assert all(tally[words] >= 3 for words in ("max_dark_s", "margin_s", "clock_tolerance", "the lamps")), (
        tally
    )


def differences(asked: PlanRequest) -> dict[str, dict[int, float]]:
    """By type and code, how different that scene looks from the one asked for."""
    found = {}
    for lamp in asked.lamps:
        labs = {scene.code: mean_lab(scene) for scene in lamp.datasheet.scenes}
        wanted = labs[lamp.wanted]
        found[lamp.stem] = {
            code: 0.0 if code == lamp.wanted else ciede2000(lab or (0, 0, 0), wanted or (0, 0, 0))
            for code, lab in labs.items()
        }
    return found


COLOURS = ("#000000", "#0b6672", "#4f7d2c", "#8a5a9e", "#c98d55", "#ffffff")


@settings(max_examples=40, deadline=None, derandomize=True)
@given(data=st.data(), types=st.sampled_from([2, 2, 3]))
def test_nearest_is_the_best_of_all_choices_there_are(data: st.DataObject, types: int) -> None:
    """Every choice of scenes is searched for; of those that have a train, the least greatest difference."""
    wishes = {}
    for i in range(types):
        count = data.draw(st.integers(2, 5 - types))
        colours = data.draw(st.lists(st.sampled_from(COLOURS), min_size=count, max_size=count))
        overflow = data.draw(st.sampled_from(["unknown", "unknown", "ignored", "wraps"]))
        twin = sheet(scenes=dict(enumerate(colours, start=1)), reset=None, overflow=overflow)
        wishes[f"type-{i}"] = (twin, data.draw(st.integers(1, count)))
    asked = ask(wishes, max_dark_s=1.0)
    answer = plan(asked)
    event(type(answer).__name__)
    if isinstance(answer, Plan):
        return
    far = differences(asked)
    reachable = {}
    for codes in product(*far.values()):
        lamps = tuple(lamp._replace(wanted=code) for lamp, code in zip(asked.lamps, codes, strict=True))
        if solve(fleet(asked._replace(lamps=lamps))).best is not None:
            apart = [far[lamp.stem][lamp.wanted] for lamp in lamps]
            reachable[codes] = (max(apart), sum(apart))
    assert answer.nearest is not None
    chosen = tuple(int(answer.nearest[stem].removeprefix("scene ")) for stem in far)
    assert reachable[chosen] == min(reachable.values())
