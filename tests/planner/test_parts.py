"""The search's parts, each against something plainer: zones, pieces of lengths, condensed beliefs."""

from __future__ import annotations

from itertools import pairwise, product
from typing import NamedTuple

import pytest
from hypothesis import assume, event, given, settings
from hypothesis import strategies as st

from sequencer.automaton.behaviour import ANY_SCENE, LONG_LIT, SOME_COUNT, Behaviour, State, behaviour
from sequencer.automaton.guards import Effect
from sequencer.datasheet import Datasheet
from sequencer.planner.belief import NEW, SETTLED_AGE, LampType, Move, Needs
from sequencer.planner.breaks import IGNORED, break_kinds, worth_making
from sequencer.planner.covering import Admitted, Moment
from sequencer.planner.intervals import Piece, pieces
from sequencer.planner.zone import (
    AT_REST,
    CLOSED,
    FREE,
    OLDER,
    OPENED,
    START,
    Zone,
    advance,
    within,
    without,
)
from sequencer.units import FOREVER_NS
from tests.automaton.sheets import INF, sheet, sheets

# -- zones -----------------------------------------------------------------------------------------

NO_LEAST = float("-inf")


def closure(least: list[list[float]]) -> list[list[float]]:
    """Floyd and Warshall (1962): the greatest least differences that follow from those given."""
    n = len(least)
    for k, i, j in product(range(n), repeat=3):
        least[i][j] = max(least[i][j], least[i][k] + least[k][j])
    return least


