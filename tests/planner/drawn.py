"""Fleets as Hypothesis draws them: windows that overlap in part, few enough to be searched plainly."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

from sequencer.datasheet import Datasheet
from sequencer.planner import LampRequest, PlanRequest
from sequencer.train import Delays
from tests.automaton.sheets import INF, sheet

RELAYS = (
    Delays((0.01, 0.01), (0.01, 0.01)),
    Delays((0.005, 0.012), (0.003, 0.008)),
    Delays((0.0, 0.02), (0.004, 0.012)),
)


def _of(*values: Any) -> st.SearchStrategy[Any]:
    return st.sampled_from(values)


@st.composite
def small_sheets(
    draw: st.DrawFn, most_scenes: int = 3, tolerances: tuple[float, ...] = (0.0, 0.03, 0.1)
) -> Datasheet:
    """One type: every kind of lamp, its windows from a few lengths, so that those of two types overlap."""
    counts = draw(st.booleans())
    rides = draw(_of(0.0, 0.02, 0.2, 0.3))
    pulse = rides + draw(_of(0.0, 0.1, 0.2))
    at = pulse_end = pulse + draw(_of(0.2, 0.3, 0.6, 1.5))
    reset = None
    if draw(st.booleans()):
        reset = (at + draw(_of(0.0, 0.3, 1.0)), at + draw(_of(1.2, 1.5)))
        at = reset[1]
    gap = draw(_of(0.1, 0.2, 0.4))
    gap_end = gap + draw(_of(0.3, 0.8, 1.5))
    changes: dict[str, Any] = {
        "ignored": (0, rides),
        "pulse": (pulse, pulse_end),
        "reset": reset,
        "power_down": (at + draw(_of(0.0, 0.5, 2.0)), INF),
        "same_train": (gap, gap_end if counts else INF),
        "warm_up": draw(_of(None, (0.05, INF), (1.0, INF), (3.0, INF))),
        "clock_tolerance": draw(_of(*tolerances)),
        "after_power_down": draw(
            _of("remembered", "first") if counts else _of("remembered", "first", "next")
        ),
    }
    scenes = _of(*[n for n in (1, 2, 2, 2, 3, 3, 4, 5) if n <= most_scenes])
    if counts:
        changes["settled"] = (gap_end + draw(_of(0.1, 0.5, 1.0)), INF)
        changes["overflow"] = draw(_of("unknown", "ignored", "wraps"))
    return sheet("count" if counts else "step", draw(scenes), **changes)


@st.composite
def plain_sheets(draw: st.DrawFn, most_scenes: int = 2) -> Datasheet:
    """As above, with fewer boundaries within reach: a plain search for two or three of these ends."""
    counts = draw(_of(True, True, False))
    rides, pulse = draw(_of((0.0, 0.1), (0.02, 0.2), (0.25, 0.4), (0.3, 0.5)))
    reset = draw(_of(None, (0.9, 1.5))) if not counts else None
    gap = draw(_of(0.1, 0.2))
    gap_end = gap + draw(_of(0.5, 1.0))
    changes: dict[str, Any] = {
        "ignored": (0, rides),
        "pulse": (pulse, pulse + draw(_of(0.25, 0.3)) if reset or draw(st.booleans()) else 3.0),
        "reset": reset,
        "power_down": (10.0, INF),
        "same_train": (gap, gap_end if counts else INF),
        "warm_up": None,
        "clock_tolerance": draw(_of(0.0, 0.03, 0.1)),
    }
    if counts:
        changes["settled"] = (gap_end + draw(_of(0.1, 0.5)), INF)
        changes["overflow"] = draw(_of("unknown", "ignored", "wraps"))
    scenes = _of(*[n for n in (1, 2, 2, 2, 3) if n <= most_scenes])
    return sheet("count" if counts else "step", draw(scenes), **changes)


@st.composite
def requests(
    draw: st.DrawFn,
    types: st.SearchStrategy[int],
    sheets: st.SearchStrategy[Datasheet],
    margins_s: tuple[float, ...] = (0.0, 0.01, 0.03, 0.06),
    starts: tuple[str, ...] = ("rest",),
    max_dark_s: tuple[float, ...] = (1.0, 2.0, 4.0, 20.0),
    known: bool = True,
) -> PlanRequest:
    """One lamp a type, or two of which one is known; each type wanted on any of its scenes."""
    lamps = []
    for number in range(draw(types)):
        drawn = draw(sheets)
        codes = [scene.code for scene in drawn.scenes]
        wanted = draw(_of(*codes))
        for twin in range(draw(_of(1, 1, 2))):
            rests_on = draw(_of(None, None, None, None, *codes)) if known else None
            lamps.append(LampRequest(f"lamp {number}.{twin}", f"type-{number}", drawn, wanted, rests_on))
    return PlanRequest(
        tuple(lamps),
        draw(_of(*RELAYS)),
        draw(_of(*margins_s)),
        draw(_of(1.0, 2.0, 3.0)),
        draw(_of(*max_dark_s)),
        draw(_of(*starts)),
    )
