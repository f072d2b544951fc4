"""Datasheets for the tests of the simulated pad: invented windows, wide enough apart to tell apart."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import pytest

from sequencer.datasheet import Datasheet

if TYPE_CHECKING:
    from collections.abc import Callable


def sheet(selects_by: str = "count", scenes: int = 5, **changes: Any) -> Datasheet:
    """A datasheet with the windows below, but for ``changes``: {"reset": None, "overflow": "wraps"}."""
    lamp = {
        "name": f"test {selects_by}",
        "selects_by": selects_by,
        "after_power_down": "remembered",
        "clock_tolerance": 0.03,
    }
    off = {"ignored": (0, 0.02), "pulse": (0.12, 3.0), "reset": (6.5, 8.0), "power_down": (10.0, math.inf)}
    on = {"same_train": (0.15, 2.0), "settled": (3.5, math.inf), "warm_up": (1.0, math.inf)}
    on["noticed"] = (0.0, math.inf)  # it starts at once; what it does where it does not: test_noticed.py
    tables = {"lamp": lamp, "off": off, "on": on}
    extra = {key: changes.pop(key) for key in ("electrical", "hold_up") if key in changes}
    for key, value in changes.items():
        home = next((table for table in (off, on) if key in table), lamp)
        home[key] = value
    codes = [{"code": code, "name": f"scene {code}"} for code in range(1, scenes + 1)]
    return Datasheet.model_validate({**tables, **extra, "scene": codes})


@pytest.fixture
def make_sheet() -> Callable[..., Datasheet]:
    return sheet
