"""Datasheets for the tests of automaton and planner: round windows to reckon with, and drawn ones."""

from __future__ import annotations

import math
from typing import Any, Literal

from hypothesis import strategies as st

from sequencer.datasheet import Datasheet

INF = math.inf


def sheet(selects_by: str = "count", scenes: int | dict[int, str] = 5, **changes: Any) -> Datasheet:
    """A datasheet with the windows below, but for ``changes``: ``reset=None``, ``overflow="wraps"``.

    ``scenes``: how many, without colours, or a colour for each code.
    """
    lamp = {
        "name": f"test {selects_by}",
        "selects_by": selects_by,
        "after_power_down": "remembered",
        "clock_tolerance": 0.0,
    }
    off = {"ignored": (0, 0.02), "pulse": (0.12, 3.0), "reset": (6.5, 8.0), "power_down": (10.0, INF)}
    on: dict[str, Any] = {"same_train": (0.15, 2.0), "settled": (3.5, INF), "warm_up": (1.0, INF)}
    if selects_by == "step":
        on = {"same_train": (0.15, INF), "warm_up": (1.0, INF)}
    for key, value in changes.items():
        home = next(
            (table for table in (off, on) if key in table), on if key in ("settled", "noticed") else lamp
        )
        home[key] = value
    if isinstance(scenes, int):
        listed = [{"code": code, "name": f"scene {code}"} for code in range(1, scenes + 1)]
    else:
        listed = [{"code": c, "name": f"scene {c}", "colour": colour} for c, colour in scenes.items()]
    return Datasheet.model_validate({"lamp": lamp, "off": off, "on": on, "scene": listed})


@st.composite
def windows(draw: st.DrawFn, *names: str) -> dict[str, Any]:
    """Windows in order of length, from touching to far apart, from a single length to wide ones."""
    at = 0
    found = {}
    for name in names:
        start = at + draw(st.sampled_from([0, 1, 5]) | st.integers(0, 150))
        at = start + draw(st.sampled_from([0, 10]) | st.integers(0, 150))
        found[name] = (start / 100, at / 100)
    return found


@st.composite
def sheets(
    draw: st.DrawFn,
    tolerances: tuple[float, ...] = (0.0, 0.03, 0.1),
    selects_by: Literal["count", "step"] | None = None,
) -> Datasheet:
    """Any datasheet: each window as wide or narrow, as near or far as the drawing will have it."""
    counts = (selects_by or draw(st.sampled_from(["count", "step"]))) == "count"
    off = draw(windows("ignored", "pulse", "reset", "power_down"))
    on = draw(windows("same_train", "settled"))
    off["ignored"] = (0, off["ignored"][1])
    off["power_down"] = (off["power_down"][0], INF)
    if draw(st.booleans()):
        off["reset"] = None
    # A train ends before its count is taken; a step lamp has no count to take.
    settled = max(on["settled"][0], on["same_train"][1] + 0.01)
    changes: dict[str, Any] = {
        **off,
        "same_train": on["same_train"] if counts else (on["same_train"][0], INF),
        "settled": (settled, INF) if counts else None,
        "warm_up": draw(st.none() | st.integers(0, 30).map(lambda tenths: (tenths / 10, INF))),
        "after_power_down": draw(
            st.sampled_from(["remembered", "first"] if counts else ["remembered", "first", "next"])
        ),
        "overflow": draw(st.sampled_from(["unknown", "ignored", "wraps"] if counts else ["unknown"])),
        "clock_tolerance": draw(st.sampled_from(tolerances)),
    }
    return sheet("count" if counts else "step", draw(st.integers(1, 5)), **changes)
