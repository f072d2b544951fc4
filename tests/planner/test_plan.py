"""Plans that are worth a name, each with the lengths worked out by hand from the windows.

A length is a window's start or end, made safe: ``a/(1-t) + margin + spread``, ``b/(1+t) - margin -
spread``. A "rest of the cycle" is what the flash limit of 3 a second asks for after a break: 333.333334 ms
from opening to opening, less the break. Lengths in milliseconds, to the nanosecond.
"""

from __future__ import annotations

from typing import Any

import pytest

from sequencer.planner import Plan, PlanRequest, Tightest, prove
from sequencer.train import Delays, Pulse, Train
from tests.automaton.sheets import INF, sheet
from tests.planner.requests import Wish, ask, planned

REST_OF_CYCLE = 213.333334  # after a break of 120 ms
RELAY = Delays((0.005, 0.012), (0.003, 0.008))  # a spread of 3.5 + 2.5 = 6 ms
INSIDE_NS = (
    20  # without a margin a length is still off the boundary itself, by one nanosecond each that is summed
)
SITE = {"delays": RELAY, "margin_s": 0.03}  # 36 ms at every edge


def lengths_ns(train: Train) -> list[int]:
    return [round(length * 1e9) for pulse in train.pulses for length in pulse]


def train(*lengths_s: float) -> Train:
    """Off, on, off, on ..."""
    return Train(tuple(map(Pulse, lengths_s[::2], lengths_s[1::2])))


def plan_of(request: PlanRequest, *lengths_ms: float) -> Plan:
    """The plan, which is proved and is this train: off, on, off, on ..."""
    found = planned(request)
    inside = 0 if request.margin_s else INSIDE_NS
    assert lengths_ns(found.train) == pytest.approx([ms * 1e6 for ms in lengths_ms], abs=inside + 0.5)
    assert found.proved
    assert [(p.lamp, p.code) for p in found.lamps] == [(r.lamp, r.wanted) for r in request.lamps]
    return found


# -- one type --------------------------------------------------------------------------------------


def test_a_count_is_so_many_pulses_and_a_settling() -> None:
    found = plan_of(ask({"a": (sheet(), 3)}), 120, REST_OF_CYCLE, 120, REST_OF_CYCLE, 120, 3500)
    assert found.train.lead_in_s == 0.0
    assert found.train.total_s == pytest.approx(4.286666668, abs=2e-8)
    assert (found.train.relay_cycles, found.lamps[0].ends_on) == (3, "scene 3")


def test_margin_spread_and_clock_lengthen_every_length() -> None:
    """0.12/0.97 + 36 ms; 0.15/0.97 + 36 ms, more than the rest of the cycle; 3.5/0.97 + 36 ms; all up."""
    request = ask({"a": (sheet(clock_tolerance=0.03), 2)}, **SITE)
    found = plan_of(request, 159.711341, 190.639176, 159.711341, 3644.247423)
    # Of four lengths that keep just their margin, the first.
    assert found.lamps[0].slack_s == pytest.approx(0.03, abs=2e-9)
    assert found.lamps[0].tightest == Tightest(1, "off", "pulse", 0.12)


def test_the_gap_within_a_train_where_the_flash_limit_leaves_it_free() -> None:
    """At 10 a second the cycle (100 ms) asks for nothing: 150 ms of supply, the start of same_train."""
    request = ask({"a": (sheet(), 2)}, max_flashes_per_s=10)
    plan_of(request, 120, 150, 120, 3500)


def test_the_shortest_way_home_is_a_reset_or_a_count() -> None:
    """A reset of 6.5 s, or one pulse and 3.5 s until it is taken: the count; and with a short reset, that.

    After the reset the lamp must have noticed that it is lit again.
    """
    plan_of(ask({"a": (sheet(), 1)}), 120, 3500)
    plan_of(ask({"a": (sheet(pulse=(0.12, 1.0), reset=(2.0, 2.5)), 1)}), 2000, 150)


