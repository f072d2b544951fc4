"""Where a simulated lamp's own edges lie, and rough datasheets of it such as a technician would begin with."""

from __future__ import annotations

import math
from random import Random

from sequencer.bench.simulated import SimStand
from sequencer.bench.written import Windows
from sequencer.datasheet import Datasheet
from sequencer.sim.lamp import SimLamp, _between
from sequencer.sim.nature import Nature


def ticks(sheet: Datasheet, nature: Nature) -> dict[str, tuple[float, float]]:
    """By edge, where a lamp of this nature has it on its own clock, least and greatest over its scenes."""
    off, on = sheet.off, sheet.on
    starts = (
        sheet.noticed[0] * nature.start_up
    )  # with less supply the breaks around it are one, and no pulse counts
    found = {
        "pulse's end": _between(off.pulse[1], (off.reset or off.power_down)[0], nature.pulse_end),
        "gap": max(on.same_train[0] * nature.gap, starts),
        "noticed": starts,
        "warm-up": max(sheet.warm_up[0] * nature.boot, starts),
    }
    if off.reset is not None:
        found["reset's end"] = _between(off.reset[1], off.power_down[0], nature.reset_end)
    if on.settled is not None:
        found["settling"] = _between(on.same_train[1], on.settled[0], nature.settle)
    held = [SimLamp(sheet, nature, scene=s.code)._draw_ride_through() for s in sheet.scenes]
    return {"ride-through": (min(held), max(held)), **{name: (at, at) for name, at in found.items()}}


def shows(stand: SimStand) -> int:
    """The code of the scene that its lamp shows, or when dark remembers, now."""
    return stand.lamp.remembered(stand._clock.now())


def misfits(windows: Windows, sheet: Datasheet, nature: Nature, hidden: frozenset[str]) -> list[str]:
    """Where windows reach over an edge of this very lamp, as planning will read them: with its clock tolerance."""
    at, tolerance = ticks(sheet, nature), sheet.lamp.clock_tolerance
    off, on = windows.off, windows.on
    through = at.pop("ride-through")
    # The capacitor is no clock: its edges are in real time, and planning puts the tolerance on the window.
    wrong = [] if off["ignored"].window[1] / (1 + tolerance) <= through[0] else ["ignored ends"]
    wrong += [] if off["pulse"].window[0] / (1 - tolerance) >= through[1] else ["pulse begins"]
    beyond = "reset" if "reset" in off else "power_down"
    pairs = {
        "pulse's end": (off["pulse"].window[1], off[beyond].window[0]),
        "gap": (0.0, on["same_train"].window[0]),
        "noticed": (0.0, on["noticed"].window[0]),
        "warm-up": (0.0, on["warm_up"].window[0]),
    }
    if "reset" in off:
        pairs["reset's end"] = (off["reset"].window[1], off["power_down"].window[0])
    elif "reset's end" in at:
        pairs["reset's end"] = (0.0, off["power_down"].window[0])
    if "settling" in at:
        pairs["settling"] = (on["same_train"].window[1], on["settled"].window[0])
    for name, (end, start) in pairs.items():
        if name not in hidden and not end <= at[name][0] <= start:
            wrong.append(f"{name}: {end} {at[name][0]} {start}")
    return wrong


def roughly(sheet: Datasheet, rng: Random) -> Datasheet:
    """The datasheet as it may be before it was measured: each limit guessed, to within a fifth, and some not at all."""

    def guess(seconds: float) -> float:
        return round(seconds * math.exp(rng.uniform(-0.2, 0.2)), 4)

    raw = sheet.model_dump(by_alias=True, exclude_none=True)
    off, on = raw["off"], raw["on"]
    off["ignored"] = (0.0, 0.0) if rng.random() < 0.5 else (0.0, guess(off["ignored"][1]))
    pulse = (guess(off["pulse"][0]), guess(off["pulse"][1]))
    off["pulse"] = (max(pulse[0], off["ignored"][1]), max(pulse))
    last = off["pulse"][1]
    if "reset" in off:
        middle = math.sqrt(math.prod(off["reset"]))
        off["reset"] = (max(last, 0.98 * middle), max(last, 1.02 * middle))
        last = off["reset"][1]
    off["power_down"] = (max(last, guess(off["power_down"][0]) * 1.2), math.inf)
    on["same_train"] = (guess(on["same_train"][0]), guess(on["same_train"][1]))
    if "settled" in on:
        on["settled"] = (max(1.01 * on["same_train"][1], guess(on["settled"][0])), math.inf)
    if "warm_up" in on and rng.random() < 0.5:
        on["warm_up"] = (guess(on["warm_up"][0]), math.inf)
    if "noticed" in on:
        at = guess(on["noticed"][0])
        on["noticed"] = (at, math.inf) if rng.random() < 0.5 else None
    return Datasheet.model_validate(raw)
