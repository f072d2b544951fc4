"""Why there is no train, in words a technician can act on, and what comes nearest.

Reasons are found by asking again with one thing let go at a time (the flash limit, the longest break, the
margin and relay spread, the lamps' clock tolerance): what first lets a train through is what stood in its
way. What no such thing explains lies in the lamps themselves.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from sequencer.automaton.behaviour import Behaviour
from sequencer.automaton.guards import guards
from sequencer.planner.breaks import IGNORED, break_kinds
from sequencer.planner.budget import Budget, Meter
from sequencer.planner.plan import Answer, Fleet, fleet, solve
from sequencer.planner.request import LampRequest, PlanRequest, Refusal
from sequencer.train import Delays

if TYPE_CHECKING:
    from sequencer.datasheet import Datasheet, LampScene

_TRIES = 5_000  # choices of scenes looked at for the nearest one; most are known to be hopeless
_SHARE = 4  # of the budget, for each question that is asked again and for all nearest choices together
_BIG = 1e6  # the distance between scenes of which one has no colour


def refuse(
    request: PlanRequest, given: Fleet, answer: Answer, budget: int, meter: Meter | None = None
) -> Refusal:
    """The refusal for a request that :func:`~sequencer.planner.plan.solve` found no train for."""
    meter = meter or Meter(Budget())
    if not answer.proved:
        reason = (
            f"gave up after looking at {answer.expanded} states without finding a train: there may be one. "
            "Fewer types behind one contact, or telling what lamps show now (--from LAMP=SCENE), makes it easier"
        )
        return Refusal(reason, None, proved=False)
    stems = [given.stems[i] for i in answer.apart]
    some = _only(request, stems)
    reason = (
        _alone(some, stems[0], budget, meter) if len(stems) == 1 else _together(some, stems, budget, meter)
    )
    nearest, sure = nearest_scenes(request, budget, meter)
    if not sure:
        reason += " (the nearest choice was not searched to its end)"
    return Refusal(reason, nearest, proved=True)


def _only(request: PlanRequest, stems: Sequence[str]) -> PlanRequest:
    return request._replace(lamps=tuple(lamp for lamp in request.lamps if lamp.stem in stems))


def _wanting(request: PlanRequest, choice: Mapping[str, int]) -> PlanRequest:
    return request._replace(lamps=tuple(lamp._replace(wanted=choice[lamp.stem]) for lamp in request.lamps))


def _feasible(request: PlanRequest, budget: int, meter: Meter) -> bool:
    return solve(fleet(request), budget // _SHARE, meter).best is not None


def _exact_clocks(request: PlanRequest) -> PlanRequest:
    def exact(lamp: LampRequest) -> LampRequest:
        sheet = lamp.datasheet
        better = sheet.lamp.model_copy(update={"clock_tolerance": 0.0})
        return lamp._replace(datasheet=sheet.model_copy(update={"lamp": better}))

    return request._replace(lamps=tuple(map(exact, request.lamps)))


def _relaxed(request: PlanRequest, budget: int, meter: Meter) -> str | None:
    """What stands in the way from outside the lamps, or None."""
    if _feasible(request._replace(max_flashes_per_s=1e3), budget, meter):
        cycle = 1 / request.max_flashes_per_s
        return (
            f"the flash limit of {request.max_flashes_per_s:g} a second asks for {cycle:.2f} s from break to break, "
            "and these lamps take that for a new train: nothing but a lamp that listens slower can help"
        )
    if _feasible(request._replace(max_dark_s=3600.0), budget, meter):
        return (
            f"it would need a break longer than max_dark_s ({request.max_dark_s:g} s): allow a longer one in "
            "[timing] if the dark is safe there"
        )
    still = Delays((0.0, 0.0), (0.0, 0.0))
    if _feasible(request._replace(margin_s=0.0, delays=still), budget, meter):
        spread = request.delays.spread_s
        return (
            f"margin_s ({request.margin_s:g} s) and the relay's spread ({spread:.4g} s) at every edge leave no room in "
            f"{_closed(request)}: a relay with steadier delays, or a smaller margin_s, may make room"
        )
    if _feasible(_exact_clocks(request), budget, meter):
        return (
            f"the lamps' clock_tolerance leaves no room in {_closed(request)}: check it against the instruction "
            "sheet, or measure the windows on the bench"
        )
    return None


def _closed(request: PlanRequest) -> str:
    """The windows in which no length is certain, or plainly "the lamps' windows"."""
    named = []
    for lamp in {lamp.stem: lamp for lamp in request.lamps}.values():
        all_guards = guards(lamp.datasheet, request.pad_s)
        windows = [("[off]", w) for w in all_guards.breaks]
        windows += [("[on]", w) for w in (all_guards.same_train, all_guards.settled) if w is not None]
        named += [f"{lamp.stem}'s {table} {w.name} {_span(w.limits_s)}" for table, w in windows if w.closed]
    return " and ".join(named) if named else "the lamps' windows"


def _span(limits_s: tuple[float, float]) -> str:
    return f"{limits_s[0]:g}-{limits_s[1]:g} s"


def _alone(request: PlanRequest, stem: str, budget: int, meter: Meter) -> str:
    lamps = [lamp for lamp in request.lamps if lamp.stem == stem]
    sheet = lamps[0].datasheet
    off = sheet.off
    names = " and ".join(f'"{lamp.lamp}"' for lamp in lamps)
    many = len(lamps) > 1
    who = f"lamp{'s' if many else ''} {names} ({stem})"
    forgets = off.reset is not None or sheet.lamp.after_power_down == "first"
    if sheet.lamp.selects_by == "step" and not forgets:
        unknown = [lamp for lamp in lamps if lamp.known is None]
        if unknown:
            return (
                f"{who}: a step lamp that never forgets: no break brings it to a known scene, it only moves "
                "on from where it is. Look what it shows now and say so: "
                + " ".join(f"--from {_arg(lamp)}" for lamp in unknown)
            )
        if len({lamp.known for lamp in lamps}) > 1:
            return (
                f"{who}: they rest on different scenes and never forget, so every break moves them alike and "
                "they stay apart. Bring them together with one of them unplugged, or give each a relay"
            )
    return f"{who}: " + (_relaxed(request, budget, meter) or _unreachable(sheet, lamps[0].wanted))


def _arg(lamp: LampRequest) -> str:
    return f'"{lamp.lamp}=SCENE"' if " " in lamp.lamp else f"{lamp.lamp}=SCENE"


def _unreachable(sheet: Datasheet, wanted: int) -> str:
    scene = sheet.scene_by_code(wanted)
    name = f'"{scene.name}"' if scene is not None else "that scene"
    return f"no breaks within its datasheet's windows choose {name} (code {wanted}) for certain: check the windows"


def _together(request: PlanRequest, stems: Sequence[str], budget: int, meter: Meter) -> str:
    kinds = {lamp.stem: lamp for lamp in request.lamps}
    wants = ", ".join(f'{stem} on "{_name(kinds[stem])}" (code {kinds[stem].wanted})' for stem in stems)
    head = f"{' and '.join(stems)} cannot be had together ({wants}): "
    outside = _relaxed(request, budget, meter)
    if outside is not None:
        return head + outside
    if len(stems) > 2:
        return head + "any two of them can, but no train serves all at once"
    return head + _conflict(kinds[stems[0]], kinds[stems[1]], request)


def _name(lamp: LampRequest) -> str:
    scene = lamp.datasheet.scene_by_code(lamp.wanted)
    return scene.name if scene is not None else str(lamp.wanted)


def _conflict(a: LampRequest, b: LampRequest, request: PlanRequest) -> str:
    """Which pair of windows leaves no way to tell two types apart."""
    given = fleet(request)
    acts: dict[str, Behaviour] = dict(zip(given.stems, (t.behaviour for t in given.types), strict=True))
    kinds = break_kinds([acts[a.stem], acts[b.stem]], given.limits.max_dark_ns)
    a_only = any(k.effects == (("pulse",), IGNORED) for k in kinds)
    b_only = any(k.effects == (IGNORED, ("pulse",)) for k in kinds)
    pulses = (
        f"{a.stem}'s [off] pulse {_span(a.datasheet.off.pulse)}",
        f"{b.stem}'s {_span(b.datasheet.off.pulse)}",
    )
    rides = f"{_span(a.datasheet.off.ignored)} and {_span(b.datasheet.off.ignored)}"
    if not a_only and not b_only:
        return (
            f"{pulses[0]} and {pulses[1]}: no break is a pulse for one that the other certainly rides through "
            f"(they ride through {rides}), so they count every pulse together"
        )
    one, other = (a, b) if a_only else (b, a)
    if a_only and b_only:
        return (
            f"{pulses[0]} and {pulses[1]}: each can be counted alone, but not within the times that [on] same_train "
            f"({_span(a.datasheet.on.same_train)} and {_span(b.datasheet.on.same_train)}) leaves the other"
        )
    return (
        f"{pulses[0]} and {pulses[1]}: {one.stem} can be counted while {other.stem} rides through, but no break that "
        f"{other.stem} counts is ridden through by {one.stem}"
    )


def nearest_scenes(request: PlanRequest, budget: int, meter: Meter) -> tuple[Mapping[str, str] | None, bool]:
    """By type, the reachable scenes with the least greatest CIEDE2000 difference, then the least sum.

    Also whether every better choice was refuted: the search stops after a number of choices.
    """
    lamps = {lamp.stem: lamp for lamp in request.lamps}
    ranked = {stem: _by_likeness(lamp.datasheet, lamp.wanted) for stem, lamp in lamps.items()}
    for stem, codes in ranked.items():
        alone = _only(request, [stem])
        ranked[stem] = [r for r in codes if _feasible(_wanting(alone, {stem: r[1]}), budget, meter)]
        if not ranked[stem]:
            return None, not meter.over
    budget //= _SHARE
    hopeless: set[tuple[tuple[str, int], ...]] = set()
    sure = True
    spent = 0
    for tried, choice in enumerate(_choices(ranked)):
        if tried >= _TRIES or spent >= budget or meter.over:
            return None, False
        items = tuple(choice.items())
        if any(all(item in items for item in bad) for bad in hopeless):
            continue
        asked = request._replace(
            lamps=tuple(lamp._replace(wanted=choice[lamp.stem]) for lamp in request.lamps)
        )
        given = fleet(asked)
        answer = solve(given, budget, meter)
        spent += answer.expanded
        if answer.best is not None:
            scenes = {stem: lamps[stem].datasheet.scene_by_code(code) for stem, code in choice.items()}
            return {stem: scene.name for stem, scene in scenes.items() if scene is not None}, sure
        sure = sure and answer.proved
        if answer.proved:
            hopeless.add(tuple((given.stems[i], choice[given.stems[i]]) for i in answer.apart))
    return None, sure


def _choices(ranked: Mapping[str, Sequence[tuple[float, int]]]) -> Iterator[dict[str, int]]:
    """Every choice of one scene a type, by greatest difference, then by sum."""
    stems = list(ranked)
    first = (0,) * len(stems)

    def cost(places: tuple[int, ...]) -> tuple[float, float, tuple[int, ...]]:
        far = [ranked[stem][p][0] for stem, p in zip(stems, places, strict=True)]
        return max(far), sum(far), places

    heap = [cost(first)]
    seen = {first}
    while heap:
        *_, places = heapq.heappop(heap)
        yield {stem: ranked[stem][p][1] for stem, p in zip(stems, places, strict=True)}
        for i, stem in enumerate(stems):
            following = (*places[:i], places[i] + 1, *places[i + 1 :])
            if following[i] < len(ranked[stem]) and following not in seen:
                seen.add(following)
                heapq.heappush(heap, cost(following))


def _by_likeness(sheet: Datasheet, wanted: int) -> list[tuple[float, int]]:
    """A type's scenes as (difference, code), most like the wanted one first."""
    colours = {scene.code: mean_lab(scene) for scene in sheet.scenes}
    return sorted(
        (0.0 if c == wanted else _difference(lab, colours[wanted]), c) for c, lab in colours.items()
    )


def mean_lab(scene: LampScene) -> tuple[float, float, float] | None:
    """A scene's colour in CIELAB (D65); of a moving scene the mean of its colours; None when it has none."""
    from coloraide import Color  # noqa: PLC0415  (heavy; only where colours are compared)

    shown = [scene.colour] if scene.colour is not None else list(scene.colours or ())
    if not shown:
        return None
    labs = [Color(c).convert("lab-d65").coords(nans=False) for c in shown]
    return (
        sum(c[0] for c in labs) / len(labs),
        sum(c[1] for c in labs) / len(labs),
        sum(c[2] for c in labs) / len(labs),
    )


def _difference(a: tuple[float, float, float] | None, b: tuple[float, float, float] | None) -> float:
    return _BIG if a is None or b is None else ciede2000(a, b)


def ciede2000(a: Sequence[float], b: Sequence[float]) -> float:
    """CIEDE2000 between two CIELAB colours (Sharma, Wu and Dalal 2005), as coloraide computes it."""
    from coloraide import Color  # noqa: PLC0415

    return float(Color("lab-d65", list(a)).delta_e(Color("lab-d65", list(b)), method="2000", space="lab-d65"))
