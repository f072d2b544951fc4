"""The states of a lamp and what moves it between them, found by walking the automaton itself.

Nothing here knows how a lamp behaves. :func:`walked` asks :class:`sequencer.automaton.behaviour.Behaviour`
what may follow each state after each kind of break and stretch of supply. The drawing gives every step it
found an arrow, one for a whole frame of states where all of them step alike, and stops with an error at a
step that it has no place for.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from canvas import INK, Shapes, arrow, box, picture, scene_tile, text

from sequencer.automaton.behaviour import Behaviour, State, behaviour
from sequencer.datasheet import Datasheet, load_datasheet

if TYPE_CHECKING:
    import svg

WIDTH, PANEL = 1110, 362
LEFT, STEP, TILE = 216, 122, (106, 40)
UPPER, LOWER = 110, 234  # tops of the two rows of states, from the panel's top


class Spot(NamedTuple):
    """A state as drawn: in the upper row nothing is pending (count) or the lamp is at rest (step)."""

    upper: bool
    number: int  # the scene's code, or the pulses counted


Ends = frozenset[Spot]
Steps = dict[str, dict[Spot, Ends]]
"""By "effect after stretch", and "settles": what may follow each state."""


def spot(lamp: Behaviour, state: State) -> Spot:
    """Where a state is drawn; while a count is pending the old scene steers nothing and is left out."""
    if lamp.counts:
        return Spot(upper=not state.pending, number=state.pending or state.scene)
    return Spot(upper=state.resting, number=state.scene)


def stretches(lamp: Behaviour) -> dict[str, int]:
    """A length of supply (ns) out of each stretch that a lamp tells apart."""
    g = lamp.guards
    found = {"none": 0, "same_train": g.same_train.first_ns, "warm": g.warm_up.first_ns}
    if g.settled is not None:
        found["between"] = (g.same_train.last_ns + g.settled.first_ns) // 2
    return found


def walked(lamp: Behaviour) -> Steps:
    """Every step from every state that any train can lead to from rest."""
    steps: Steps = {}

    def note(key: str, state: State, ends: Iterable[State]) -> None:
        at = steps.setdefault(key, {})
        at[spot(lamp, state)] = at.get(spot(lamp, state), frozenset()) | {spot(lamp, end) for end in ends}
        queue.extend(ends)

    queue = [lamp.rest(code) for code in lamp.codes]
    seen: set[State] = set()
    while queue:
        state = queue.pop()
        if state in seen:
            continue
        seen.add(state)
        note("settles", state, lamp.settle(state))
        for stretch, on_ns in stretches(lamp).items():
            for effect in ("pulse", "reset", "power_down"):
                after = lamp.notice(state, effect, lamp.supply(on_ns), sure=True)
                note(f"{effect} after {stretch}", state, after)
    return steps


class Panel:
    """One lamp's diagram; ``top`` is where it begins in the picture."""

    def __init__(self, sheet: Datasheet, top: float) -> None:
        self.sheet, self.top = sheet, top
        self.lamp = behaviour(sheet, pad_s=0.0)
        self.steps = walked(self.lamp)
        self.spots = sorted(self.steps["settles"])
        self.shapes: Shapes = []
        self.right = LEFT + STEP * max(place.number for place in self.spots) + 6

    def draw(self) -> Shapes:
        """Frames, states, and an arrow for every step."""
        counts, top = self.lamp.counts, self.top
        rows = ("shows a scene, nothing pending", "a count is pending") if counts else ("at rest", "stepping")
        chooses = "count: so many pulses, so many-th scene" if counts else "step: every pulse one scene on"
        self.shapes += [
            text(24, top + 32, f"{self.sheet.lamp.name} selects by {chooses}", size=16, weight="bold"),
            box(
                LEFT - 66, top + 68, self.right - LEFT + 96, 246, fill="#f1f4f7", stroke="#9aa5b1", radius=12
            ),
        ]
        for y in (UPPER, LOWER):
            frame = (LEFT - 20, top + y - 28, self.right - LEFT + 20, 82)
            self.shapes.append(box(*frame, fill="#fff", stroke="#9aa5b1", radius=10))
        for place in self.spots:
            self.state(place)
        legend: list[str] = []
        self.pulses(legend)
        self.settling(legend)
        self.homing(legend)
        self.shapes.append(text(24, top + 55, "\N{EM SPACE}\N{EM SPACE}".join(legend), size=12.5))
        for y, name in zip((UPPER, LOWER), rows, strict=True):
            self.shapes.append(text(LEFT - 10, top + y - 11, name, size=12, fill="#52606d", halo="#fff"))
        return self.shapes

    def at(self, place: Spot, dx: float, dy: float) -> tuple[float, float]:
        """A point of a state's box, in fractions of it."""
        y = self.top + (UPPER if place.upper else LOWER)
        return LEFT + STEP * (place.number - 1) + dx * TILE[0], y + dy * TILE[1]

    def state(self, place: Spot) -> None:
        x, y = self.at(place, 0, 0)
        scene = self.sheet.scene_by_code(place.number)
        if scene is not None and (place.upper or not self.lamp.counts):
            colours = [scene.colour] if scene.colour else list(scene.colours or ("#ffffff",))
            self.shapes += scene_tile(x, y, *TILE, f"{scene.code} {scene.name}", colours, f"{x:.0f}-{y:.0f}")
            return
        words = f"{place.number} counted" if scene else f"{place.number} or more"
        self.shapes += [
            box(x, y, *TILE, fill="#eef2f5", stroke=INK, radius=6, dashed=scene is None),
            text(x + TILE[0] / 2, y + 25, words, anchor="middle", size=12.5),
        ]

    def row(self, key: str, *, upper: bool) -> dict[Spot, Ends]:
        return {place: ends for place, ends in self.steps[key].items() if place.upper is upper}

    def pulses(self, legend: list[str]) -> None:
        """Pulses that are certainly taken, and what else there may be after less, or more, supply."""
        first = self.row("pulse after warm", upper=True)
        more = self.row("pulse after same_train", upper=False)
        on, top = self.sheet.on, self.top
        if (alike := only(first.values())) is not None:
            (to,) = alike
            x, y = self.at(to, 0, 0.5)
            frame = (LEFT - 20, top + UPPER + 34)
            self.shapes.append(arrow([frame, (frame[0] - 36, frame[1] + 20), (x - 54, y - 4), (x, y)]))
            for i, words in enumerate(("first pulse, after", f"{self.sheet.warm_up[0]:g} s of supply")):
                self.shapes.append(text(LEFT - 74, top + LOWER - 24 + 17 * i, words, size=12, anchor="end"))
        else:
            for place, ends in first.items():
                self.shapes.append(self.across(place, *ends))
            legend.append(f"\N{SOUTH EAST ARROW} first pulse, after {self.sheet.warm_up[0]:g} s of supply")
        for place, ends in more.items():
            self.shapes.append(self.along(place, *ends))
        until = f" to {on.same_train[1]:g}" if self.lamp.counts else ""
        legend.append(f"\N{RIGHTWARDS ARROW} pulse, after {on.same_train[0]:g}{until} s of supply")
        self.perhaps("pulse after none", first, upper=True)
        self.perhaps("pulse after none", more, upper=False)
        if "pulse after between" in self.steps:
            self.perhaps("pulse after between", more, upper=False)

    def perhaps(self, key: str, sure: dict[Spot, Ends], *, upper: bool) -> None:
        """What else may follow than would for certain: to stay, or a state that is the same for all."""
        others = {place: ends - sure[place] for place, ends in self.row(key, upper=upper).items()}
        y = self.top + (UPPER if upper else LOWER)
        x = self.right
        stays = all(other <= {place} for place, other in others.items())
        if stays or all({place} < other <= set(others) for place, other in others.items()):
            words = ("pulse sooner:", "perhaps not taken", *(() if stays else ("(at rest either way)",)))
            loop = [(x, y - 8), (x + 34, y - 14), (x + 34, y + 22), (x, y + 16)]
            self.shapes.append(arrow(loop, perhaps=True))
            self.shapes += [text(x + 36, y + 1 + 16 * i, word, size=12) for i, word in enumerate(words)]
            return
        on = self.sheet.on
        to = only([other for place, other in others.items() if sure[place] != other and other])
        assert to is not None, f"no place in the drawing for {key}: {others}"
        assert on.settled is not None
        (target,) = to
        end = self.at(target, 0.5, 1)
        frame = (LEFT + 1.9 * STEP, y + 54)
        self.shapes.append(arrow([frame, (frame[0] - 50, y + 76), (end[0] + 8, y + 72), end], perhaps=True))
        words = f"pulse, after {on.same_train[1]:g} to {on.settled[0]:g} s: perhaps the first of a new train"
        self.shapes.append(text(frame[0] + 4, y + 70, words, size=12))

    def settling(self, legend: list[str]) -> None:
        """A pending count becomes a scene."""
        settled = self.sheet.on.settled
        for place, ends in self.row("settles", upper=False).items():
            if ends == {place}:
                continue
            x, y = self.at(place, 0.5, 0)
            if len(ends) > 1:
                assert self.lamp.overflow == "ignored", f"no place in the drawing for {ends}"
                self.shapes.append(text(x + 6, y - 38, "old scene", size=12))
            self.shapes.append(arrow([(x, y), (x, self.top + UPPER + (TILE[1] if len(ends) == 1 else 54))]))
        if self.lamp.counts and settled is not None:
            legend.append(f"\N{UPWARDS ARROW} settled, after {settled[0]:g} s")

    def homing(self, legend: list[str]) -> None:
        """Resets and power-downs: to one state from everywhere, or each scene to its rest."""
        off = self.sheet.off
        named = {"power_down": f"power-down, over {off.power_down[0]:g} s"}
        if off.reset is not None:
            named["reset"] = f"reset, {off.reset[0]:g} to {off.reset[1]:g} s"
        home: dict[Spot, list[str]] = {}
        for effect, label in named.items():
            ends = self.steps[f"{effect} after warm"]
            if (alike := only(ends.values())) is not None:
                (to,) = alike
                home.setdefault(to, []).append(label)
                continue
            for place, end in ends.items():
                assert end == {Spot(upper=True, number=place.number)}, f"no place in the drawing for {ends}"
                if not place.upper:
                    self.shapes.append(arrow([self.at(place, 0.2, 0), self.at(*end, 0.2, 1)]))
            legend.append(f"\N{UPWARDS ARROW} {label}")
        for to, labels in home.items():
            x, y = self.at(to, 0, 0.4)
            self.shapes.append(arrow([(LEFT - 66, y), (x, y)]))
            for i, label in enumerate(["from anywhere:", *labels]):
                self.shapes.append(text(LEFT - 74, y - 6 + 17 * i, label, size=12, anchor="end"))

    def across(self, place: Spot, end: Spot) -> svg.Element:
        """Down from the upper row."""
        return arrow([self.at(place, 0.5, 1), self.at(end, 0.5, 0)])

    def along(self, place: Spot, end: Spot) -> svg.Element:
        """To the right neighbour, to itself, or round to the first."""
        if end.number == place.number + 1:
            return arrow([self.at(place, 1, 0.5), self.at(end, 0, 0.5)])
        (x, y), to = self.at(place, 0.5, 1), self.at(end, 0.5, 1)
        if end == place:
            return arrow([(x - 20, y), (x - 30, y + 26), (x + 30, y + 26), (x + 20, y)])
        return arrow([(x, y), (x - 40, y + 34), (to[0] + 40, y + 34), to])


def only(values: Iterable[Ends]) -> Ends | None:
    """The one value that all are, or None."""
    different = set(values)
    return different.pop() if len(different) == 1 else None


def lamp_states(lamps: Path) -> str:
    """A counting lamp and a stepping one, one above the other."""
    shapes: Shapes = []
    for i, name in enumerate(("type-b.toml", "type-c.toml")):
        shapes += Panel(load_datasheet(lamps / name), i * PANEL).draw()
    return picture(WIDTH, 2 * PANEL, "What moves a lamp from state to state, counting and stepping", shapes)
