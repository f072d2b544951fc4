"""One planned train over time, and each length in it against the windows of every type that hears it.

The train comes from the planner, its readings from the automaton and the walk that proves it; the drawing
adds no rule of its own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from canvas import EFFECTS, FAINT, INK, PAPER, SUPPLIES, WORDS, Shapes, box, line, picture, text

from sequencer.automaton.behaviour import Behaviour, State, behaviour
from sequencer.automaton.guards import Window
from sequencer.datasheet import Datasheet
from sequencer.planner import LampProof, Plan, plan, request_for
from sequencer.planner.proof import Break, Walk, breaks_of_train, starting_states
from sequencer.sitefile import Pad
from sequencer.units import NS_PER_S, to_seconds

WIDTH = 1110
LEFT, SPAN = 150, 930  # the train over time
SCALE_X, SCALE_W, SHORTEST_S, LONGEST_S = 216, 420, 0.01, 20.0  # the lengths
LANE, ROW_GAP = 19, 17
COLOURS = EFFECTS | SUPPLIES


class Heard:
    """How one type hears the train: its reading of each break, and what it may be in after each."""

    def __init__(
        self, proof: LampProof, lamps: Sequence[str], sheet: Datasheet, lamp: Behaviour, walk: Walk
    ) -> None:
        self.proof, self.lamps, self.sheet, self.lamp, self._walk = proof, lamps, sheet, lamp, walk

    def reads(self, length_ns: int) -> str:
        """What a break of this length is to it; two words where it has a choice."""
        return " or ".join(WORDS[effect] for effect in self.lamp.effects(length_ns))

    def states(self, breaks: Sequence[Break], until: int) -> set[State]:
        """What it may be in after these breaks and supply until then (ns)."""
        walk = Walk(self.lamp, {state for state, *_ in self._walk.states}, 0, 0)
        return walk.over(breaks, until)

    def words(self, states: set[State]) -> str:
        """Those states, for people."""
        if any(state.pending for state in states):
            return " or ".join(str(n) for n in sorted({state.pending for state in states})) + " counted"
        if len(scenes := {state.scene for state in states}) > 1:
            return f"any of {len(scenes)} scenes"
        return next(scene.name for scene in self.sheet.scenes if scene.code in scenes)


class Length(NamedTuple):
    """A length that one type measures, the windows it is held against, and what comes of it."""

    length_ns: int | None
    windows: tuple[Window, ...]
    comes_of_it: str


class Drawing:
    """The picture of one plan."""

    def __init__(self, pad: Pad, circuit: str, scene: str) -> None:
        request = request_for(pad, circuit, scene)
        found = plan(request)
        assert isinstance(found, Plan), found
        self.circuit, self.scene, self.plan = circuit, scene, found
        self.breaks, self.end = breaks_of_train(found.train)
        self.types: list[Heard] = []
        for stem in dict.fromkeys(proof.stem for proof in found.lamps):
            names = [proof.lamp for proof in found.lamps if proof.stem == stem]
            proof = next(proof for proof in found.lamps if proof.stem == stem)
            lamp = behaviour(pad.datasheets[stem], request.pad_s)
            walk = Walk(lamp, starting_states(lamp, request, None), 0, 0)
            self.types.append(Heard(proof, names, pad.datasheets[stem], lamp, walk))
        self.shapes: Shapes = []

    def draw(self) -> str:
        """The file."""
        title = f'{self.circuit} to "{self.scene}", from rest, whatever the lamps show'
        self.shapes.append(text(24, 34, title, size=16, weight="bold"))
        below = self.over_time(84)
        self.shapes.append(
            text(24, below + 46, "Each length, and what it means to each type", size=14, weight="bold")
        )
        below = self.lengths(below + 66)
        below = self.legend(below + 24)
        return picture(WIDTH, below + 20, f"A train that brings {self.circuit} to {self.scene}", self.shapes)

    # -- the train over time, to scale -----------------------------------------------------------

    def x(self, at_ns: int) -> float:
        return LEFT + 24 + (SPAN - 24) * at_ns / self.end

    def over_time(self, top: float) -> float:
        """Supply as a line, then a lane for each type; returns where it ends."""
        up, down = top, top + 26
        trace = [(LEFT, up)]
        for number, this in enumerate(self.breaks, start=1):
            left, right = self.x(this.opened), self.x(this.closed)
            trace += [(left, up), (left, down), (right, down), (right, up)]
            self.shapes.append(text((left + right) / 2, up - 8, str(number), size=12, anchor="middle"))
        trace.append((self.x(self.end), up))
        self.shapes += [
            text(LEFT - 12, top - 8, "break", size=12, anchor="end", fill="#52606d"),
            text(LEFT - 12, top + 18, "supply", size=12.5, anchor="end"),
            line(trace, width=2),
        ]
        y = down + 16
        for heard in self.types:
            self.lane(heard, y)
            y += 46
        for second in range(int(to_seconds(self.end)) + 1):
            at = self.x(second * NS_PER_S)
            self.shapes += [line([(at, y - 2), (at, y + 4)], stroke=FAINT, width=1)]
            if second % 2 == 0:
                self.shapes.append(text(at, y + 17, f"{second} s", size=11, anchor="middle", fill="#52606d"))
        return y + 16

    def lane(self, heard: Heard, y: float) -> None:
        who = f"{len(heard.lamps)} of {heard.proof.stem}"
        self.shapes.append(text(LEFT - 12, y + 17, who, size=12.5, anchor="end"))
        self.shapes.append(box(LEFT, y, self.x(self.end) - LEFT, 26, fill="#eef2f5"))
        lit_from, before = float(LEFT), heard.states([], 0)
        for number, this in enumerate([*self.breaks, None], start=1):
            until = self.end if this is None else this.opened
            room = self.x(until) - lit_from
            words = heard.words(heard.states(self.breaks[: number - 1], until) if number > 1 else before)
            if room > 7 * len(words):
                self.shapes.append(text(lit_from + room / 2, y + 17, words, size=12, anchor="middle"))
            if this is None:
                break
            effects = heard.lamp.effects(this.closed - this.opened)
            wide = (self.x(this.closed) - self.x(this.opened)) / len(effects)
            for i, effect in enumerate(effects):
                self.shapes.append(box(self.x(this.opened) + i * wide, y, wide, 26, fill=EFFECTS[effect]))
            words = heard.reads(this.closed - this.opened)
            if wide > 8 * len(words):
                mid = (self.x(this.opened) + self.x(this.closed)) / 2
                self.shapes.append(text(mid, y + 17, words, size=12, fill=PAPER, anchor="middle"))
            lit_from = self.x(this.closed)

    # -- each length against the windows -----------------------------------------------------------

    def lengths(self, top: float) -> float:
        """A row for each break and each supply, a lane in it for each type; returns where it ends."""
        y = top + 14
        for seconds in (0.01, 0.1, 1.0, 10.0):
            self.shapes.append(
                text(scale(seconds), top, f"{seconds:g} s", size=11, anchor="middle", fill="#52606d")
            )
        height = LANE * len(self.types)
        for number, this in enumerate(self.breaks, start=1):
            lengths = [self.break_for(heard, number, this) for heard in self.types]
            self.row(f"break {number}", this.closed - this.opened, lengths, (number, "off"), y)
            y += height + ROW_GAP
            following = self.breaks[number].opened if number < len(self.breaks) else self.end
            lengths = [self.supply_for(heard, number) for heard in self.types]
            self.row(f"supply {number}", following - this.closed, lengths, (number, "on"), y)
            y += height + ROW_GAP
        return y - ROW_GAP

    def break_for(self, heard: Heard, number: int, this: Break) -> Length:
        length = this.closed - this.opened
        reads = heard.reads(length)
        if reads != WORDS["ignored"]:
            reads += f": {heard.words(heard.states(self.breaks[:number], this.closed))}"
        return Length(length, heard.lamp.guards.breaks, reads)

    def supply_for(self, heard: Heard, number: int) -> Length:
        """What the type has had since the last break it noticed, where it looks at that here."""
        last = number == len(self.breaks)
        ignores = [heard.lamp.effects(b.closed - b.opened) == ("ignored",) for b in self.breaks]
        if not last and ignores[number]:
            return Length(None, (), f"its timer runs on through break {number + 1}")
        noticed = max((n for n in range(number) if not ignores[n]), default=None)
        if noticed is None:
            return Length(None, (), "")
        until = self.end if last else self.breaks[number].opened
        had = until - self.breaks[noticed].closed
        states = heard.states(self.breaks[:number], self.breaks[noticed].closed)
        guards = heard.lamp.guards
        rests = any(s.resting if not heard.lamp.counts else not s.pending for s in states)
        windows: list[Window | None] = [guards.warm_up] if rests else [guards.same_train, guards.settled]
        looked_at = tuple(w for w in windows if w is not None)
        if last and not any(s.pending for s in states):
            return Length(None, (), "")
        inside = [WORDS[w.name] for w in looked_at if w.first_ns <= had <= w.last_ns]
        words = inside[0] if inside else "in a gap"
        if last:
            words += f": {heard.words(heard.states(self.breaks, self.end))}"
        if noticed + 1 < number:
            words += " (breaks it rode through count in)"
        return Length(had, looked_at, words)

    def row(
        self, name: str, length_ns: int, lengths: Sequence[Length], at: tuple[int, str], y: float
    ) -> None:
        shown = f"{name}, {to_seconds(length_ns):.3f} s"
        height = LANE * len(lengths)
        self.shapes.append(text(24, y + height / 2 + 4, shown, size=12.5))
        for i, (heard, length) in enumerate(zip(self.types, lengths, strict=True)):
            top = y + LANE * i
            self.shapes.append(
                text(SCALE_X - 8, top + 13, heard.proof.stem, size=10.5, anchor="end", fill="#52606d")
            )
            words = length.comes_of_it
            if length.length_ns is None:
                self.shapes.append(text(SCALE_X + 6, top + 13, words, size=12, fill="#52606d"))
                continue
            self.shapes += ruler(length.windows, top)
            mark = scale(to_seconds(length.length_ns))
            self.shapes.append(line([(mark, top - 3), (mark, top + LANE - 1)], stroke=INK, width=2.5))
            tightest, slack = heard.proof.tightest, heard.proof.slack_s
            if tightest is not None and slack is not None and (tightest.break_no, tightest.part) == at:
                words += f"; least slack, {slack * 1000:.1f} ms"
            self.shapes.append(text(SCALE_X + SCALE_W + 14, top + 13, words, size=12.5))

    def legend(self, top: float) -> float:
        """What the colours say; returns where it ends."""
        x = 24.0
        windows = [w.name for heard in self.types for w in heard.lamp.guards.breaks]
        for name in dict.fromkeys([*EFFECTS, *SUPPLIES]):
            if name in EFFECTS and name not in windows:
                continue
            self.shapes += [
                box(x, top, 14, 14, fill=COLOURS[name]),
                text(x + 20, top + 12, WORDS[name], size=12),
            ]
            x += 40 + 7.4 * len(WORDS[name])
        words = "Pale: in the window, but nearer to its end than clock tolerance, spread and margin allow. "
        words += "Grey: may be taken for either side."
        self.shapes.append(text(24, top + 36, words, size=12))
        return top + 36


def scale(seconds: float) -> float:
    """Where a length stands: every tenfold is the same step."""
    part = math.log(min(max(seconds, SHORTEST_S), LONGEST_S) / SHORTEST_S) / math.log(LONGEST_S / SHORTEST_S)
    return SCALE_X + SCALE_W * part


def ruler(windows: Sequence[Window], top: float) -> Shapes:
    """Windows on the scale: pale to their limits, full where a length is certain with margin."""
    height = LANE - 4
    shapes: Shapes = [box(SCALE_X, top, SCALE_W, height, fill="#e9edf0")]
    for window in windows:
        limits = (scale(window.limits_s[0]), scale(window.limits_s[1]))
        certain = (scale(to_seconds(window.first_ns)), scale(to_seconds(max(window.last_ns, 0))))
        colour = COLOURS[window.name]
        shapes.append(box(limits[0], top, limits[1] - limits[0], height, fill=PAPER))
        shapes.append(box(limits[0], top, limits[1] - limits[0], height, fill=colour, opacity=0.35))
        if not window.closed:
            shapes.append(box(certain[0], top, certain[1] - certain[0], height, fill=colour))
    return shapes


def train_timeline(pad: Pad, circuit: str, scene: str) -> str:
    """The train that the planner finds for a scene of a site, from rest and unknown."""
    return Drawing(pad, circuit, scene).draw()
