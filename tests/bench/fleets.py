"""Seeded random fleets whose windows overlap in part, for the planner's bench. All invented."""

from __future__ import annotations

import math
import random
from typing import Any

from sequencer.datasheet import Datasheet
from sequencer.planner import LampRequest, PlanRequest
from sequencer.train import Delays

DELAYS = Delays((0.005, 0.012), (0.003, 0.008))


def random_sheet(rng: random.Random, scenes: int) -> Datasheet:
    """A lamp type with windows drawn from a few lengths each, so that those of two types overlap in part."""
    kind = "count" if rng.random() < 0.6 else "step"
    rides = rng.choice([0.02, 0.05, 0.1, 0.2, 0.3])
    pulse = round(rides + rng.choice([0.05, 0.1, 0.2]), 3)
    pulse_end = last = round(pulse + rng.choice([0.3, 0.6, 1.5, 3.0]), 3)
    off: dict[str, Any] = {"ignored": [0, rides], "pulse": [pulse, pulse_end]}
    if rng.random() < (0.3 if kind == "count" else 0.8):
        reset = round(pulse_end + rng.choice([0.3, 1.0, 2.0]), 3)
        last = round(reset + rng.choice([0.5, 1.5]), 3)
        off["reset"] = [reset, last]
    off["power_down"] = [round(last + rng.choice([0.5, 2.0]), 3), math.inf]
    gap = rng.choice([0.1, 0.15, 0.2, 0.4])
    gap_end = round(gap + rng.choice([0.8, 1.5, 3.0]), 3)
    on: dict[str, Any] = {"same_train": [gap, gap_end], "warm_up": [rng.choice([gap, 1.0]), math.inf]}
    if kind == "count":
        on["settled"] = [round(gap_end + rng.choice([0.5, 1.5]), 3), math.inf]
    lamp = {
        "name": f"drawn {kind}",
        "selects_by": kind,
        "after_power_down": rng.choice(
            ["remembered", "first"] if kind == "count" else ["remembered", "first", "next"]
        ),
        "overflow": rng.choice(["unknown", "ignored", "wraps"]) if kind == "count" else "unknown",
        "clock_tolerance": 0.03,
    }
    table = [{"code": code, "name": f"scene {code}", "colour": "#808080"} for code in range(1, scenes + 1)]
    return Datasheet.model_validate({"lamp": lamp, "off": off, "on": on, "scene": table})


def random_request(seed: int, sizes: tuple[int, ...], *, wraps: bool = True) -> PlanRequest:
    """One lamp a type from unknown, each wanted on a scene of its own.

    Without ``wraps`` a table that would wrap is of unknown overflow instead: of two wrapping tables every
    pair of counts can be had by counting far enough, which makes the hardest fleets.
    """
    rng = random.Random(seed)
    sheets = [random_sheet(rng, n) for n in sizes]
    if not wraps:
        sheets = [_unwrapped(s) for s in sheets]
    lamps = [
        LampRequest(f"lamp {i}", f"type-{i}", s, rng.randint(1, len(s.scenes))) for i, s in enumerate(sheets)
    ]
    return PlanRequest(tuple(lamps), DELAYS)


def _unwrapped(sheet: Datasheet) -> Datasheet:
    overflow = "unknown" if sheet.lamp.overflow == "wraps" else sheet.lamp.overflow
    return sheet.model_copy(update={"lamp": sheet.lamp.model_copy(update={"overflow": overflow})})


def nested_request(types: int, scenes: int = 8, seed: int = 0) -> PlanRequest:
    """Count types, each of whose pulses the next rides through or counts, too; all unknown at the start."""
    rng = random.Random(seed)
    lamps = []
    wanted = sorted([rng.randint(1, scenes) for _ in range(types)], reverse=True)  # the first count the most
    for i in range(types):
        rides = round(0.02 + 0.2 * i + rng.choice([0.0, 0.01]), 3)
        off = {"ignored": [0, rides], "pulse": [round(rides + 0.05, 3), 4.0], "power_down": [10.0, math.inf]}
        on = {"same_train": [0.15, 3.0], "settled": [4.0, math.inf], "warm_up": [1.0, math.inf]}
        lamp = {
            "name": f"nested {i}",
            "selects_by": "count",
            "after_power_down": "remembered",
            "clock_tolerance": 0.01,
        }
        table = [{"code": c, "name": f"scene {c}", "colour": "#808080"} for c in range(1, scenes + 1)]
        sheet = Datasheet.model_validate({"lamp": lamp, "off": off, "on": on, "scene": table})
        lamps.append(LampRequest(f"lamp {i}", f"type-{i}", sheet, wanted[i]))
    return PlanRequest(tuple(lamps), DELAYS)
