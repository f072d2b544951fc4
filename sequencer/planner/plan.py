"""The planner's front door: a request in, a proven train or a reasoned refusal out."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import NamedTuple

from sequencer.automaton.behaviour import Behaviour, behaviour
from sequencer.planner.belief import LampType, Missing
from sequencer.planner.bound import UNREACHABLE, Distance, NoDistance, OwnDistance
from sequencer.planner.budget import Budget, GaveUp, Meter
from sequencer.planner.joint import JointNode, JointProblem, Limits, breaks_of
from sequencer.planner.pairs import PairBound
from sequencer.planner.proof import Walk, breaks_of_train, prove, starting_states
from sequencer.planner.request import Plan, PlanRequest, Refusal
from sequencer.planner.search import best_first
from sequencer.train import Pulse, Train
from sequencer.units import NS_PER_S, at_least_ns, at_most_ns, to_seconds

BUDGET = Budget().nodes
"""Nodes, divided by the square of the number of types: how many a search expands before it gives up.

That is 9,000 for two types, 4,000 for three, 1,440 for five; :class:`~.budget.Budget` bounds the whole question.
"""
NEARER = 12
"""The part of the budget (one in so many) for the search with breaks that reach back: its nodes take longer."""
FIRST, CAREFUL = 0.6, 0.7
"""Shares of what is left: for the search that takes all supply as noticed, and for the one that is careful."""
PAIRS, BEST, ANY = 0.4, 0.7, 0.7
"""Shares of what is left: for all pairs, for the search for the best train, and for that for any train."""
HASTE = 2
"""How much more the way ahead weighs when only some train is wanted, after the budget."""


class Fleet(NamedTuple):
    """The types on a circuit as the search sees them: one entry a type, lamps of a type merged."""

    stems: tuple[str, ...]
    types: tuple[LampType, ...]
    start: tuple[int, ...]
    limits: Limits


class Answer(NamedTuple):
    """What searching a fleet gave: the finished node or None, and whether that is proved.

    ``apart``: where there is none, the places in the fleet of the types that cannot be had together.
    """

    best: JointNode | None
    proved: bool
    apart: tuple[int, ...] = ()
    expanded: int = 0


def fleet(request: PlanRequest) -> Fleet:
    """Lamps of one type joined, with the union of all they may be on."""
    acts: dict[str, Behaviour] = {}
    wanted: dict[str, int] = {}
    states: dict[str, set[int]] = {}
    for lamp in request.lamps:
        if lamp.stem not in acts:
            acts[lamp.stem] = behaviour(lamp.datasheet, request.pad_s)
            wanted[lamp.stem] = lamp.wanted
        scenes = {s.scene for s in starting_states(acts[lamp.stem], request, lamp.known)}
        states.setdefault(lamp.stem, set()).update(scenes)
    types = tuple(LampType(acts[stem], wanted[stem]) for stem in acts)
    start = tuple(t.resting_on(states[stem]) for t, stem in zip(types, acts, strict=True))
    limits = Limits(
        cycle_ns=at_least_ns(1 / request.max_flashes_per_s),
        max_dark_ns=at_most_ns(request.max_dark_s),
        contact_ns=at_least_ns(request.pad_s),
    )
    return Fleet(tuple(acts), types, start, limits)


def solve(given: Fleet, budget: int = BUDGET, meter: Meter | None = None) -> Answer:
    """The best train for a fleet that holds also where lamps may miss supply.

    Searched first with all supply taken as noticed. That loses no train that holds; so if its best holds, no train
    that holds is shorter, and where it finds none, none holds. Else searched with types lost where supply may be
    missed: what that finds holds, and is the best if it is as good. Else the first is done again with the one
    break that missed supply and the two breaks around it may be (:class:`~sequencer.planner.belief.LampType`).
    """
    meter = meter or Meter(Budget())
    with meter.part(FIRST):
        found = _searched(given, budget, meter)
    if found.best is None or _holds(given, found.best):
        return found
    with meter.part(CAREFUL):
        careful = _searched(_missing(given, "lost"), budget, meter)
    expanded = found.expanded + careful.expanded
    held = careful.best if careful.best is not None and _holds(given, careful.best) else None
    if not _as_good(held, found):
        nearer = _searched(_missing(given, "once"), budget // NEARER, meter)
        expanded += nearer.expanded
        if nearer.proved:
            found = nearer
            if found.best is None or _holds(given, found.best):
                return found._replace(expanded=expanded)
    return Answer(held, _as_good(held, found), found.apart, expanded)


def _as_good(held: JointNode | None, least: Answer) -> bool:
    """Whether a train that holds is no longer, with no more breaks, than any that holds can be."""
    if held is None or least.best is None or not least.proved:
        return False
    return held.promise[:2] == least.best.promise[:2]


def _missing(given: Fleet, missing: Missing) -> Fleet:
    """The same fleet, searched with more care."""
    types = tuple(LampType(t.behaviour, t.wanted, missing) for t in given.types)
    start = tuple(
        lamp.resting_on(e.state.scene for e in before.beliefs[number])
        for lamp, before, number in zip(types, given.types, given.start, strict=True)
    )
    return given._replace(types=types, start=start)


def _holds(given: Fleet, best: JointNode) -> bool:
    """Whether the train that led to a finished node brings every type to its scene, followed edge by edge."""
    breaks, end = breaks_of_train(Train(_pulses(best)))
    for lamp, start in zip(given.types, given.start, strict=True):
        walk = Walk(lamp.behaviour, [e.state for e in lamp.beliefs[start]], 0, 0)
        final = walk.over(breaks, end)
        if not walk.noticed or {(state.scene, state.pending) for state in final} != {(lamp.wanted, 0)}:
            return False
    return True


def least_noticed_ns(given: Fleet) -> int:
    """The least supply (ns) that a best train has after a break that every type may notice; 0 for any.

    Supply that none of them is sure to notice may make one break, to all, of the two around it. The train with
    that one break instead holds as well, takes as long and has a break less. Where the one break would be longer
    than is allowed it is a power-down to every type, and so is a shorter one that is allowed, if there is one.
    """
    if any(t.behaviour.guards.breaks[-1].first_ns > given.limits.max_dark_ns for t in given.types):
        return 0
    return min(t.noticed_ns for t in given.types)


def _searched(given: Fleet, budget: int, meter: Meter) -> Answer:
    """Each type by itself, then each pair, then all.

    Each search has the whole ``budget`` of nodes, and shares with the others what is left on the ``meter``. When
    the last one's ends first, a quarter of it more goes into finding some train, best or not.
    """
    budget //= len(given.types) ** 2
    everyone = tuple(range(len(given.types)))
    own: list[Distance] = [NoDistance()]
    pairs: list[PairBound] = []
    expanded = 0
    try:
        with meter.part(BEST):
            meter.charge(100 * len(given.types))  # that they were made at all
            if len(given.types) > 1:
                limits = given.limits
                own = [OwnDistance(t, limits.cycle_ns, limits.max_dark_ns, meter) for t in given.types]
            for i, (distance, start) in enumerate(zip(own, given.start, strict=True)):
                if not distance.ways(start):
                    return Answer(None, proved=True, apart=(i,))
    except GaveUp:
        return Answer(None, proved=False, apart=everyone)
    chosen = list(combinations(everyone, 2)) if len(everyone) > 2 else []
    for number, members in enumerate(chosen):
        try:
            with meter.part(PAIRS / (len(chosen) - number * PAIRS)):
                problem = _problem(given, own, members, meter=meter)
                result = best_first(problem, budget)
        except GaveUp:
            continue  # nothing is known of this pair
        expanded += result.expanded
        if result.complete and result.best is None and problem.unsure_ns >= UNREACHABLE:
            return Answer(None, proved=True, apart=members, expanded=expanded)
        found = result.best.promise if result.best else result.bound
        least = min([*found[:1], problem.unsure_ns])
        pairs.append(PairBound(members, least, problem.admitted))
    noticed = least_noticed_ns(given)
    try:
        with meter.part(BEST):
            problem = _problem(given, own, everyone, pairs, noticed_ns=noticed, meter=meter)
            result = best_first(problem, budget)
    except GaveUp:
        pass
    else:
        expanded += result.expanded
        if result.complete:
            total = result.best.promise[0] if result.best else UNREACHABLE
            return Answer(result.best, proved=problem.unsure_ns >= total, apart=everyone, expanded=expanded)
    try:
        with meter.part(ANY):
            hasty = best_first(_problem(given, own, everyone, pairs, HASTE, noticed, meter), budget // 4)
    except GaveUp:
        return Answer(None, proved=False, apart=everyone, expanded=expanded)
    return Answer(hasty.best, proved=False, apart=everyone, expanded=expanded + hasty.expanded)


def _problem(
    given: Fleet,
    own: Sequence[Distance],
    members: Sequence[int],
    pairs: Sequence[PairBound] = (),
    haste: int = 1,
    noticed_ns: int = 0,
    meter: Meter | None = None,
) -> JointProblem:
    types = [given.types[i] for i in members]
    start = [given.start[i] for i in members]
    mine = [own[i] for i in members]
    return JointProblem(types, start, given.limits, mine, pairs, haste, noticed_ns, meter)


def plan(request: PlanRequest, budget: int | Budget = BUDGET) -> Plan | Refusal:
    """The train of least total time (ties: fewest relay cycles) that holds for every lamp, or why none does.

    ``budget`` is how long the search may go on before it says ``proved=False``: all of it, or its nodes alone
    (see :data:`BUDGET`).
    """
    budget = Budget(nodes=budget) if isinstance(budget, int) else budget
    meter = Meter(budget)
    if request.short:
        return Refusal("; ".join(request.short), None, proved=True)
    given = fleet(request)
    answer = solve(given, budget.nodes, meter)
    if answer.best is None:
        from sequencer.planner.refusal import refuse  # noqa: PLC0415  (only when there is no train)

        return refuse(request, given, answer, budget.nodes, meter)
    train = Train(
        _pulses(answer.best), lead_in_s(request) if answer.best.breaks or request.start != "rest" else 0.0
    )
    proofs = prove(request, train)
    if proofs is None:
        raise AssertionError(f"a train that does not hold was found: {train}")
    return Plan(train, answer.proved, proofs)


def lead_in_s(request: PlanRequest) -> float:
    """Supply needed before the first break: none from rest.

    Else until every lamp has certainly noticed it and is warm and, after a cut, settled. Margin and spread are
    kept also where a datasheet's window starts at 0: shorter supply is not sure to be any.
    """
    if request.start == "rest":
        return 0.0
    needs = at_least_ns(request.pad_s)
    for lamp in request.lamps:
        guards = behaviour(lamp.datasheet, request.pad_s).guards
        needs = max(needs, guards.noticed.first_ns, guards.warm_up.first_ns)
        if request.start == "cut" and guards.settled is not None:
            needs = max(needs, guards.settled.first_ns)
    return to_seconds(needs)


def _pulses(best: JointNode) -> tuple[Pulse, ...]:
    """The earliest times that keep every bound on the way to a finished node, as lengths in seconds."""
    breaks = breaks_of(best)
    if not breaks:
        return ()
    opened = [0] * len(breaks)
    closed = [0] * len(breaks)
    moved = True
    while moved:
        moved = False
        for k, ((least, most), binds) in enumerate(breaks):
            for bind in binds:
                edges = closed if bind.closing else opened
                at = bind.break_no - 1
                if bind.at_least and opened[k] < edges[at] + bind.length_ns:
                    opened[k] = edges[at] + bind.length_ns
                    moved = True
                if not bind.at_least and edges[at] < opened[k] - bind.length_ns:
                    edges[at] = opened[k] - bind.length_ns
                    moved = True
            if closed[k] < opened[k] + least:
                closed[k] = opened[k] + least
                moved = True
            if opened[k] < closed[k] - most:
                opened[k] = closed[k] - most
                moved = True
    ends = [*opened[1:], best.promise[0]]
    return tuple(
        Pulse((c - o) / NS_PER_S, (e - c) / NS_PER_S) for o, c, e in zip(opened, closed, ends, strict=True)
    )
