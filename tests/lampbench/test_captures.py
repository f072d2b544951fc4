"""``judge`` says yes only if every lamp certainly ends on the wanted scene by all that the contact did in the capture.

A table of captures, good and bad, and drawn ones. What the lamps really do is told by the simulated lamp, which shares
no code with the automaton that ``judge`` follows.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from random import Random
from typing import Any, NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.bench.capture import Wave
from sequencer.bench.contact import ContactJudgement, judge_contact
from sequencer.datasheet import Datasheet
from sequencer.planner import LampRequest, Plan, PlanRequest, plan
from sequencer.planner.plan import lead_in_s
from sequencer.sim.lamp import SimLamp
from sequencer.sim.nature import Nature
from sequencer.train import Delays

Changes = list[tuple[float, bool]]
START = 10.0
END = 60.0


def sheet(
    selects_by: str, off: dict[str, Any], on: dict[str, Any], scenes: int = 5, **lamp: Any
) -> Datasheet:
    lamp = {"after_power_down": "remembered", "clock_tolerance": 0.02, **lamp}
    raw = {
        "lamp": {"name": selects_by, "selects_by": selects_by, **lamp},
        "off": {"power_down": (10.0, math.inf), **off},
        "on": on,
        "scene": [{"code": code, "name": f"scene {code}"} for code in range(1, scenes + 1)],
    }
    return Datasheet.model_validate(raw)


COUNT = sheet(
    "count",
    {"ignored": (0, 0.02), "pulse": (0.12, 3.0)},
    {"same_train": (0.15, 2.0), "settled": (3.5, math.inf), "warm_up": (1.0, math.inf)},
)
TOUCHY = sheet(  # notices a break of 5 ms for certain
    "count",
    {"ignored": (0, 0.002), "pulse": (0.005, 1.0), "reset": (4.0, 5.0)},
    {"same_train": (0.15, 2.0), "settled": (3.5, math.inf)},
    overflow="ignored",
)
STEP = sheet(
    "step",
    {"ignored": (0, 0.05), "pulse": (0.2, 2.5), "reset": (4.0, 6.0)},
    {"same_train": (0.3, math.inf), "warm_up": (0.8, math.inf)},
)


class Case(NamedTuple):
    """A plan and what it is for."""

    request: PlanRequest
    found: Plan

    @property
    def slack_s(self) -> float:
        return min(lamp.slack_s for lamp in self.found.lamps if lamp.slack_s is not None)

    @property
    def perfect(self) -> Changes:
        changes: Changes = []
        at = START
        for pulse in self.found.train.pulses:
            changes += [(at, False), (at + pulse.off_s, True)]
            at += pulse.off_s + pulse.on_s
        return changes

    @property
    def over_s(self) -> float:
        """When the last supply is over."""
        return START + self.found.train.total_s

    def judged(self, changes: Changes, **wave: Any) -> ContactJudgement:
        given = {"first": True, "end_s": END, **wave}
        found = Wave(
            "contact",
            given.pop("first"),
            tuple(sorted(changes, key=lambda c: c[0])),
            given.pop("end_s"),
            **given,
        )
        train = self.found.train
        return judge_contact(found, train.pulses, self.slack_s, None, self.request, train.lead_in_s)


def case(*wanted: tuple[Datasheet, int], known: int | None = None, start: Any = "rest") -> Case:
    lamps = tuple(
        LampRequest(f"lamp {n}", f"type {n}", each, code, known) for n, (each, code) in enumerate(wanted)
    )
    request = PlanRequest(lamps, Delays(), start=start)
    found = plan(request)
    assert isinstance(found, Plan)
    assert found.train.pulses
    return Case(request, found)


CASES = {
    "count 3": case((COUNT, 3)),
    "count 1": case((COUNT, 1)),
    "touchy 2": case((TOUCHY, 2)),
    "step 2": case((STEP, 2)),
    "step 3, from 1": case((STEP, 3), known=1),
    "both": case((COUNT, 2), (STEP, 2)),
    "from dark": case((COUNT, 2), start="dark"),
    "after a cut": case((COUNT, 4), start="cut"),
}


# -- what really happens ---------------------------------------------------------------------------------


def ends_on(
    each: Datasheet, nature: Nature, scene: int, changes: Changes, end_s: float, at: float = 0.0
) -> tuple[int, int]:
    """The scene a simulated lamp is on at the end, and its pending count; it is at rest when the capture begins."""
    lamp = SimLamp(each, nature, scene=scene, at=at, supplied_for=1e6)
    for moment, closed in changes:
        lamp.supply(closed, moment)
    return lamp.remembered(end_s), lamp.pending(end_s)


def strays(one: Case, changes: Changes, end_s: float = END, seed: int = 0, natures: int = 24) -> bool:
    """Whether some lamp that the datasheets allow ends elsewhere than the plan wants."""
    rng = Random(seed)
    drawn = [Nature.corner(rng) for _ in range(natures // 2)] + [
        Nature.contrary(rng) for _ in range(natures // 2)
    ]
    for lamp in one.request.lamps:
        scenes = [s.code for s in lamp.datasheet.scenes] if lamp.known is None else [lamp.known]
        for nature in drawn:
            for scene in scenes:
                if ends_on(lamp.datasheet, nature, scene, changes, end_s) != (lamp.wanted, 0):
                    return True
    return not (not changes or changes[-1][1])


# -- the table -------------------------------------------------------------------------------------------


def with_break(changes: Changes, at: float, off_s: float) -> Changes:
    return sorted([*changes, (at, False), (at + off_s, True)])


def moved(changes: Changes, by: Callable[[int], float]) -> Changes:
    return [(at + by(i), level) for i, (at, level) in enumerate(changes)]


def good_captures(one: Case) -> Iterator[tuple[str, Changes, dict[str, Any]]]:
    base, s = one.perfect, one.slack_s
    yield "perfect", base, {}
    yield "inverted", [(at, not level) for at, level in base], {"first": False}
    yield "every second edge late", moved(base, lambda i: 0.45 * s * (i % 2)), {}
    yield "breaks shorter", moved(base, lambda i: -0.45 * s * (i % 2)), {}
    yield "closings bounce", sorted(c for at, level in base for c in bounced(at, level)), {}
    yield "spikes on the probe", with_break(with_break(base, 3.0, 0.0004), one.over_s + 2, 0.0002), {}
    yield "x before the first level", base, {"from_s": 0.7}
    yield "edges of 3 ms that are neither", base, {"unsure": tuple((at - 0.003, at) for at, _ in base)}
    yield "ends when the train is over", base, {"end_s": one.over_s}
    if one.request.start == "rest":
        yield "begins just before the train", base, {"from_s": START - 0.01}
    if one.request.lamps[0].known is None:
        yield "it begins with the contact open, long before", [(1.0, True), *base], {"first": False}


def bad_captures(one: Case) -> Iterator[tuple[str, Changes, dict[str, Any]]]:
    base = one.perfect
    first, second, over = base[0][0], base[1][0], one.over_s
    last = base[-1][0]
    off_s = second - first
    yield "a glitch of 6 ms before", with_break(base, first - 2, 0.006), {}
    yield "a glitch of 6 ms in the last supply", with_break(base, last + 0.5, 0.006), {}
    yield "a glitch of 6 ms after", with_break(base, over + 3, 0.006), {}
    inside = first + off_s / 2
    closed = [(inside, True), (inside + 0.006, False)]
    yield "a closing of 6 ms in a break", sorted([*base, *closed]), {}
    yield "the last break is missing", base[:-2], {}
    yield "the first break is missing", base[2:], {}
    yield "the last supply is cut short", with_break(base, last + 0.4, off_s), {}
    if over - last > 1:
        yield "it ends in the last supply", base, {"end_s": last + 0.3}
        yield "x over most of the last supply", base, {"unsure": ((last + 0.2, over - 0.2),)}
    yield "the contact stays open", base[:-1], {}
    yield "nothing moved", [], {}
    yield "it begins in the first break", base[1:], {"first": False}
    yield "x after the train", base, {"unsure": ((over + 1, over + 3),)}
    yield "x to the end", base, {"unsure": ((over + 1, END),)}
    yield "x over most of a break", base, {"unsure": ((first + 0.1 * off_s, second - 0.1 * off_s),)}
    yield "x for a second before", base, {"unsure": ((first - 1.5, first - 0.5),)}
    yield "an edge that takes a second", base, {"unsure": ((first - 1.0, first),)}
    yield "a break twice as long", [base[0], *moved(base[1:], lambda _: off_s)], {}
    if off_s / 2 > one.slack_s:
        yield "a break half as long", [base[0], *moved(base[1:], lambda _: -off_s / 2)], {}
    yield "chatter for a second", sorted([*base, *chatter(over + 2, 1.0)]), {}
    yield "chatter of 200 ms in closing", [*base[:-1], *chatter(last, 0.2), (last + 0.2, True)], {}
    more = one.request.lamps[0].wanted + 1
    yield "breaks of another scene after it", with_breaks(base, over + 4, more), {}
    if off_s < 4:  # a reset forgets what was before it
        yield "the contact opens just before", [(first - 0.4, True), *base], {"first": False}
        yield "four breaks just before", with_breaks(base, first - 4.2, 4), {}


def with_breaks(changes: Changes, at: float, many: int) -> Changes:
    for k in range(many):
        changes = with_break(changes, at + k, 0.4)
    return changes


def bounced(at: float, level: bool) -> Changes:
    if not level:
        return [(at, level)]
    return [(at - 0.003, True), (at - 0.002, False), (at - 0.001, True), (at - 0.0005, False), (at, True)]


def chatter(at: float, seconds: float) -> Changes:
    return [(at + 0.003 * k, k % 2 == 1) for k in range(2 * int(seconds / 0.006))]


Captures = Callable[[Case], Iterator[tuple[str, Changes, dict[str, Any]]]]


def rows(captures: Captures) -> list[Any]:
    return [
        pytest.param(name, changes, wave, id=f"{name}: {what}")
        for name, one in CASES.items()
        for what, changes, wave in captures(one)
    ]


@pytest.mark.parametrize(("name", "changes", "wave"), rows(good_captures))
def test_good(name: str, changes: Changes, wave: dict[str, Any]) -> None:
    found = CASES[name].judged(changes, **wave)
    assert found.reasons == ()
    assert all(lamp.certain for lamp in found.lamps)
    assert [lamp.may_show for lamp in found.lamps] == [(lamp.wanted,) for lamp in found.lamps]


@pytest.mark.parametrize(("name", "changes", "wave"), rows(bad_captures))
def test_bad(name: str, changes: Changes, wave: dict[str, Any]) -> None:
    assert CASES[name].judged(changes, **wave).spoiled


@pytest.mark.parametrize("name", ["count 3", "touchy 2", "after a cut"])
@pytest.mark.parametrize("way", ["before", "after", "drop-out", "drop-out 1 s before"])
def test_one_break_too_many_near_the_train(name: str, way: str) -> None:
    """An identical break with the same supply, before or after; a drop-out of 300 ms just before."""
    one = CASES[name]
    base, pulse = one.perfect, one.found.train.pulses[0]
    on_s = 0.5
    changes = {
        "before": with_break(base, START - pulse.off_s - on_s, pulse.off_s),
        "after": with_break(base, one.over_s, pulse.off_s),
        "drop-out": with_break(base, START - 0.55, 0.3),
        "drop-out 1 s before": with_break(base, START - 1.4, 0.3),
    }[way]
    found = one.judged(changes)
    assert found.spoiled or not strays(one, changes)
    assert found.spoiled


def test_the_right_train_after_a_bad_one_and_before_one() -> None:
    one = CASES["count 3"]
    other = CASES["count 1"].perfect
    after = [(at + 20, level) for at, level in other]
    before = [(at - 8, level) for at, level in other]
    assert [lamp.may_show for lamp in one.judged(one.perfect + after).lamps] == [("scene 1",)]
    assert one.judged(one.perfect + after).reasons == ('lamp 0 ends on "scene 1", not on "scene 3"',)
    assert one.judged(before + one.perfect).reasons == ()
    again = [(at + 20, level) for at, level in one.perfect]
    assert one.judged(one.perfect + again).reasons == ()


def test_a_lead_in_that_was_not_captured() -> None:
    one = CASES["from dark"]
    wants = one.found.train.lead_in_s
    assert one.judged(one.perfect, from_s=START - wants - 0.01).reasons == ()
    assert one.judged(one.perfect, from_s=START - wants / 2).spoiled
    opened_first = [(START - wants - 0.01, True), *one.perfect]
    assert one.judged(opened_first, first=False).reasons == ()


def test_an_unknown_level_is_forgiven_after_a_lead_in_only_by_the_lamps() -> None:
    """The lamps are known again; that nobody knows what the contact did still spoils the capture."""
    one = CASES["count 3"]
    wants = lead_in_s(one.request._replace(start="cut"))
    known = one.judged(one.perfect, unsure=((1.0, START - wants - 0.1),))
    lost = one.judged(one.perfect, unsure=((1.0, START - wants + 0.1),))
    assert (known.spoiled, known.lamps[0].certain) == (True, True)
    assert (lost.spoiled, lost.lamps[0].certain) == (True, False)


# -- on AC -----------------------------------------------------------------------------------------------


def chopped(changes: Changes, hz: float, duty: float, end_s: float = END, phase: float = 0.3) -> Changes:
    """What a probe on AC sees of a contact: closed for ``duty`` of each period while the contact is."""
    closed, seen = True, []
    edges = [*changes, (end_s, False)]
    lit: list[tuple[float, float]] = []
    since = 0.0
    for at, to in edges:
        if closed and not to:
            lit.append((since, at))
        if to:
            since = at
        closed = to
    period = 1 / hz
    for start, stop in lit:
        k = math.floor((start - phase) / period) - 1
        while (begin := phase + k * period) < stop:
            a, b = max(begin, start), min(begin + duty * period, stop)
            if b - a > 1e-5:
                seen += [(a, True), (b, False)]
            k += 1
    return seen


AC = [
    (100, 0.7),
    (120, 0.7),
    (100, 0.4),
    (120, 0.9),
    (50, 0.5),
    (60, 0.5),
    (60, 0.35),
    (100.4, 0.6),
    (119.2, 0.5),
]


@pytest.mark.parametrize("inverted", [False, True])
@pytest.mark.parametrize(("hz", "duty"), AC)
@pytest.mark.parametrize("name", ["count 3", "step 2", "both"])
def test_a_contact_on_ac(name: str, hz: float, duty: float, inverted: bool) -> None:
    one = CASES[name]
    seen = chopped(one.perfect, hz, duty)
    if inverted:
        seen = [(at, not level) for at, level in seen]
    found = one.judged(seen, first=inverted)
    assert found.reasons == ()
    assert found.chopping is not None
    assert 1 / found.chopping.period_s == pytest.approx(hz, rel=0.01)
    assert len(found.edges) == 2 * len(one.found.train.pulses)
    # sampled at 1 kHz it is still the same
    coarse = [(round(at, 3), level) for at, level in seen]
    assert one.judged(coarse, first=inverted).reasons == ()


@pytest.mark.parametrize(("hz", "duty"), AC)
def test_bad_captures_on_ac(hz: float, duty: float) -> None:
    one = CASES["count 3"]
    base, over = one.perfect, one.over_s
    bad = {
        "one too many": with_break(base, over + 1, 0.3),
        "just before": with_break(base, START - 0.55, 0.3),
        "missing": base[:-2],
        "longer": [*base[:-1], (base[-1][0] + 4.0, True)],
        "three cycles": with_break(base, over - 1, 0.06),
    }
    for what, changes in bad.items():
        found = one.judged(chopped(changes, hz, duty), first=False)
        assert found.spoiled, what
        assert found.chopping is not None


def test_dc_is_not_taken_for_ac() -> None:
    for one in CASES.values():
        assert one.judged(one.perfect).chopping is None


# -- words -----------------------------------------------------------------------------------------------


def test_another_plan_is_said_in_plain_words() -> None:
    found = CASES["count 3"].judged(CASES["step 2"].perfect)
    many = len(CASES["step 2"].found.train.pulses)
    assert found.reasons[0].startswith(
        f"this capture does not look like this plan: {many} breaks captured, 3 planned"
        if many != 1
        else "this capture does not look like this plan: 1 break captured, 3 planned"
    )
    assert not any("slack is" in reason for reason in found.reasons)


def test_a_plan_without_its_lamps_proves_its_own_train_only() -> None:
    one = CASES["count 3"]
    pulses = one.found.train.pulses

    def judged(changes: Changes, **wave: Any) -> ContactJudgement:
        given = Wave("c", True, tuple(changes), END, **wave)
        return judge_contact(given, pulses, one.slack_s)

    assert judged(one.perfect).reasons == ()
    assert judged(with_break(one.perfect, 2.0, 0.3)).spoiled
    assert judged(with_break(one.perfect, 40.0, 0.3)).spoiled
    late = moved(one.perfect, lambda i: 0.7 * one.slack_s * (i // 2))
    assert "against each other" in judged(late).reasons[0]


# -- drawn -----------------------------------------------------------------------------------------------


@settings(deadline=None, max_examples=150)
@given(st.sampled_from(sorted(CASES)), st.data())
def test_jitter_within_the_slack_passes(name: str, data: st.DataObject) -> None:
    one = CASES[name]
    room = 0.45 * one.slack_s
    edges = 2 * len(one.found.train.pulses)
    by = data.draw(st.lists(st.floats(-room, room), min_size=edges, max_size=edges))
    end_s = data.draw(st.floats(one.over_s + room, END))
    assert one.judged(moved(one.perfect, lambda i: by[i]), end_s=end_s).reasons == ()


LENGTHS = st.one_of(st.floats(0.0015, 0.03), st.floats(0.03, 0.7), st.floats(0.7, 12.0))


@settings(deadline=None, max_examples=600)
@given(st.sampled_from([n for n, one in CASES.items() if one.request.start == "rest"]), st.data())
def test_no_capture_passes_after_which_some_lamp_is_elsewhere(name: str, data: st.DataObject) -> None:
    one = CASES[name]
    changes = list(one.perfect)
    for _ in range(data.draw(st.integers(1, 3))):
        what = data.draw(st.sampled_from(("break", "closing", "edge", "cut", "scale")))
        if what in ("break", "closing"):
            at, off_s = data.draw(st.floats(0.5, END - 13)), data.draw(LENGTHS)
            changes = overlaid(changes, at, at + off_s, closed=what == "closing")
        elif what == "edge" and changes:
            k = data.draw(st.integers(0, len(changes) - 1))
            by = data.draw(st.floats(-0.6, 0.6))
            changes = ordered(moved(changes, lambda i, k=k, by=by: by if i == k else 0.0))  # type: ignore[misc]
        elif what == "scale":
            by = data.draw(st.floats(0.5, 2.0))
            changes = [(START + (at - START) * by, level) for at, level in changes]
        elif len(changes) > 1:
            k = data.draw(st.integers(0, len(changes) // 2 - 1))
            del changes[2 * k : 2 * k + 2]
    changes = [c for c in changes if 0.2 < c[0] < END]
    found = one.judged(changes)
    if not found.spoiled:
        assert not strays(one, changes, seed=data.draw(st.integers(0, 99)), natures=12)
    for heard, lamp in zip(found.lamps, one.request.lamps, strict=True):
        if heard.certain:
            alone = one._replace(request=one.request._replace(lamps=(lamp,)))
            assert not strays(alone, changes, seed=data.draw(st.integers(0, 99)), natures=12)


def overlaid(changes: Changes, start: float, stop: float, *, closed: bool) -> Changes:
    """The contact held at one level from start to stop, and as it was around it."""

    def level(at: float) -> bool:
        return next((to for moment, to in reversed(changes) if moment <= at), True)

    kept = [(at, to) for at, to in changes if not start <= at <= stop]
    return ordered(sorted([*kept, (start, closed), (stop, level(stop))]))


def ordered(changes: Changes) -> Changes:
    """In order of time, without changes to the level it has."""
    found: Changes = []
    for at, level in sorted(changes):
        if level != (found[-1][1] if found else True):
            found.append((at, level))
    return found