def test_a_step_lamp_is_reset_warmed_and_stepped() -> None:
    """6.5 s of break, warm_up of 1 s, then steps at the flash limit; the last is shown at once."""
    plan_of(ask({"s": (sheet("step"), 3)}), 6500, 1000, 120, REST_OF_CYCLE, 120, REST_OF_CYCLE)


def test_a_step_lamp_that_goes_home_in_the_dark() -> None:
    forgetful = sheet("step", reset=None, after_power_down="first", power_down=(5.0, INF))
    plan_of(ask({"s": (forgetful, 2)}), 5000, 1000, 120, REST_OF_CYCLE)


def test_overflow_that_wraps_is_no_short_cut() -> None:
    plan_of(ask({"w": (sheet(overflow="wraps", scenes=3), 2)}), 120, REST_OF_CYCLE, 120, 3500)


def test_a_gap_in_the_table_is_counted_over() -> None:
    """Codes 1 and 3: the count passes 2, which is no scene, on its way."""
    gap = sheet(scenes={1: "#000000", 3: "#ffffff"})
    plan_of(ask({"g": (gap, 3)}), 120, REST_OF_CYCLE, 120, REST_OF_CYCLE, 120, 3500)


# -- what is known shortens ------------------------------------------------------------------------------


@pytest.mark.parametrize("start", ["rest", "dark", "cut"])
@pytest.mark.parametrize("wish", [(sheet(), 4, 4), (sheet("step", reset=None), 2, 2)])
def test_where_every_lamp_is_there_nothing_is_sent(wish: Wish, start: str) -> None:
    found = planned(ask({"a": wish}, start=start))
    assert (found.train.pulses, found.train.total_s, found.proved) == ((), 0, True)
    assert found.lamps[0].ends_on == f"scene {wish[1]}"
    assert (found.lamps[0].slack_s, found.lamps[0].tightest) == (None, None)


def test_a_step_lamp_goes_on_from_where_it_is_known_to_be() -> None:
    never_forgets = sheet("step", reset=None)
    plan_of(ask({"s": (never_forgets, 4, 2)}), 120, REST_OF_CYCLE, 120, REST_OF_CYCLE)
    plan_of(ask({"s": (never_forgets, 1, 4)}), 120, REST_OF_CYCLE, 120, REST_OF_CYCLE)  # round the ring
    # A power-down is a step, too, to a lamp that goes to the next: but never the shorter one here.
    plan_of(ask({"s": (sheet("step", reset=None, after_power_down="next"), 4, 3)}), 120, REST_OF_CYCLE)


def test_one_lamp_unknown_makes_its_type_unknown() -> None:
    known, unknown = ask({"s": (sheet("step"), 2, 1)}), ask({"s": (sheet("step"), 2)})
    both = known._replace(lamps=(*known.lamps, unknown.lamps[0]._replace(lamp="south")))
    plan_of(known, 120, REST_OF_CYCLE)
    plan_of(both, 6500, 1000, 120, REST_OF_CYCLE)


def test_two_lamps_known_on_different_scenes_of_one_type() -> None:
    """A ring is not two places at once; a reset makes it one."""
    request = ask({"s": (sheet("step"), 3, 2)})
    twin = request.lamps[0]._replace(lamp="south", known=5)
    plan_of(
        request._replace(lamps=(*request.lamps, twin)),
        *(6500, 1000, 120, REST_OF_CYCLE, 120, REST_OF_CYCLE),
    )


# -- how it begins ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("start", "lead_in_ms"),
    [
        ("rest", 0),
        ("dark", 1236),  # the slower warm_up, 1.2 s, with margin and spread
        ("cut", 3536),  # settled as well, 3.5 s
    ],
)
def test_the_lead_in_warms_and_after_a_cut_settles_every_lamp(start: str, lead_in_ms: int) -> None:
    request = ask({"a": (sheet(), 1), "b": (sheet(warm_up=(1.2, INF)), 1)}, start=start, **SITE)
    found = plan_of(request, 156, 3536)
    assert found.train.lead_in_s == pytest.approx(lead_in_ms / 1000, abs=1e-9)
    assert found.train.total_s == pytest.approx(3.692, abs=1e-9)  # without the lead-in


