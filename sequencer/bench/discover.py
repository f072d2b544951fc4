"""Discovery: a datasheet for a lamp that came without one.

First a rough scan finds lengths that are surely a pulse, a gap, a settling, a reset and a power-down
(:mod:`.scan`); on these an automaton is learned (:mod:`.learner`); then each window's edges are narrowed, and the
whole is written as a datasheet, whose automaton must be the one that was learned.

What is taken for granted is :class:`~sequencer.bench.asking.Assumed`. One lamp, at one supply: what another of the
same type does, or this one at other volts, is not known from this.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

from sequencer.bench.asking import Asked, Asking, Assumed, OverBudget, Unclear
from sequencer.bench.learner import Learned, Table, count_table, differs, learn
from sequencer.bench.scan import Lengths, Scan, settled
from sequencer.datasheet import Datasheet, Lamp

if TYPE_CHECKING:
    from collections.abc import Callable

    from sequencer.bench.gallery import Gallery
    from sequencer.bench.stand import Spent

End = Literal["whole", "over budget", "unclear"]
SAFE_SPREAD_S = 0.012
"""Kept from every edge besides the clock's error: twice a usual relay's spread."""


@dataclass(frozen=True)
class Findings:
    """What a discovery came to. ``sheet`` is the datasheet as its TOML tables, None where it did not get so far."""

    end: End
    why: str
    assumed: Assumed
    spent: Spent
    log: tuple[Asked, ...]
    gallery: Gallery
    lengths: Lengths | None = None
    sheet: dict[str, Any] | None = None
    learned: Learned | None = None
    unsure: tuple[str, ...] = ()


def discover(
    ask: Asking, name: str = "a lamp without a name", tell: Callable[[str], None] = lambda _: None
) -> Findings:
    """Find out what the lamp does. Raises HardwareError as the stand does; all else is in the findings.

    ``name`` is a datasheet's: ValueError where it cannot be one.
    """
    Lamp(name=name, selects_by="step", after_power_down="next", clock_tolerance=0.0)
    course = _Course(ask, name, tell)
    end: End = "whole"
    why = ""
    try:
        course.run()
    except OverBudget as over:
        end, why = "over budget", f"{over}: while it was to {course.stage}"
    except Unclear as unclear:
        end, why = "unclear", str(unclear)
    return Findings(
        end, why, ask.assumed, ask.spent, tuple(ask.log), ask.gallery,
        course.known, course.sheet, course.learned, tuple(course.unsure),
    )  # fmt: skip


class _Course:
    def __init__(self, ask: Asking, name: str, tell: Callable[[str], None]) -> None:
        self.ask = ask
        self.name = name
        self.tell = tell
        self.scan = Scan(ask)
        self.stage = "begin"
        self.known: Lengths | None = None
        self.sheet: dict[str, Any] | None = None
        self.learned: Learned | None = None
        self.unsure: list[str] = []

    def run(self) -> None:
        scan = self.scan
        self._now("find a pulse")
        known = self.known = scan.first_lengths()
        if known.counts:
            known = scan.learn_two(known)
            self._now("find which supplies keep a train together")
            known = self.known = scan.gaps(known)
        else:
            self._now("go round the ring")
            known = self.known = scan.walk_ring(known)
        self._now("find what breaks of all lengths do")
        known = self.known = scan.breaks(known)
        if known.powers_down == "pulse" and known.counts:
            self.unsure += known.unsure
            raise Unclear(f"no power-down was seen with breaks of up to {known.power_down:.3g} s")
        if not known.counts:
            scan.learn_first(known)
            self._now("find which supplies keep steps together")
            known = self.known = scan.step_gaps(known)
        self._now("find how long it takes to start")
        known = scan.warm_up(known)
        known = self.known = replace(known, settle=settled(known))
        self._now("narrow the edges")
        known = self.known = scan.refined(known)
        self._learn(known)

    def _learn(self, known: Lengths) -> None:
        ask, scan = self.ask, self.scan
        if known.counts:
            self._now("count its scenes")
            table = count_table(ask, known)
            self.unsure += table.unsure
            limit = None if table.overflow == "wraps" else len(table.scenes)
            self._now("learn its automaton")
            codes = list(table.scenes)
            # A still scene to begin at: a look at a moving one takes some of its rounds.
            start = next((code for code, scene in enumerate(codes, 1) if self._still(scene)), 1)
            self.learned = learn(
                ask, known, limit, lambda: self._home_of_count(known, start, codes[start - 1])
            )
        else:
            table = None
            self._now("learn its automaton")
            still = (i for i, scene in enumerate(scan.ring) if self._still(scene))
            place = scan.first if scan.first is not None else next(still, scan.place)
            codes = scan.ring[place:] + scan.ring[:place]
            self.learned = learn(ask, known, None, lambda: self._home_of_step(known, place))
            start = 1
        machine = self.learned.machine
        memory = _memory(machine, known, codes)
        self.unsure += known.unsure
        self.sheet = written(self.name, known, codes, table, memory, ask)
        try:
            checked = Datasheet.model_validate(self.sheet)
        except ValueError as error:  # a window of which the clock's error has left nothing
            self.sheet = None
            raise Unclear(f"what was found makes no sound datasheet: {error}") from error
        scene_of = dict(enumerate(codes, start=1))
        if word := differs(machine, checked, scene_of, start, self.learned.letters):
            self.sheet = None
            raise Unclear(
                "the automaton that was learned is none that a datasheet can describe: they differ after "
                + ", ".join(word)
            )

    def _still(self, scene: int) -> bool:
        return self.ask.gallery.scenes[scene].mean.period_s is None

    def _home_of_count(self, known: Lengths, code: int, scene: int) -> None:
        if self.ask.shows != scene:
            train = [(known.pulse, known.gap)] * (code - 1)
            self.ask.see(*train, (known.pulse, known.settle), why="to the scene to begin at")

    def _home_of_step(self, known: Lengths, home: int) -> None:
        scan, ask, p, rest = self.scan, self.ask, known.pulse, known.settle
        if scan.first is not None:
            if ask.shows == scan.ring[home] and scan.ring.count(scan.ring[home]) == 1:
                return
            off = known.reset if known.reset is not None else known.power_down
            ask.see((off, rest), why="to the first scene, to begin")
            return
        scan.where(p, rest)
        while scan.place != home:
            scan.step_on(1, p, rest)

    def _now(self, stage: str) -> None:
        self.stage = stage
        self.tell(stage)


def _memory(machine: Any, known: Lengths, codes: list[int]) -> str:
    """What a power-down does, by the machine: from every scene, not only from the scan's two."""
    start = machine.initial_state
    size = len(codes)
    to: list[int] = []
    for place in range(size):
        word = [*["pulse"] * (place + 1), "look", "down"] if known.counts else [*["pulse"] * place, "down"]
        to.append(machine.compute_output_seq(start, word)[-1])
    if to == codes:
        return "remembered"
    if all(scene == codes[0] for scene in to):
        return "first"
    if not known.counts and to == codes[1:] + codes[:1]:
        return "next"
    raise Unclear("what a power-down does is none of: remembered, first, next")


