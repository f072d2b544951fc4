"""Lamps drawn by chance for discovery, and whether two datasheets are one automaton."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from random import Random
from typing import Any, NamedTuple

from sequencer.automaton.behaviour import LONG_LIT, Behaviour, State, Supply, behaviour
from sequencer.bench.colours import difference, mean_colour
from sequencer.bench.simulated import EyesThatErr, SimStand
from sequencer.datasheet import Datasheet
from sequencer.sim.lamp import SimLamp
from sequencer.sim.nature import Nature
from sequencer.units import to_seconds

APART = 13.0
"""CIEDE2000 between any two scenes: well over twice the eyes' threshold of 5."""


class Drawn(NamedTuple):
    """One lamp: its true datasheet, its own nature, what it shows at first and how well it is seen."""

    sheet: Datasheet
    nature: Nature
    scene: int
    lapse: float
    seed: int

    def stand(self, seed: int = 0) -> SimStand:
        """It on the table."""
        lamp = SimLamp(self.sheet, self.nature, scene=self.scene)
        return SimStand(lamp, eyes=EyesThatErr(noise=1.0, lapse=self.lapse), seed=self.seed + seed)


def drawn_lamp(seed: int, most_scenes: int = 16) -> Drawn:
    """One lamp, the same for the same seed: every kind, 2 to ``most_scenes`` scenes, one in four with a moving one."""
    rng = Random(seed)
    counts = rng.random() < 0.5
    lamp: dict[str, Any] = {
        "name": f"drawn {seed}",
        "selects_by": "count" if counts else "step",
        "after_power_down": rng.choice(
            ("remembered", "first") if counts else ("remembered", "first", "next")
        ),
        "clock_tolerance": rng.choice((0.0, 0.01, 0.03)),
    }
    if counts:
        lamp["overflow"] = rng.choice(("unknown", "ignored", "wraps"))
    ignored = rng.uniform(0.02, 0.12)
    pulse = ignored + rng.uniform(0.03, 0.2)
    pulse_end = max(pulse * rng.uniform(3, 10), 0.6)
    off: dict[str, Any] = {"ignored": (0, ignored), "pulse": (pulse, pulse_end)}
    last = pulse_end
    if rng.random() < 0.5:
        start = last * rng.uniform(1.2, 1.8)
        last = start * rng.uniform(1.4, 1.8)
        off["reset"] = (start, last)
    off["power_down"] = (last * rng.uniform(1.2, 2.0), math.inf)
    gap = rng.uniform(0.05, 0.4)
    on: dict[str, Any] = {"same_train": (gap, math.inf)}
    if counts:
        end = gap + rng.uniform(0.8, 2.5)
        on = {"same_train": (gap, end), "settled": (end * rng.uniform(1.2, 2.0), math.inf)}
    if rng.random() < 0.6:
        on["warm_up"] = (rng.uniform(gap, 3.0), math.inf)
    scenes = list(_scenes(rng, rng.randint(2, most_scenes)))
    sheet = Datasheet.model_validate({"lamp": lamp, "off": off, "on": on, "scene": scenes})
    nature = Nature.steady(rng, rng.choice(("steady", "drifting")))
    # The simulated lamp whose rest outlasts a pulse that it took knows its datasheet's windows, which are not
    # its own limits: nothing that can be found out.
    nature = replace(nature, wakes_early=True)
    return Drawn(
        sheet, nature, rng.randint(1, len(scenes)), rng.choice((0.0, 0.01, 0.02)), rng.getrandbits(31)
    )


def _scenes(rng: Random, size: int) -> Iterator[dict[str, Any]]:
    moving = rng.randint(1, size) if rng.random() < 0.25 else None
    colours: list[str] = []
    for code in range(1, size + 1):
        colour = _lit(rng)
        while any(difference(colour, other) < APART for other in colours):
            colour = _lit(rng)
        colours.append(colour)
        scene: dict[str, Any] = {"code": code, "name": f"scene {code}"}
        if code == moving:
            yield scene | {"period_s": round(rng.uniform(3.0, 15.0), 1), "colours": [colour]}
        else:
            yield scene | {"colour": colour}