def test_after_a_cut_a_step_lamp_needs_only_to_be_warm() -> None:
    """And one that steps on without a warm_up of its own: same_train's start."""
    found = planned(ask({"s": (sheet("step", warm_up=None), 2)}, start="cut", **SITE))
    assert found.train.lead_in_s == pytest.approx(0.186, abs=1e-9)


def test_the_dark_itself_brings_home_a_lamp_that_goes_to_its_first_scene() -> None:
    forgetful = sheet("step", after_power_down="first")
    found = planned(ask({"s": (forgetful, 1)}, start="dark"))
    assert (found.train.pulses, found.lamps[0].slack_s) == ((), None)
    plan_of(ask({"s": (forgetful, 3)}, start="dark"), 120, REST_OF_CYCLE, 120, REST_OF_CYCLE)
    plan_of(ask({"s": (forgetful, 1)}, start="rest"), 6500, 150)


def test_the_dark_moves_on_a_lamp_that_goes_to_the_next() -> None:
    moving = sheet("step", reset=None, after_power_down="next")
    assert planned(ask({"s": (moving, 4, 3)}, start="dark")).train.pulses == ()
    plan_of(ask({"s": (moving, 1, 4)}, start="dark"), 120, REST_OF_CYCLE)  # 4, dark: 5, step: 1


# -- two types steered apart ------------------------------------------------------------------------------------

A = sheet(reset=None)
RIDES = sheet(ignored=(0, 0.3), pulse=(0.5, 3.0), same_train=(0.2, 2.5), reset=None)


def test_one_counts_a_break_that_the_other_rides_through() -> None:
    """A on 3 and B on 1, or 2, of one train: every pulse of B's is one of A's, and A has more by itself.

    The short ones may come first (then the rest of the cycle is longer than A's 150 ms of same_train) or
    later (after a break of 0.5 s, 150 ms are enough).
    """
    one_train = ask({"a": (A, 3), "b": (RIDES, 1)})
    found = plan_of(one_train, 120, REST_OF_CYCLE, 500, 150, 120, 3500)
    assert found.train.total_s == pytest.approx(4.603333334, abs=2e-8)
    # B's own gap of 200 ms, then A's of 150 ms.
    plan_of(ask({"a": (A, 3), "b": (RIDES, 2)}), 500, 200, 500, 150, 120, 3500)


def test_breaks_ridden_through_are_supply_to_the_one_that_rides() -> None:
    """B's same_train starts at 0.65 s: A's short break and the supply around it are time on B's clock.

    B has noticed that it is lit before A's first short break: otherwise that and the break before might be one.
    A counts 4 and B 2. The supply B needs between its two pulses holds two of A's: 150 + 120 + the rest of
    that cycle + 120 + the rest of that = 817 ms, all of which B is lit.
    """
    slow = sheet(ignored=(0, 0.3), pulse=(0.5, 3.0), same_train=(0.65, 2.5), reset=None, noticed=(0.15, INF))
    plan_of(ask({"a": (A, 4), "b": (slow, 2)}), 500, 150, 120, REST_OF_CYCLE, 120, REST_OF_CYCLE, 500, 3500)
    # With one of A's between there are 150 + 120 + 380 ms: the last gap waits for B.
    plan_of(ask({"a": (A, 3), "b": (slow, 2)}), 500, 150, 120, 380, 500, 3500)


