"""Inside certain windows no lamp has a choice, whatever its datasheet, nature and history.

Hypothesis draws datasheets, and breaks and supply that lie in certain windows only; what then must happen
is so simple that it is told here in a few lines, by effect and not by length.
"""

from __future__ import annotations

import math
from random import Random
from typing import Any

from hypothesis import assume, event, given, settings
from hypothesis import strategies as st

from sequencer.datasheet import Datasheet
from sequencer.sim.lamp import SimLamp
from sequencer.sim.nature import Nature

CODES = 6


@st.composite
def datasheets(draw: st.DrawFn) -> Datasheet:
    """Windows in order, wide enough to stay open under the clock's error, with gaps of any width."""
    tolerance = draw(st.sampled_from([0.0, 0.01, 0.03, 0.05]))
    gap = st.floats(0.0, 2.0)
    width = st.floats(1.2, 4.0)  # end over start: open as long as it is above 1.05 / 0.95
    ignored = draw(st.floats(0.0, 0.1))
    pulse = ignored + 0.01 + draw(gap)
    pulse_end = pulse * draw(width)
    reset = pulse_end + 0.01 + draw(gap)
    reset_end = reset * draw(width)
    power_down = reset_end + 0.01 + draw(gap)
    soonest = draw(st.floats(0.05, 1.0))
    train_end = soonest * draw(width)
    settled = train_end + 0.01 + draw(gap)
    counts = draw(st.booleans())
    return Datasheet.model_validate(
        {
            "lamp": {
                "name": "drawn",
                "selects_by": "count" if counts else "step",
                "after_power_down": draw(
                    st.sampled_from(["remembered", "first"] if counts else ["remembered", "first", "next"])
                ),
                "clock_tolerance": tolerance,
                "overflow": "wraps",
            },
            "off": {
                "ignored": (0, ignored),
                "pulse": (pulse, pulse_end),
                "reset": draw(st.sampled_from([(reset, reset_end), None])),
                "power_down": (power_down, math.inf),
            },
            "on": {
                "same_train": (soonest, train_end),
                "settled": (settled, math.inf),
                "warm_up": draw(st.none() | st.floats(0, 3).map(lambda start: (start, math.inf))),
                "noticed": draw(st.none() | st.floats(0, soonest).map(lambda start: (start, math.inf))),
            },
            "scene": [{"code": code, "name": f"scene {code}"} for code in range(1, CODES + 1)],
        }
    )


class Certain:
    """What a lamp of this type shows for certain, told by effects."""

    def __init__(self, sheet: Datasheet, scene: int) -> None:
        self.counts = sheet.lamp.selects_by == "count"
        self.after = sheet.lamp.after_power_down
        self.scene, self.count = scene, 0

    def settle(self) -> None:
        if self.count:
            self.scene, self.count = (self.count - 1) % CODES + 1, 0

    def noticed(self, effect: str) -> None:
        pending, self.count = self.count, 0
        following = self.scene % CODES + 1
        if effect == "reset":
            self.scene = 1
        elif effect == "power_down":
            self.scene = {"first": 1, "next": following, "remembered": self.scene}[self.after]
        elif self.counts:
            self.count = pending + 1
        else:
            self.scene = following


def within(data: st.DataObject, window: tuple[float, float], tolerance: float) -> float:
    """A length that every clock reads inside the window; the ends are as likely as all between."""
    low, high = window[0] / (1 - tolerance), min(window[1] / (1 + tolerance), 100.0)
    assume(low <= high)
    return low + (high - low) * data.draw(st.sampled_from([0.0, 1.0]) | st.floats(0, 1))


@settings(deadline=None)
@given(data=st.data(), sheet=datasheets(), seed=st.integers(0, 2**32))
def test_no_choice_where_the_datasheet_is_certain(data: st.DataObject, sheet: Datasheet, seed: int) -> None:
    tolerance = sheet.lamp.clock_tolerance
    assert sheet.on.settled is not None
    scene = data.draw(st.integers(1, CODES))
    draw = data.draw(st.sampled_from([Nature.contrary, Nature.corner, Nature.steady]))
    lamp = SimLamp(sheet, draw(Random(seed)), scene=scene, at=7.0)
    certain = Certain(sheet, scene)
    windows: dict[str, Any] = {e: w for e in ("pulse", "reset", "power_down") if (w := getattr(sheet.off, e))}
    at = 7.0
    for _ in range(data.draw(st.integers(1, 12))):
        # A power-down takes a pending count or does not, which matters unless it goes to the first scene.
        choice = certain.count and certain.after != "first"
        effect = data.draw(st.sampled_from([e for e in windows if not (choice and e == "power_down")]))
        event(effect)
        off_s = within(data, windows[effect], tolerance)
        lamp.supply(False, at)
        lamp.supply(True, at + off_s)
        at += off_s
        certain.noticed(effect)
        if certain.count and data.draw(st.booleans()):
            on_s = within(data, sheet.on.same_train, tolerance)
            settles = False
        else:
            start = max(sheet.on.settled[0], sheet.warm_up[0], sheet.on.same_train[0])
            on_s = within(data, (start, math.inf), tolerance)
            settles = True
        # A break that everyone ignores, anywhere in what they notice, changes nothing: not even the supply timer.
        noticed = min(on_s, sheet.noticed[0] / (1 - tolerance))
        ridden = min(on_s - noticed, within(data, sheet.off.ignored, tolerance))
        before = noticed + (on_s - noticed - ridden) * data.draw(st.floats(0, 1))
        lamp.supply(False, at + before)
        lamp.supply(True, at + before + ridden)
        at = max(at + on_s, at + before + ridden)  # the same but for a rounding
        if settles:
            certain.settle()
            at += 1e-9  # the sums above are rounded
        assert (lamp.showing(at), lamp.pending(at)) == (certain.scene, certain.count)