def written(
    name: str, known: Lengths, codes: list[int], table: Table | None, memory: str, ask: Asking
) -> dict[str, Any]:
    """The datasheet as its tables; a window holds what was tried and found, less the clock's error and a spread."""
    clock = ask.assumed.clock
    lamp: dict[str, Any] = {
        "name": name,
        "selects_by": "count" if known.counts else "step",
        "after_power_down": memory,
    }
    if table is not None:
        lamp["overflow"] = table.overflow
    lamp["clock_tolerance"] = clock
    on: dict[str, Any] = {}
    edge = known.gap_edge or (0.0, known.gap)
    on["same_train"] = [_start(edge[1], clock), float("inf")]
    if known.settle_edge is not None:
        on["same_train"][1] = _end(known.settle_edge[0], clock)
        on["settled"] = [_start(known.settle_edge[1], clock), float("inf")]
    if known.warm_edge is not None:
        on["warm_up"] = [_start(known.warm_edge[1], clock), float("inf")]
    looks = [ask.gallery.scenes[scene].mean for scene in codes]
    names = dict(zip(range(len(ask.gallery.scenes)), ask.gallery.names(), strict=True))
    used: dict[str, int] = {}
    scenes = []
    for code, (number, seen) in enumerate(zip(codes, looks, strict=True), start=1):
        called = names[number]
        used[called] = used.get(called, 0) + 1
        scene: dict[str, Any] = {
            "code": code,
            "name": called if used[called] == 1 else f"{called}, again {used[called]}",
        }
        if seen.period_s is not None:
            scene["period_s"] = round(seen.period_s, 3)
            scene["colours"] = list(seen.colours) or ([seen.colour] if seen.colour else ["#808080"])
        elif seen.colour is not None:
            scene["colour"] = seen.colour
        if seen.watts:
            scene["watts"] = round(seen.watts, 2)
        scenes.append(scene)
    return {"lamp": lamp, "off": _off(known, clock), "on": on, "scene": scenes}


def _off(known: Lengths, clock: float) -> dict[str, Any]:
    runs = list(known.runs)
    place = next(
        i for i, run in enumerate(runs) if run.first_s <= known.pulse <= run.last_s and run.word == "pulse"
    )
    ignored = max((_end(run.last_s, clock) for run in runs[:place] if run.word == "stays"), default=0.0)
    off: dict[str, Any] = {"ignored": [0, max(0.0, ignored)]}
    pulses, last = runs[place], runs[-1]
    off["pulse"] = [_start(pulses.first_s, clock), _end(pulses.last_s, clock)]
    if last == pulses:  # no telling them apart: a pulse only about where it was used
        off["pulse"][1] = _end(2.0 * known.pulse, clock)
    if known.reset is not None:
        reset = next(run for run in runs if run.first_s <= known.reset <= run.last_s)
        off["reset"] = [_start(reset.first_s, clock), _end(reset.last_s, clock)]
        if off["reset"][0] > off["reset"][1]:
            off["reset"] = [round(known.reset, 3), round(known.reset, 3)]
    down = known.power_down if last == pulses else last.first_s
    off["power_down"] = [_start(down, clock), float("inf")]
    return off


def _start(tried_s: float, clock: float) -> float:
    """A window's start, so that what is certain begins above the length that was tried and found.

    Certain is from ``start / (1 - clock)`` on: that leaves the clock's error once more above what was tried.
    """
    return round(tried_s * (1 + clock) + SAFE_SPREAD_S, 4)


def _end(tried_s: float, clock: float) -> float:
    return round(tried_s * (1 - clock) - SAFE_SPREAD_S, 4)