def test_one_is_left_lost_while_the_other_is_stepped_then_settles_and_is_counted() -> None:
    """What steps C (0.5 s or more) may be a pulse or a power-down to A; only what C rides through is A's.

    C is reset (4 s, a power-down to A, which remembers), warmed (1.2 s) and stepped twice, at 0.5 + 0.4 s;
    A, now on nobody knows what, has 3.5 s to settle, and is counted to 2 in breaks that C does not notice.
    """
    lost = sheet(ignored=(0, 0.05), pulse=(0.12, 0.4), reset=None, power_down=(3.0, INF))
    stepped = sheet(
        "step",
        ignored=(0, 0.3),
        pulse=(0.5, 2.0),
        reset=(4.0, 5.0),
        power_down=(8.0, INF),
        same_train=(0.4, INF),
        warm_up=(1.2, INF),
    )
    found = plan_of(
        ask({"a": (lost, 2), "c": (stepped, 3)}),
        *(4000, 1200, 500, 400, 500, 3500, 120, REST_OF_CYCLE, 120, 3500),
    )
    assert found.train.total_s == pytest.approx(14.053333334, abs=2e-8)


def test_a_reset_of_one_is_a_power_down_to_the_other() -> None:
    """The windows of the demo site's lap pool.

    C's reset 3.2/0.96 + 36 ms, which to A is a power-down (2.8 s) that it remembers through; C's warm_up
    1.2/0.96 + 36 ms; C's step 0.45/0.96 + 36 ms, a pulse to both; A's settling 3.5/0.97 + 36 ms.
    """
    a = sheet(clock_tolerance=0.03, pulse=(0.12, 1.5), reset=None, power_down=(2.8, INF))
    c = sheet(
        "step",
        clock_tolerance=0.04,
        ignored=(0, 0.3),
        pulse=(0.45, 2.0),
        reset=(3.2, 4.5),
        power_down=(8.0, INF),
        same_train=(0.4, INF),
        warm_up=(1.2, INF),
    )
    found = plan_of(ask({"a": (a, 1), "c": (c, 2)}, **SITE), 3369.333334, 1286, 504.75, 3644.247423)
    assert found.lamps[0].tightest == Tightest(2, "on", "settled", 3.5)
    assert found.lamps[1].tightest == Tightest(1, "off", "reset", 3.2)


def test_one_is_set_and_then_overruns_its_table_unmoved() -> None:
    """Twins in their windows, but A has 3 scenes and ignores a count beyond, B counts to 6.

    A is set on 1 (B, too), and when it has settled both count 5: to A too many, so it stays.
    """
    ignores, counts = sheet(scenes=3, overflow="ignored", reset=None), sheet(scenes=6, reset=None)
    fourth = (120, REST_OF_CYCLE) * 4
    plan_of(ask({"a": (ignores, 1), "b": (counts, 5)}), 120, 3500, *fourth, 120, 3500)
    # Where A is known to be on 1, the first count is not needed: overrunning is enough.
    plan_of(ask({"a": (ignores, 1, 1), "b": (counts, 5)}), *fourth, 120, 3500)


def test_two_tables_wrap_until_they_agree() -> None:
    """3 scenes and 4: count 10 is 1 + 3 * 3 and 2 + 2 * 4, the first that is both."""
    three, four = sheet(scenes=3, overflow="wraps", reset=None), sheet(scenes=4, overflow="wraps", reset=None)
    plan_of(ask({"a": (three, 1), "b": (four, 2)}), *(120, REST_OF_CYCLE) * 9, 120, 3500)


def test_one_has_settled_while_the_other_still_counts() -> None:
    """A settles after 1.0 s, B's train goes on to 2.0 s: A's last train has 1 pulse, B's has 3."""
    quick = sheet(same_train=(0.15, 0.8), settled=(1.0, INF), warm_up=None, reset=None)
    slow = sheet(same_train=(0.15, 2.0), settled=(3.0, INF), warm_up=None, reset=None)
    plan_of(ask({"a": (quick, 1), "b": (slow, 3)}), 120, REST_OF_CYCLE, 120, 1000, 120, 3000)