def plain(zone: Zone) -> list[list[float]]:
    return [[NO_LEAST if x <= FREE // 2 else x for x in row] for row in zone]


class Step(NamedTuple):
    """One more break as :func:`advance` is given it."""

    after: list[tuple[int, int]]
    before: list[tuple[int, int]]
    off: tuple[int, int]
    keep: list[int]


def advanced_plainly(zone: Zone, step: Step) -> list[list[float]] | None:
    """All old points, an opening and a closing, their bounds, and the closure; None if nothing is possible."""
    n = len(zone)
    opened, closed = n, n + 1
    least = [[*row, NO_LEAST, NO_LEAST] for row in plain(zone)]
    least += [[NO_LEAST] * (n + 2) for _ in range(2)]
    for i in range(n + 2):
        least[i][i] = max(least[i][i], 0)
    for p, by in step.after:
        least[opened][p] = max(least[opened][p], by)
    for p, by in step.before:
        least[p][opened] = max(least[p][opened], -by)
    least[closed][opened], least[opened][closed] = step.off[0], -step.off[1]
    least = closure(least)
    if any(least[i][i] > 0 for i in range(n + 2)):
        return None
    points = [START, opened, closed, *step.keep]
    return [[least[i][j] for j in points] for i in points]


@st.composite
def trains_of_steps(draw: st.DrawFn) -> list[Step]:
    """Breaks as a search makes them: each after the latest edges, bound to older closings as it likes."""
    steps = []
    points = 3
    length = st.integers(0, 30)
    for _ in range(draw(st.integers(1, 6))):
        old = list(range(CLOSED, points))
        after = [(START, 0), (OPENED, draw(length)), (CLOSED, draw(length))]
        after += draw(st.lists(st.tuples(st.sampled_from(old), length), max_size=2))
        before = draw(st.lists(st.tuples(st.sampled_from(old), st.integers(0, 120)), max_size=2))
        off = sorted(draw(st.tuples(length, length)))
        keep = sorted(draw(st.sets(st.sampled_from(old))))
        steps.append(Step(after, before, (off[0], off[1]), keep))
        points = OLDER + len(keep)
    return steps


@settings(max_examples=150)
@given(steps=trains_of_steps())
def test_a_zone_is_closed_as_floyd_and_warshall_close_it(steps: list[Step]) -> None:
    zone: Zone = AT_REST
    for step in steps:
        expected = advanced_plainly(zone, step)
        assume(expected is not None)
        zone = advance(zone, step.after, step.before, step.off, step.keep)
        assert plain(zone) == expected
        event(f"{len(zone)} points")


def test_a_zone_by_hand() -> None:
    """Two breaks of 5 to 8 and of 10; the second opens 20 after the first closing, and 30 after its opening."""
    first = advance(AT_REST, [(START, 0)], [], (5, 8), [])
    assert plain(first) == [[0, NO_LEAST, NO_LEAST], [0, 0, -8], [5, 5, 0]]
    second = advance(first, [(START, 0), (CLOSED, 20), (OPENED, 30)], [], (10, 10), [CLOSED])
    assert [row[START] for row in second] == [0, 30, 40, 5]
    assert second[CLOSED][OLDER] == 32  # 30 from opening to opening, less a first break of 8, and 10
    # At most 22 after the first closing: then the first break is no shorter than 30 - 22.
    bound = advance(first, [(START, 0), (CLOSED, 20), (OPENED, 30)], [(CLOSED, 22)], (10, 10), [CLOSED])
    assert [row[START] for row in bound] == [0, 30, 40, 8]
    assert bound[OLDER][OPENED] == -22


def test_forgetting_points_and_holding_more() -> None:
    zone: Zone = ((0, FREE, FREE, FREE), (9, 0, -4, 3), (12, 3, 0, 7), (2, -8, -12, 0))
    assert without(zone, [START, OPENED, CLOSED]) == ((0, FREE, FREE), (9, 0, -4), (12, 3, 0))
    assert without(zone, [START, OLDER]) == ((0, FREE), (2, 0))
    later: Zone = ((0, FREE, FREE), (10, 0, -4), (13, 3, 0))
    narrower: Zone = ((0, FREE, FREE), (9, 0, -3), (12, 3, 0))
    wide = without(zone, [START, OPENED, CLOSED])
    assert within(wide, wide)
    assert within(later, wide)
    assert within(narrower, wide)
    assert not within(wide, later)
    assert not within(wide, narrower)


# -- pieces --------------------------------------------------------------------------------------------


@given(
    windows=st.lists(st.tuples(st.integers(0, 40), st.integers(0, 12)), min_size=1, max_size=4),
    end=st.integers(1, 50),
)
def test_pieces_cover_every_length_with_no_less_than_its_reading(
    windows: list[tuple[int, int]], end: int
) -> None:
    """Windows ``[first, first + width]``: a length within is surely in it, one outside may be or not."""
    spans = [(first, first + width) for first, width in windows]
    cuts = [cut for span in spans for cut in span]

    def read(length: int) -> frozenset[tuple[int, bool]]:
        """What may be true of this length: of each window, in it, or in or out of it."""
        return frozenset(
            (i, sure)
            for i, (a, b) in enumerate(spans)
            for sure in ([True] if a <= length <= b else [True, False])
        )

    found = pieces(cuts, end, read)
    for piece in found:
        assert all(read(length) <= piece.value for length in range(piece.first, piece.last + 1))
    for length in range(1, end + 1):
        # As certain as the length itself is, somewhere: or no train could use it.
        assert any(p.first <= length <= p.last and p.value == read(length) for p in found)
    assert [p.first for p in found] == sorted(p.first for p in found)


def test_pieces_by_hand() -> None:
    def within_5_to_7(length: int) -> str:
        return "in" if 5 <= length <= 7 else "out"

    assert pieces([5, 7], 20, within_5_to_7) == [Piece(0, 5, "out"), Piece(5, 7, "in"), Piece(7, 20, "out")]
    assert pieces([5, 7], 7, within_5_to_7) == [Piece(0, 5, "out"), Piece(5, 7, "in")]
    assert pieces([5, 7], 5, within_5_to_7) == [Piece(0, 5, "out"), Piece(5, 5, "in")]
    assert pieces([], 20, lambda _: "same") == [Piece(0, 20, "same")]
    assert pieces([0, 20, 30], 20, lambda _: "same") == [Piece(0, 20, "same")]  # cuts at or past the ends


def test_the_kinds_of_break_for_two_types() -> None:
    one, other = behaviour(sheet(reset=None), 0.0), behaviour(sheet(ignored=(0, 0.3), pulse=(0.5, 2.0)), 0.0)
    ms = 1_000_000
    assert [(k.first_ns / ms, k.last_ns / ms, k.effects) for k in break_kinds([one, other], 2500 * ms)] == [
        (20, 120, (("ignored", "pulse"), ("ignored",))),
        (120, 300, (("pulse",), ("ignored",))),
        (300, 500, (("pulse",), ("ignored", "pulse"))),
        (500, 2000, (("pulse",), ("pulse",))),
        (2000, 2500, (("pulse",), ("pulse", "reset"))),
    ]
    # A window that margin has left a single length, and one that starts at the longest break allowed.
    narrow = behaviour(sheet(pulse=(0.12, 0.192), reset=None, power_down=(2.464, INF)), 0.036)
    assert [(k.first_ns / ms, k.last_ns / ms, k.effects[0]) for k in break_kinds([narrow], 2500 * ms)] == [
        (0, 156, ("ignored", "pulse")),
        (156, 156, ("pulse",)),
        (156, 2500, ("pulse", "power_down")),
        (2500, 2500, ("power_down",)),
    ]


def test_kinds_that_no_best_train_needs_are_not_made() -> None:
    ms = 1_000_000
    one, other = behaviour(sheet(reset=None), 0.0), behaviour(sheet(ignored=(0, 0.3), pulse=(0.5, 2.0)), 0.0)
    kinds = break_kinds([one, other], 2500 * ms)
    # The first may pass both unnoticed; the last may be a pulse to both, as the one before is for certain,
    assert worth_making(kinds, 2000 * ms) == kinds[1:-1]
    assert worth_making(kinds, 2001 * ms) == kinds[1:]  # unless the flash limit has to be waited for.
    assert worth_making([kinds[3]] * 2, 0) == [kinds[3]]
    assert worth_making([kinds[1]] * 2, 0) == [kinds[1]] * 2  # to a lamp that rides through, longer is more


# -- condensed beliefs ---------------------------------------------------------------------------------

Held = tuple[State, int | None]  # a state and when its supply clock was set to 0; None: long ago


def explicit(
    lamp: Behaviour, belief: set[Held], opened: int, closed: int, effects: tuple[Effect, ...]
) -> set[Held]:
    """Every state after a break, spelt out: no scene, count or clock is joined with another."""
    after: set[Held] = set()
    for state, since in belief:
        supply = LONG_LIT if since is None else lamp.supply(opened - since)
        for effect in effects:
            if effect == "ignored":
                after.add((state, since))
            else:
                sure = len(effects) == 1
                after |= {(s, closed) for s in lamp.notice(state, effect, supply, sure=sure)}
    return after


def settled(lamp: Behaviour, belief: set[Held], now: int) -> set[Held]:
    """With the counts taken that are certainly over by now."""
    return {
        (s, since)
        for state, since in belief
        for s in (lamp.settle(state) if since is None or lamp.supply(now - since).over == "yes" else (state,))
    }


class Condensed:
    """A lamp type's condensed belief with its clocks in numbers, walked by the moves it offers."""

    def __init__(self, kind: LampType) -> None:
        self.kind = kind
        self.number = kind.resting_on(kind.behaviour.codes)
        self.since: tuple[int, ...] = ()  # by age

    def over(self, opened: int, closed: int, effects: tuple[Effect, ...]) -> None:
        if effects == IGNORED:
            return
        move = self._move(opened, effects)
        self.since = tuple(closed if age == NEW else self.since[age] for age in move.left)
        self.number = move.belief

    def _move(self, opened: int, effects: tuple[Effect, ...]) -> Move:
        """Of the moves that fit the supply there was, any will do; the last is the one with the longest."""
        had = [opened - at for at in self.since]
        fits = [
            move
            for move in self.kind.moves(self.number, effects)
            if all(a <= h <= b for h, a, b in zip(had, move.least_ns, move.most_ns, strict=True))
        ]
        assert fits, "no move for a supply that can be"
        return fits[-1]

    def age(self, now: int) -> None:
        """As the search does when a break has been ridden through."""
        self.number, left = self.kind.aged(self.number, tuple(now - at for at in self.since))
        self.since = tuple(self.since[age] for age in left)

    def holds(self, state: State, since: int | None, now: int) -> bool:
        """Whether some element may do all that this state may do."""
        lamp = self.kind.behaviour
        elements = {
            (state, None if age == SETTLED_AGE else self.since[age])
            for age, state in self.kind.beliefs[self.number]
        }
        if state.pending and since is not None and self._ends_as_well(state, since):
            return True
        for element, at in settled(lamp, elements, now):
            if element.scene not in (ANY_SCENE, state.scene):
                continue
            # What has had less supply has more choice, but for a count: its train ends.
            no_newer = since is None or (at is not None and since <= at) or self._warm(at, now)
            more_demanding = element.resting or not state.resting
            if (
                (not lamp.counts and element.scene == ANY_SCENE)
                or (element.pending == SOME_COUNT and (since is None or since <= (at or 0)))
                or (element.pending == state.pending == 0 and no_newer and more_demanding)
                or (element.pending == state.pending and at == since)
            ):
                return True
        return False

    def _ends_as_well(self, state: State, since: int) -> bool:
        """Whether the counts pending since the same break may go as wrong as this one, after any number of pulses."""
        lamp, wanted = self.kind.behaviour, self.kind.wanted
        pending = [
            s
            for age, s in self.kind.beliefs[self.number]
            if s.pending and age != SETTLED_AGE and self.since[age] == since
        ]

        def ends_well(s: State, pulses: int) -> bool:
            for _ in range(pulses):
                s = s._replace(pending=lamp.one_more(s.pending))
            return all(after.scene == wanted for after in lamp.settle(s))

        after_any = range(lamp.codes[-1] + 2)
        worse = all(ends_well(state, k) for k in after_any if all(ends_well(s, k) for s in pending))
        return (
            bool(pending)
            and worse
            and (state.scene == wanted or any(s.scene != wanted for s in pending) or len(lamp.codes) == 1)
        )

    def _warm(self, at: int | None, now: int) -> bool:
        return at is None or now - at >= max(self.kind.warm_ns, self.kind.continues_ns)


LENGTH = st.integers(0, 60).map(lambda n: n * 50_000_000)


@settings(max_examples=400, deadline=None)
@given(
    data=st.data(),
    drawn=sheets(),
    pad_s=st.sampled_from([0.0, 0.03]),
    lengths=st.lists(st.tuples(LENGTH, LENGTH), min_size=1, max_size=6),
)
def test_a_condensed_belief_lacks_no_state(
    data: st.DataObject, drawn: Datasheet, pad_s: float, lengths: list[tuple[int, int]]
) -> None:
    """Side by side over any breaks: whatever a lamp may be in, the condensed belief has, or covers.

    And a belief that finishes, finishes for every state there is.
    """
    lamp = behaviour(drawn, pad_s)
    kind = LampType(lamp, data.draw(st.sampled_from(lamp.codes)))
    condensed = Condensed(kind)
    belief: set[Held] = {(lamp.rest(code), None) for code in lamp.codes}
    now = 0
    for off, on in lengths:
        opened, closed = now, now + off
        belief = explicit(lamp, settled(lamp, belief, opened), opened, closed, lamp.effects(off))
        condensed.over(opened, closed, lamp.effects(off))
        if data.draw(st.booleans()):
            condensed.age(closed)
        belief = settled(lamp, belief, closed)
        lacking = [held for held in belief if not condensed.holds(*held, closed)]
        assert not lacking, (kind.beliefs[condensed.number], condensed.since)
        now = closed + on
        waits = kind.finish(condensed.number)
        if waits is not None:
            event("finishes")
            assert {s.scene for state, _ in belief for s in lamp.settle(state)} == {kind.wanted}
    event(f"{len(kind.beliefs[condensed.number])} elements")


def test_beliefs_end() -> None:
    """A count lamp that takes longer to warm up than to settle may be cold since any number of breaks."""
    slow = behaviour(
        sheet(
            scenes=3,
            clock_tolerance=0.1,
            ignored=(0, 0.3),
            pulse=(0.3, 0.6),
            reset=None,
            same_train=(0.2, 0.5),
            settled=(0.6, INF),
            warm_up=(3.0, INF),
        ),
        0.0,
    )
    kind = LampType(slow, 1)
    seen, new = set(), {kind.resting_on(slow.codes)}
    while new:
        seen |= new
        assert len(seen) < 100
        reached = {
            move.belief
            for number in new
            for k in break_kinds([slow], 2_000_000_000)
            for move in kind.moves(number, k.effects[0])
        }
        new = reached - seen


# -- what condensing joins ---------------------------------------------------------------------------------


def walk(kind: LampType, *steps: tuple[tuple[Effect, ...], int]) -> list[tuple[int, State]]:
    """The elements after breaks with these effects, each with so much supply before it (from long lit)."""
    condensed = Condensed(kind)
    now = 10**12
    for effects, on in steps:
        condensed.over(now + on, now + on + 1, effects)
        now += on + 1
    return list(kind.beliefs[condensed.number])


S = 10**9
PULSE: tuple[Effect, ...] = ("pulse",)
PERHAPS: tuple[Effect, ...] = ("ignored", "pulse")


@pytest.mark.parametrize(
    ("changes", "wanted", "steps", "elements"),
    [
        # Any scene, one pulse; then past the wanted count all counts are one.
        ({}, 2, [(PULSE, 0)], [(0, State(ANY_SCENE, 1))]),
        ({}, 2, [(PULSE, 0), (PULSE, S)], [(0, State(ANY_SCENE, 2))]),
        ({}, 2, [(PULSE, 0), (PULSE, S), (PULSE, S)], [(0, State(ANY_SCENE, SOME_COUNT))]),
        ({}, 3, [(PULSE, 0), (PULSE, S), (PULSE, S)], [(0, State(ANY_SCENE, 3))]),
        # A table that wraps comes round again.
        ({"overflow": "wraps"}, 2, [(PULSE, 0), (PULSE, S), (PULSE, S)], [(0, State(ANY_SCENE, 3))]),
        # Two counts since one break are lost until they settle; then one pulse is one pulse.
        ({}, 2, [(PULSE, 0), (PULSE, 0)], [(0, State(ANY_SCENE, SOME_COUNT))]),
        ({}, 2, [(PULSE, 0), (PULSE, 0), (PULSE, 4 * S)], [(0, State(ANY_SCENE, 1))]),
        # Perhaps ridden through: two counts since two breaks can be one again only where the table wraps.
        ({}, 2, [(PULSE, 0), (PERHAPS, S)], [(0, State(ANY_SCENE, SOME_COUNT))]),
        (
            {"overflow": "wraps"},
            2,
            [(PULSE, 0), (PERHAPS, S)],
            [(0, State(ANY_SCENE, 2)), (1, State(ANY_SCENE, 1))],
        ),
        # A reset and a power-down end all counts.
        ({}, 2, [(PULSE, 0), (PULSE, 0), (("reset",), S)], [(0, State(ANY_SCENE))]),
        ({}, 1, [(PULSE, 0), (PULSE, 0), (("reset",), S)], [(0, State(1))]),
        ({}, 2, [(PULSE, 0), (PULSE, S), (("power_down",), 4 * S)], [(0, State(2))]),
        ({}, 2, [(PULSE, 0), (PULSE, S), (("power_down",), S)], [(0, State(ANY_SCENE))]),
    ],
)
def test_what_is_joined(
    changes: dict[str, object],
    wanted: int,
    steps: list[tuple[tuple[Effect, ...], int]],
    elements: list[object],
) -> None:
    assert walk(LampType(behaviour(sheet(**changes), 0.0), wanted), *steps) == elements


@pytest.mark.parametrize(
    ("steps", "elements"),
    [
        ([(PULSE, 0)], [(SETTLED_AGE, State(ANY_SCENE))]),
        ([(("reset",), 0)], [(0, State(1, 0, resting=True))]),
        ([(("reset",), 0), (PULSE, S)], [(0, State(2))]),
        ([(("reset",), 0), (PULSE, S), (PULSE, S)], [(0, State(3))]),
        ([(("reset",), 0), (PULSE, 0)], [(SETTLED_AGE, State(ANY_SCENE))]),  # not warm: on 1 or 2
        (
            [(("reset",), 0), (PERHAPS, S)],
            [(0, State(2, 0, resting=True)), (SETTLED_AGE, State(1, 0, resting=True))],
        ),
        ([(("reset",), 0), (PULSE, 0), (("reset",), 0)], [(0, State(1, 0, resting=True))]),
    ],
)
def test_what_is_joined_of_a_ring(
    steps: list[tuple[tuple[Effect, ...], int]], elements: list[object]
) -> None:
    assert walk(LampType(behaviour(sheet("step"), 0.0), 3), *steps) == elements


def test_moves_are_all_the_supplies_there_are() -> None:
    """Touching each other, from nothing to for ever."""
    kind = LampType(behaviour(sheet(), 0.0), 2)
    (first,) = kind.moves(kind.resting_on([3]), PULSE)
    assert (first.least_ns, first.most_ns, first.left) == ((), (), (NEW,))
    moves = kind.moves(first.belief, PULSE)
    spans = [(m.least_ns[0], m.most_ns[0]) for m in moves]
    assert spans == [
        (0, 150_000_000),
        (150_000_000, 2 * S),
        (2 * S, 3_500_000_000),
        (3_500_000_000, FOREVER_NS),
    ]
    assert all(a[1] == b[0] for a, b in pairwise(spans))


# -- covering ---------------------------------------------------------------------------------------------------


def test_what_serves_for_a_belief() -> None:
    """Fewer states, and clocks no younger; a known count that is pending wants just its own clock."""
    kind = LampType(behaviour(sheet(overflow="wraps"), 0.0), 3)
    start = kind.resting_on([1, 2])
    known = kind.resting_on([3])
    (once,) = kind.moves(start, PULSE)
    first = once.belief
    by_supply = {move.least_ns[0]: move.belief for move in kind.moves(first, PULSE)}
    lost = by_supply[0]
    second = by_supply[150_000_000]
    perhaps = next(m.belief for m in kind.moves(first, PERHAPS) if m.least_ns == (150_000_000,))
    alike, no_younger = Needs(0, 0, alike=True), Needs(0, 0, alike=False)
    for mine, other, needs in (
        (known, start, ()),
        (start, known, None),
        (start, start, ()),
        (first, first, (alike,)),
        (first, second, None),
        (first, start, None),
        # A count that nobody knows may be any, and no count; nothing known is as good as it.
        (first, lost, (no_younger,)),
        (second, lost, (no_younger,)),
        (start, lost, ()),
        (lost, lost, (no_younger,)),
        (lost, first, None),
        # One or two since two breaks: either will do.
        (second, perhaps, (alike,)),
        (first, perhaps, (Needs(1, 0, alike=True),)),
        (perhaps, second, None),
    ):
        assert kind.serves(mine, other) == needs, (kind.beliefs[mine], kind.beliefs[other])


def test_what_serves_for_a_place_in_a_ring() -> None:
    ring = LampType(behaviour(sheet("step"), 0.0), 3)
    on_2, lost = ring.resting_on([2]), ring.resting_on([1, 2])
    (reset,) = ring.moves(lost, ("reset",))
    assert ring.serves(on_2, lost) == ring.serves(reset.belief, lost) == ()
    assert ring.serves(lost, on_2) is None
    on_1 = ring.resting_on([1])
    assert ring.serves(on_1, reset.belief) == ()  # long lit, and so warm
    assert ring.serves(reset.belief, on_1) is None
    assert ring.serves(reset.belief, reset.belief) == (Needs(0, 0, alike=False),)


EFFECTS: list[tuple[Effect, ...]] = [PULSE, PERHAPS, ("pulse", "reset"), ("reset",), ("power_down",)]
STEPS = st.lists(st.tuples(st.sampled_from(EFFECTS), st.sampled_from([0, S, 3 * S, 4 * S])), max_size=4)


@settings(max_examples=300)
@given(
    selects_by=st.sampled_from(["count", "step"]),
    overflow=st.sampled_from(["unknown", "wraps"]),
    wanted=st.integers(1, 3),
    mine=STEPS,
    its=STEPS,
    both=STEPS,
    older=st.sampled_from([0, S, 10 * S]),
)
def test_what_serves_finishes_with_all_it_serves_for(
    selects_by: str,
    overflow: str,
    wanted: int,
    mine: list[tuple[tuple[Effect, ...], int]],
    its: list[tuple[tuple[Effect, ...], int]],
    both: list[tuple[tuple[Effect, ...], int]],
    older: int,
) -> None:
    """Two beliefs with clocks that serve, over the same breaks: where one is sure, so is the other."""
    drawn = sheet("step") if selects_by == "step" else sheet(overflow=overflow)
    kind = LampType(behaviour(drawn, 0.0), wanted)
    one, other = Condensed(kind), Condensed(kind)
    one_now = other_now = 10**12
    for effects, on in mine:
        one_now += on
        one.over(one_now, one_now, effects)
    for effects, on in its:
        other_now += on
        other.over(other_now, other_now, effects)
    one.since = tuple(at - one_now + other_now - older for at in one.since)
    needs = kind.serves(one.number, other.number)
    assume(needs is not None)
    apart = [one.since[n.its_age] - other.since[n.age] for n in needs or ()]
    assume(all(by == 0 if n.alike else by <= 0 for n, by in zip(needs or (), apart, strict=True)))
    for effects, on in both:
        other_now += on
        one.over(other_now, other_now, effects)
        other.over(other_now, other_now, effects)
    event(f"sure at the end: {kind.finish(other.number) is not None}")
    if kind.finish(other.number) is not None:
        assert kind.finish(one.number) is not None


CYCLE, CONTACT = 20, 2


def test_a_node_serves_for_those_that_are_later_or_less_known() -> None:
    counts, ring = LampType(behaviour(sheet(), 0.0), 1), LampType(behaviour(sheet("step"), 0.0), 3)
    (once,) = counts.moves(counts.resting_on([1, 2]), PULSE)
    on_2, lost_ring = ring.resting_on([2]), ring.resting_on([1, 2])
    zone: Zone = ((0, FREE, FREE), (9, 0, -4), (12, 3, 0))
    later: Zone = ((0, FREE, FREE), (10, 0, -4), (13, 3, 0))
    sooner: Zone = ((0, FREE, FREE), (8, 0, -4), (11, 3, 0))
    longer: Zone = ((0, FREE, FREE), (9, 0, -5), (12, 3, 0))
    refs = [(CLOSED,), ()]
    seen = Admitted([counts, ring], CYCLE, CONTACT)
    node = Moment([once.belief, on_2], refs, zone, 2)
    seen.add(node)
    for at, breaks, covered in (
        (zone, 2, True),
        (later, 3, True),
        (zone, 1, False),
        (sooner, 2, False),
        (longer, 2, False),
    ):
        assert seen.covered(node._replace(zone=at, breaks=breaks)) is covered
        # A ring that is lost is served by one that is known; not the reverse.
        assert (
            seen.covered(node._replace(beliefs=[once.belief, lost_ring], zone=at, breaks=breaks)) is covered
        )
    assert seen.later(node._replace(zone=later), FREE) == 1
    assert seen.later(node._replace(zone=later), 1) == 1  # of as much it is not asked
    assert seen.later(node._replace(zone=sooner, breaks=1), FREE) == -1
    at_rest = Moment([counts.resting_on([1, 2]), on_2], [(), ()], zone, 2)
    assert not seen.covered(at_rest)
    assert seen.later(at_rest, FREE) == FREE
    other_way = Admitted([counts, ring], CYCLE, CONTACT)
    other_way.add(node._replace(beliefs=[once.belief, lost_ring]))
    assert not other_way.covered(node)


def test_with_nothing_pending_the_break_before_may_have_been_as_it_likes() -> None:
    """Its opening only has to be as long past, or the flash limit over by the next opening."""
    ring = LampType(behaviour(sheet("step"), 0.0), 3)
    seen = Admitted([ring], CYCLE, CONTACT)
    node = Moment([ring.resting_on([2])], [()], ((0, FREE, FREE), (9, 0, -4), (12, 3, 0)), 2)
    seen.add(node)
    for opened, closed, covered in (
        (9, 12, True),
        (8, 12, False),
        (9, 11, False),
        (0, 26, False),
        (0, 27, True),
    ):
        zone: Zone = ((0, FREE, FREE), (opened, 0, opened - closed), (closed, closed - opened, 0))
        assert seen.covered(node._replace(zone=zone)) is covered


def test_the_node_before_a_break_that_may_go_unnoticed_serves_for_the_one_after_it() -> None:
    kind = LampType(behaviour(sheet(overflow="wraps"), 0.0), 3)
    (once,) = kind.moves(kind.resting_on([1, 2]), PULSE)
    perhaps = next(m.belief for m in kind.moves(once.belief, PERHAPS) if m.least_ns == (150_000_000,))
    before: Zone = ((0, FREE, FREE), (0, 0, -4), (4, 4, 0))
    after = advance(before, [(START, 0), (OPENED, CYCLE), (CLOSED, 10)], [], (3, 3), [CLOSED])
    seen = Admitted([kind], CYCLE, CONTACT)
    seen.add(Moment([once.belief], [(CLOSED,)], before, 1))
    assert seen.covered(Moment([perhaps], [(CLOSED, OLDER)], after, 2))
    # Two in that train is what the break may make of it: another count, since another closing.
    second = next(m.belief for m in kind.moves(once.belief, PULSE) if m.least_ns == (150_000_000,))
    assert not seen.covered(Moment([second], [(CLOSED,)], without(after, [START, OPENED, CLOSED]), 2))