def _lit(rng: Random) -> str:
    """A colour that is lit: one channel at half or more."""
    channels = [rng.randrange(256) for _ in range(3)]
    channels[rng.randrange(3)] = rng.randrange(128, 256)
    return "#{:02x}{:02x}{:02x}".format(*channels)


class Letter(NamedTuple):
    """A break that both datasheets are sure of, what each takes it for, and whether the train goes on after it."""

    off_s: float
    true: str
    found: str
    goes_on: bool


def unlike(true: Datasheet, found: Datasheet, near: float = 6.0) -> str | None:
    """How two datasheets differ as automata, in words; None when they are one wherever both are certain.

    A walk over the product of both, from every pair of rests of one colour; lengths are from the middle of what
    both are certain of, so a window of the one that lies in a gap of the other is not held against it. Of a set of
    states that one leaves open (a count beyond an unknown table), the colours must be the same set.
    """
    acts = behaviour(true, 0.0), behaviour(found, 0.0)
    if acts[0].counts != acts[1].counts:
        return "one counts, the other steps"
    match = {b.code: {a.code for a in true.scenes if _same(a, b, near)} for b in found.scenes}
    if missing := [b.name for b in found.scenes if not match[b.code]]:
        return f"no such scene: {missing}"
    if not all(any(a.code in codes for codes in match.values()) for a in true.scenes):
        return "a scene is missing"
    letters = list(_letters(*acts))
    if not {"pulse", "power_down"} <= {letter.true for letter in letters}:
        return f"no length is a pulse, or none a power-down, to both: {letters}"
    starts = [(acts[0].rest(a), acts[1].rest(b)) for b, codes in match.items() for a in codes]
    twins = any(len(codes) > 1 for codes in match.values())
    wrong = None
    alive = 0
    for start in starts:
        if bad := _walk(acts, start, letters, match):
            wrong = bad
        else:
            alive += 1
    if wrong and not (twins and alive):
        return wrong
    return None


def _walk(
    acts: tuple[Behaviour, Behaviour],
    start: tuple[State, State],
    letters: list[Letter],
    match: dict[int, set[int]],
) -> str | None:
    first = (frozenset({start[0]}), frozenset({start[1]}))
    ahead = [first]
    met = {first}
    for true, found in ahead:
        for letter in letters:
            after = (
                frozenset(_sent(acts[0], true, letter.true, letter.goes_on)),
                frozenset(_sent(acts[1], found, letter.found, letter.goes_on)),
            )
            if not (acts[0].counts and letter.goes_on):
                shown = {s.scene for s in after[0]}
                told = set().union(*(match[s.scene] for s in after[1]))
                if not (shown <= told and all(match[s.scene] & shown for s in after[1])):
                    return f"after {letter}: {sorted(shown)} against {sorted(told)}"
            if after not in met:
                met.add(after)
                ahead.append(after)
    return None


def _sent(acts: Behaviour, states: frozenset[State], effect: str, goes_on: bool) -> Iterator[State]:
    for state in states:
        starts = acts.settle(state) if effect == "power_down" else (state,)
        for each in starts:
            supply = Supply(True, "no", True) if each.pending else LONG_LIT
            after = (each,) if effect == "ignored" else acts.notice(each, effect, supply, sure=True)  # type: ignore[arg-type]
            for left in after:
                yield from (left,) if goes_on else acts.settle(left)


def _letters(true: Behaviour, found: Behaviour) -> Iterator[Letter]:
    for a in true.guards.breaks:
        for b in found.guards.breaks:
            low, high = max(a.first_ns, b.first_ns), min(a.last_ns, b.last_ns)
            if low > high:
                continue
            off = to_seconds((low + min(high, 4 * low + 1)) // 2)
            goes_on = a.name == b.name == "pulse"
            for on in (True, False) if goes_on else (False,):
                yield Letter(off, a.name, b.name, on)


def _same(a: Any, b: Any, near: float) -> bool:
    if (a.period_s is None) != (b.period_s is None):
        return False
    return difference(mean_colour(a), mean_colour(b)) < near