def test_three_types_at_once() -> None:
    """A counts what B and C ride through, B what C rides through: 3, 2 and 1 of one train."""
    rides_more = sheet(ignored=(0, 0.7), pulse=(0.9, 3.0), same_train=(0.2, 2.5), reset=None)
    rides_less = sheet(ignored=(0, 0.3), pulse=(0.5, 3.0), same_train=(0.2, 2.5), reset=None)
    found = planned(ask({"a": (A, 3), "b": (rides_less, 2), "c": (rides_more, 1)}))
    # 0.9 s for all, 0.5 s for A and B, 0.12 s for A alone; B's gap of 200 ms once, A's of 150 ms once.
    assert sorted(p.off_s for p in found.train.pulses) == pytest.approx([0.12, 0.5, 0.9], abs=2e-8)
    assert found.train.total_s == pytest.approx(0.12 + 0.5 + 0.9 + 0.2 + 0.15 + 3.5, abs=2e-8)


# -- limits -----------------------------------------------------------------------------------------------------


def test_of_trains_equally_long_the_one_with_fewest_cycles() -> None:
    """Home to 1 from 3 of 5, one flash a second: three steps of 1 s each, or a reset and supply of 3 s together."""
    ring = sheet("step", pulse=(0.12, 2.0), reset=(2.849_999_99, 4.0), power_down=(6.0, INF))
    plan_of(ask({"s": (ring, 1, 3)}, max_flashes_per_s=1), 2850, 150)
    plan_of(ask({"s": (ring, 1, 4)}, max_flashes_per_s=1), 120, 880, 120, 880)  # two steps are shorter
    longer = sheet("step", pulse=(0.12, 2.0), reset=(2.850_001, 4.0), power_down=(6.0, INF))
    plan_of(ask({"s": (longer, 1, 3)}, max_flashes_per_s=1), 120, 880, 120, 880, 120, 880)


def test_a_slower_flash_limit_stretches_the_cycle() -> None:
    plan_of(ask({"a": (sheet(), 2)}, max_flashes_per_s=2), 120, 380, 120, 3500)
    plan_of(ask({"a": (sheet(), 2)}, max_flashes_per_s=0.6), 120, 1546.666667, 120, 3500)


def test_max_dark_forbids_the_longer_break() -> None:
    """Home in the dark of 5 s, or by a reset of 6.5 s: when neither may be, there is the count."""
    lamp = sheet(after_power_down="first", settled=(9.0, INF))
    plan_of(ask({"a": (lamp, 1)}, max_dark_s=6.501), 6500, 150)
    plan_of(ask({"a": (lamp, 1)}, max_dark_s=6.499), 120, 9000)


def test_supply_between_two_breaks_is_sure_to_be_some() -> None:
    """Two resets of two rings, of 2 s and 6 s, which act whatever the supply: margin and spread between them.

    Here both lamps notice all supply that there is; where they need 0.15 s for that, they get it.
    """
    short = sheet("step", pulse=(0.12, 1.0), reset=(2.0, 3.0), power_down=(5.0, INF), noticed=(0, INF))
    long = sheet("step", ignored=(0, 3.5), pulse=(4.0, 4.5), reset=(6.0, 7.0), noticed=(0, INF))
    slow = {
        name: sheet.model_copy(update={"on": sheet.on.model_copy(update={"noticed": None})})
        for name, sheet in (("a", short), ("b", long))
    }
    found = planned(ask({name: (sheet, 1) for name, sheet in slow.items()}, **SITE))
    assert [p.on_s for p in found.train.pulses] == [0.186, 0.186]
    found = planned(ask({"a": (short, 1), "b": (long, 1)}, **SITE))
    assert sorted(p.off_s for p in found.train.pulses) == [2.036, 6.036]
    assert [p.on_s for p in found.train.pulses] == [0.036, 0.036]


def test_a_longer_break_of_the_same_effect_where_the_cycle_wants_it() -> None:
    """One flash in 10 s, and A's train is over after 2 s of supply: its first pulse lasts 8 s.

    To B, lost in its ring until its reset, that is a power-down; 0.2 to 1 s would leave it as lost.
    """
    patient = sheet(ignored=(0, 0.05), pulse=(0.12, 20.0), reset=None, power_down=(30.0, INF))
    ring = sheet("step", ignored=(0, 0.1), pulse=(0.2, 1.0), reset=(2.0, 3.0), power_down=(8.0, INF))
    plan_of(
        ask({"a": (patient, 2), "b": (ring, 1)}, max_flashes_per_s=0.1),
        *(8000, 2000, 2000, 8000),
    )


