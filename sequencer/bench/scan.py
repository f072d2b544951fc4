"""The rough scan: lengths that are surely a pulse, a gap, a settling, a reset and a power-down.

Nothing is known at the start but what :class:`~sequencer.bench.asking.Assumed` says. What tells the kinds apart:

- single breaks, each with a long supply after it: a lamp that steps goes on and on; one that counts stays on
  scene 1 from the second on;
- two breaks with a short supply between: a lamp that counts shows another scene than after one.

With a pulse and a gap known, every other length is tried for what it does: nothing, a pulse, back to the first
scene, or something else; and every supply for whether the pulse after it is taken.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from sequencer.bench.asking import BACK, Asking, Unclear
from sequencer.bench.edges import Line, Run, from_middle, ladder

OVER_PITCH_S = 0.03
"""So much longer than the flash limit asks for are a pulse and a gap that are used again and again."""
LIKELY_PULSE_S = 0.5
LIKELY_GAP_S = 0.7
"""Where the search for a pulse and a gap begins. Common practice, no source."""
SHORTEST_GAP_S = 0.05
LEAST_LIMIT = 3.0
"""A flash limit below this keeps something from being tried that could be."""
STEPS_CHECKED = 4
"""How often a pulse must do the same again before it is relied on."""
EDGE = 1.1
"""An edge of a window is known when it lies between two lengths of this ratio."""


@dataclass(frozen=True)
class Lengths:
    """Lengths (s) that surely do what they are called, once the scan is over.

    ``runs`` of breaks, by length; ``gap``, ``settled`` and ``warm`` are brackets: the longest supply that was too
    short and the shortest that was enough; None where every supply tried was enough (or none was needed).
    """

    counts: bool
    pulse: float
    gap: float
    settle: float
    power_down: float = 0.0
    reset: float | None = None
    runs: tuple[Run, ...] = ()
    gap_edge: tuple[float, float] | None = None
    settle_edge: tuple[float, float] | None = None
    warm_edge: tuple[float, float] | None = None
    powers_down: str = "stays"
    unsure: tuple[str, ...] = field(default=())


class Scan:
    """One scan. Every method may raise what :meth:`Asking.see` raises, and Unclear."""

    def __init__(self, ask: Asking) -> None:
        self.ask = ask
        self.rest = ask.assumed.settled_s
        self.pitch = ask.assumed.pitch_s
        self.untried: tuple[str, ...] = ()  # what the flash limit kept from being tried
        self.ring: list[int] = []  # step: scenes in order, once round
        self.place = 0  # step: where in the ring it is
        self.first: int | None = None  # step: where reset or power-down goes
        self.one = self.two = 0  # count: the scenes of one and of two pulses

    # -- a pulse and a gap ---------------------------------------------------------------------------

    def first_lengths(self) -> Lengths:
        """A pulse and a gap, and whether the lamp counts or steps."""
        ask, rest = self.ask, self.rest
        ask.see(why="what it shows at the start")
        tried: set[float] = set()
        for ratio in (2.0, 1.35):
            breaks = (
                ladder(0.1, min(6.0, ask.assumed.longest_s), ratio)
                + ladder(ask.assumed.shortest_s, 0.1, ratio)[:-1]
            )
            for off in from_middle(breaks, LIKELY_PULSE_S):
                if off in tried:
                    continue
                tried.add(off)
                seen = [ask.see((off, rest), why="a break, then a long supply") for _ in range(3)]
                if seen[1] != seen[0] or seen[2] != seen[1]:
                    again = [
                        seen[-1],
                        *(ask.see((off, rest), why="does it go on?") for _ in range(STEPS_CHECKED)),
                    ]
                    if sum(a != b for a, b in zip(again, again[1:], strict=False)) >= 2:
                        return Lengths(False, off, 0.0, rest)
                for gap in self._paced(off, from_middle(ladder(0.15, 5.0, 1.8), LIKELY_GAP_S)):
                    if self._counts(off, gap, seen[-1]):
                        return Lengths(True, off, gap, rest)
        raise Unclear(
            "no break changed what the lamp shows: it may have one scene only, or want breaks or supplies "
            "outside of what was tried" + self._limit("; ", " let no quicker breaks be tried")
        )

    def _paced(self, off: float, supplies: Sequence[float]) -> list[float]:
        """Those supplies after a break that keep the flash limit, and the shortest that does."""
        least = math.ceil(1e4 * (self.pitch - off)) / 1e4
        within = [supply for supply in supplies if supply >= least]
        return within if len(within) == len(supplies) else [least, *within]

    def _limit(self, before: str, after: str) -> str:
        """These words around the flash limit, where it is lower than it need be; else none."""
        limit = self.ask.assumed.max_flashes_per_s
        return "" if limit >= LEAST_LIMIT else f"{before}max_flashes_per_s = {limit:g}{after}"

    def _counts(self, off: float, gap: float, single: int) -> bool:
        two = (off, gap), (off, self.rest)
        if (double := self.ask.see(*two, why="two breaks with a short supply between")) == single:
            return False
        after_one = [self.ask.see((off, self.rest), why="one again") for _ in range(2)]
        return after_one == [single] * 2 and all(
            self.ask.see(*two, why="two again") == double for _ in range(STEPS_CHECKED - 1)
        )

    # -- step ---------------------------------------------------------------------------------------

    def walk_ring(self, known: Lengths) -> Lengths:
        """Step: all scenes once round, and a supply between two steps that is surely enough."""
        ask, most = self.ask, self.ask.assumed.most_scenes
        gap = max(1.0, self.pitch - known.pulse)
        while gap < self.rest:
            before = ask.shows
            seen = [ask.see((known.pulse, gap), why="steps in quick order") for _ in range(STEPS_CHECKED)]
            if all(a != b for a, b in zip([before, *seen], seen, strict=False)):
                break
            gap = min(2 * gap, self.rest)
        walked: list[int] = []
        while (period := _period(walked)) + most > len(walked):
            walked.append(ask.see((known.pulse, gap), why="round the ring"))
            if len(walked) > 3 * most + 2:
                raise Unclear(f"no ring of at most {most} scenes came round")
        # Fine and Wilf (1965): two rings of at most `most` that agree over period + most agree for ever.
        ring = walked[:period]
        turn = len(walked) % period
        self.ring = ring[turn:] + ring[:turn]  # so that the next pulse shows ring[0]; it shows ring[-1] now
        self.place = period - 1
        ask.go_to = lambda scene: self._step_to(scene, known.pulse, gap)
        return replace(known, gap=gap)

    def where(self, pulse: float, gap: float) -> int:
        """Step: the place in the ring that it is at, found by going on where two scenes look alike."""
        seen = [self.ask.shows]
        size = len(self.ring)
        for _ in range(size):
            fits = [i for i in range(size) if all(self.ring[(i + k) % size] == s for k, s in enumerate(seen))]
            if len(fits) == 1:
                self.place = (fits[0] + len(seen) - 1) % size
                return fits[0]
            if not fits:
                break
            seen.append(self.ask.see((pulse, gap), why="which of the scenes that look alike"))
        raise Unclear("the lamp left the ring of scenes that it had shown")

    def step_on(self, times: int, pulse: float, gap: float) -> None:
        """Step: so many places on."""
        for _ in range(times):
            self.ask.see((pulse, gap), why="on to the scene to start from")
            self.place = (self.place + 1) % len(self.ring)

    def _step_to(self, scene: int, pulse: float, gap: float) -> None:
        for _ in range(2 * self.ask.assumed.most_scenes):
            if self.ask.shows == scene:
                return
            self.ask.see((pulse, gap), why=BACK)
        raise Unclear("the lamp no longer shows the scene at which the run was broken off")

    # -- what each length does -----------------------------------------------------------------------

    def breaks(self, known: Lengths) -> Lengths:
        """What breaks of all lengths do; sure lengths for each effect; and the supply that is enough."""
        ask = self.ask
        line = self._line(known)
        low, high = ask.assumed.shortest_s, ask.assumed.longest_s
        for length in [*ladder(known.pulse, high), *ladder(low, known.pulse)[:-1]]:
            line.at(length)
        # A reset may be short; and a power-down that moves a lamp on looks like a pulse on either side of it.
        pulses, last = _run_at(line, known.pulse), line.runs()[-1]
        whole = last.word == "pulse"
        line.fill(
            ask.assumed.narrowest, known.pulse if whole else pulses.last_s, high if whole else last.first_s
        )
        return self._named(line, known)

    def _line(self, known: Lengths) -> Line:
        effect = self._break_of_count if known.counts else self._break_of_step
        return Line(lambda off: effect(off, known))

    def refined(self, known: Lengths) -> Lengths:
        """The same, each edge closer; with the shorter settling that is known by then."""
        line = self._line(known)
        for run in known.runs:
            line.tried[run.first_s] = line.tried[run.last_s] = run.word
        line.halve(EDGE)
        # What was seen at one length only is an edge that is not sharp.
        alone = [run for run in line.runs() if run.first_s == run.last_s]
        for run in alone:
            line.tried[run.first_s] = "unclear"
        return self._named(line, known)

    def _named(self, line: Line, known: Lengths) -> Lengths:
        runs = line.runs()
        place = runs.index(_run_at(line, known.pulse))
        pulses, later = runs[place], [run for run in runs[place + 1 :] if run.word != "unclear"]
        unsure = []
        if not later:
            unsure.append(
                f"breaks of up to {pulses.last_s:.3g} s all did what a pulse does: where power-down begins was not seen"
            )
            down = pulses.last_s
        else:
            last = later[-1]
            down = max(min(1.3 * last.first_s + 0.5, last.last_s), last.first_s)
        reset = next((run for run in later[:-1] if run.word == "first"), None)
        odd = [run for run in runs if run not in (pulses, reset, runs[-1]) and run.word != "stays"]
        unsure += [
            f"breaks of {r.first_s:.3g}-{r.last_s:.3g} s did what no datasheet can say, or not the same each time"
            for r in odd
        ]
        return replace(
            known,
            pulse=self._pulse_of(pulses, known),
            reset=None if reset is None else round(reset.middle_s, 3),
            power_down=round(down, 3),
            powers_down=later[-1].word if later else "pulse",
            runs=tuple(runs),
            unsure=(*self.untried, *unsure),
        )

    def _pulse_of(self, pulses: Run, known: Lengths) -> float:
        """A pulse from the middle of what serves, that with the gap keeps the flash limit."""
        pulse = round(pulses.near(max(0.4, self.pitch + OVER_PITCH_S - known.gap)), 3)
        return pulse if pulse + known.gap >= self.pitch else known.pulse

    def _break_of_count(self, off: float, known: Lengths) -> str:
        p, g, rest, ask = known.pulse, known.gap, known.settle, self.ask
        one, two = self.one, self.two
        if ask.shows != two:
            ask.see((p, g), (p, rest), why="to scene 2")
        alone = ask.see((off, rest), why="this break alone, from scene 2")
        if alone == two:
            return "stays"
        if alone != one:
            return "unclear"
        after = ask.see((p, g), (off, rest), why="this break as the second of a train")
        return {two: "pulse", one: "first"}.get(after, "unclear")

    def _break_of_step(self, off: float, known: Lengths) -> str:
        p, g, rest, size = known.pulse, known.gap, known.settle, len(self.ring)
        ask, why = self.ask, "this break, from two scenes"
        start = self.place
        ask.see((off, rest), why=why)
        to = self.where(p, rest)
        if to == start:
            self.step_on(1, p, g)
        second = self.place
        ask.see((off, rest), why=why)
        to_second = self.where(p, rest)
        if (to, to_second) == (start, second):
            return "stays"
        if to_second == to and to in {start, second}:
            return "first"
        if (to, to_second) == ((start + 1) % size, (second + 1) % size):
            return "pulse"
        return "unclear"

    # -- supplies -----------------------------------------------------------------------------------

    def learn_two(self, known: Lengths) -> Lengths:
        """Count: the scenes of one and of two pulses, and how to come back to one that was seen."""
        p, g, rest = known.pulse, known.gap, known.settle
        self.one = self.ask.see((p, rest), why="scene 1")
        self.two = self.ask.see((p, g), (p, rest), why="scene 2")
        self.ask.go_to = lambda scene: self._count_to(scene, p, g, rest)
        return known

    def _count_to(self, scene: int, pulse: float, gap: float, rest: float) -> None:
        for count in range(1, self.ask.assumed.most_scenes + 1):
            if self.ask.see(*[(pulse, gap)] * (count - 1), (pulse, rest), why=BACK) == scene:
                return
        raise Unclear("the lamp no longer shows the scene at which the run was broken off")

    def gaps(self, known: Lengths) -> Lengths:
        """Count: from which supply on a pulse continues the train, and from which on the train is over."""
        p, rest = known.pulse, known.settle

        def taken(supply: float) -> str:
            # Not from scene 2: two breaks that the lamp takes for one long break may leave it where it was.
            if supply < known.gap and self.ask.shows == self.two:
                self.ask.see((p, rest), why="to scene 1")
            seen = self.ask.see((p, supply), (p, rest), why="the supply between two pulses")
            return "in" if seen == self.two else "out"

        line = Line(taken)
        shorter_ones = self._paced(p, ladder(SHORTEST_GAP_S, known.gap)[:-1])
        for supply in [known.gap, *ladder(known.gap, rest, 1.6)[1:], *shorter_ones]:
            line.at(supply)
        line.halve(EDGE)
        train = _run_at(line, known.gap, "in")
        longer = [run.first_s for run in line.runs() if run.first_s > train.last_s]
        shorter = [run.last_s for run in line.runs() if run.last_s < train.first_s]
        gap = round(train.near(max(0.35, self.pitch + OVER_PITCH_S - p)), 3)
        gap = gap if p + gap >= self.pitch else known.gap
        self._say_untried(shorter, train.first_s)
        if not longer:
            raise Unclear(
                f"two pulses {rest:.3g} s apart are still one train: name a longer one with --settled"
            )
        return replace(
            known,
            gap=gap,
            gap_edge=(shorter[-1] if shorter else 0.0, train.first_s),
            settle_edge=(train.last_s, longer[0]),
        )

    def step_gaps(self, known: Lengths) -> Lengths:
        """Step: from which supply on the second of two pulses is taken."""
        p, rest, size = known.pulse, known.settle, len(self.ring)

        def moved(supply: float, pulses: int) -> int:
            start = self.place
            self.ask.see(*[(p, supply)] * (pulses - 1), (p, rest), why="the supply between pulses")
            return (self.where(p, rest) - start) % size

        def taken(supply: float) -> str:
            # Two breaks that the lamp takes for one long break must not look like two steps.
            if self.first is not None and (self.place + 2) % size == self.first:
                self.step_on(1, p, known.gap)
            if moved(supply, 2) != 2 % size:
                return "out"
            # In a ring of two, two steps look like none; three do not, and one was seen not to be what it does.
            alike = size == 2 and known.powers_down == "stays"
            return "out" if alike and moved(supply, 3) != 1 else "in"

        return self._edge_of_gap(known, taken)

    def _edge_of_gap(self, known: Lengths, taken: Callable[[float], str]) -> Lengths:
        line = Line(taken)
        for supply in self._paced(known.pulse, ladder(SHORTEST_GAP_S, max(known.gap, 0.5))):
            line.at(supply)
        line.halve(EDGE)
        runs = line.runs()
        if runs[-1].word != "in":
            raise Unclear("two steps in quick order were not both taken")
        gap = max(runs[-1].first_s * 1.3, 0.35, self.pitch + OVER_PITCH_S - known.pulse)
        shorter = [run.last_s for run in runs[:-1]]
        self._say_untried(shorter, runs[-1].first_s)
        return replace(known, gap=round(gap, 3), gap_edge=(shorter[-1] if shorter else 0.0, runs[-1].first_s))

    def _say_untried(self, shorter: Sequence[float], first_s: float) -> None:
        """That shorter supplies, too, may serve, where the flash limit let none be tried."""
        words = f"supplies under {first_s:.3g} s between two pulses were not tried"
        if not shorter and (why := self._limit(": ", " asks for longer ones")):
            self.untried = (words + why,)

    def warm_up(self, known: Lengths) -> Lengths:
        """How much supply the first pulse after a power-down wants."""
        p, g, rest, down = known.pulse, known.gap, known.settle, known.power_down
        ask = self.ask

        def count_takes(supply: float) -> str:
            if ask.shows != self.one:
                ask.see((p, rest), why="to scene 1")
            seen = ask.see((down, supply), (p, g), (p, rest), why="two pulses after a power-down")
            return "taken" if seen == self.two else "lost"

        def step_takes(supply: float) -> str:
            start, size = self.place, len(self.ring)
            first = 0 if self.first is None else self.first
            after = {"stays": start, "first": first, "pulse": (start + 1) % size}[known.powers_down]
            # More than one: a pulse that came early may be taken and yet not end the lamp's rest.
            # In a ring of two, two taken would look like none taken.
            more = 1 if size > 2 else 2
            ask.see((down, supply), *[(p, quick)] * more, (p, rest), why="quick pulses after a power-down")
            return "taken" if self.where(p, rest) == (after + more + 1) % size else "lost"

        quick = g if known.gap_edge is None else min(g, 1.15 * known.gap_edge[1] + 0.012)
        quick = min(max(quick, self.pitch - p), g)
        line = Line(count_takes if known.counts else step_takes)
        for supply in self._paced(down, ladder(SHORTEST_GAP_S, rest, 3.0)):
            line.at(supply)
        line.halve(EDGE)
        runs = line.runs()
        if runs[-1].word != "taken":
            raise Unclear(
                f"{rest:.3g} s of supply after a power-down are not enough: name a longer one with --settled"
            )
        edge = (runs[-2].last_s if runs[1:] else 0.0, runs[-1].first_s)
        return replace(known, warm_edge=edge)

    def learn_first(self, known: Lengths) -> None:
        """Step: the place that reset or power-down goes to, if either does."""
        if known.reset is not None or known.powers_down == "first":
            off = known.reset if known.reset is not None else known.power_down
            self.ask.see((off, known.settle), why="the first scene")
            self.first = self.where(known.pulse, known.settle)


def settled(known: Lengths, least_s: float = 1.0) -> float:
    """A supply after which it is surely settled and warm, once both edges are known."""
    edges = (known.gap_edge, known.settle_edge, known.warm_edge)
    return round(max(least_s, *(1.25 * edge[1] for edge in edges if edge)) + 0.3, 3)


def _run_at(line: Line, length_s: float, word: str = "pulse") -> Run:
    for run in line.runs():
        if run.first_s <= round(length_s, 4) <= run.last_s and run.word == word:
            return run
    raise Unclear(f"{length_s:.3g} s did not do again what it had done: an edge may lie just there")


def _period(walked: list[int]) -> int:
    """The least period of what was seen so far."""
    size = len(walked)
    fits = (p for p in range(1, size) if all(walked[i] == walked[i - p] for i in range(p, size)))
    return next(fits, max(size, 1))