@pytest.mark.parametrize(
    ("wish", "limits", "last_on_ms"),
    [
        # Until the count is certainly taken.
        ((sheet(), 1), {}, 3500),
        ((sheet(clock_tolerance=0.03), 1), SITE, 3644.247423),
        # A step is shown at once: what the flash limit leaves of its cycle.
        ((sheet("step"), 2, 1), {}, REST_OF_CYCLE),
        ((sheet("step"), 2, 1), {"max_flashes_per_s": 1}, 880),
    ],
)
def test_the_last_supply_lasts_until_every_lamp_is_certain(
    wish: Wish, limits: dict[str, Any], last_on_ms: float
) -> None:
    found = planned(ask({"a": wish}, **limits))
    assert lengths_ns(found.train)[-1] == pytest.approx(last_on_ms * 1e6, abs=2)


def test_the_last_supply_is_sure_to_have_begun() -> None:
    """A contact that closes late by all of its spread has closed when the train ends, with the margin."""
    found = planned(ask({"s": (sheet("step", noticed=(0, INF)), 1)}, **SITE))
    assert lengths_ns(found.train) == [6_536_000_000, 36_000_000]


def test_the_last_supply_is_certainly_noticed() -> None:
    """By a lamp whose clock is slow: 0.4 s / 0.97, margin and spread."""
    slow = sheet("step", noticed=(0.4, INF), clock_tolerance=0.03)
    found = planned(ask({"s": (slow, 1)}, **SITE))
    assert lengths_ns(found.train)[-1] == 448_371_135


def test_supply_between_a_reset_and_a_power_down_is_noticed() -> None:
    """The train that was found: a reset of 5.3 s, 40 ms, a power-down of 12.7 s, for lamps that wake in 0.15 s.

    Together they are 18 s of darkness, to A a power-down, after which it is on the scene that it remembers.
    """
    a = sheet("step", pulse=(0.12, 3.0), reset=(5.0, 6.0), power_down=(8.0, INF))
    b = sheet("step", reset=None, after_power_down="first", power_down=(12.6, INF))
    asked = ask({"a": (a, 1), "b": (b, 1)}, **SITE)
    assert prove(asked._replace(lamps=asked.lamps[:1]), train(5.3, 0.04, 12.7, 1.0)) is None
    assert prove(asked._replace(lamps=asked.lamps[:1]), train(5.3, 0.186, 12.7, 1.0)) is not None
    found = planned(asked)
    assert lengths_ns(found.train) == [5_036_000_000, 186_000_000, 12_636_000_000, 186_000_000]
    assert found.proved


@pytest.mark.parametrize(("start", "lead_in_s"), [("rest", 0.0), ("dark", 0.036), ("cut", 3.536)])
def test_a_lead_in_is_supply_even_to_a_lamp_that_needs_none(start: str, lead_in_s: float) -> None:
    lamp = sheet(warm_up=(0, INF), noticed=(0, INF))
    found = planned(ask({"a": (lamp, 2)}, start=start, **SITE))
    assert found.train.lead_in_s == lead_in_s
    if start != "rest":
        short = Train(found.train.pulses, lead_in_s - 0.001)
        assert prove(ask({"a": (lamp, 2)}, start=start, **SITE), short) is None


@pytest.mark.parametrize(("start", "kind"), [("dark", "count"), ("dark", "step"), ("cut", "step")])
def test_a_lead_in_is_certainly_noticed(start: str, kind: str) -> None:
    """Found: with warm_up from 0 a lead-in of 0. 0.15 s, or what the datasheet says, margin and spread."""
    for changes, lead_in_s in (({}, 0.186), ({"noticed": (0.5, INF)}, 0.536)):
        lamp = sheet(kind, warm_up=(0, INF), after_power_down="first", **changes)
        assert planned(ask({"a": (lamp, 2)}, start=start, **SITE)).train.lead_in_s == lead_in_s
