"""Requests to the planner, short to write: ``ask({"a": (sheet, wanted)}, max_dark_s=5.0)``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sequencer.datasheet import Datasheet
from sequencer.planner import LampRequest, Plan, PlanRequest, Refusal, plan
from sequencer.train import Delays

Wish = tuple[Datasheet, int] | tuple[Datasheet, int, int | None]
"""A datasheet, the code that is wanted of it and, if known, the code it rests on."""

EXACT = Delays((0.01, 0.01), (0.01, 0.01))
"""A relay without spread."""


def ask(wishes: Mapping[str, Wish], **limits: Any) -> PlanRequest:
    """One lamp a type, called as the type, and no margin or spread but for ``limits``."""
    lamps = tuple(LampRequest(name, name, *wish) for name, wish in wishes.items())
    return PlanRequest(lamps, **{"delays": EXACT, "margin_s": 0.0, **limits})


def planned(request: PlanRequest, **how: Any) -> Plan:
    found = plan(request, **how)
    assert isinstance(found, Plan), found
    return found


def refused(request: PlanRequest, **how: Any) -> Refusal:
    found = plan(request, **how)
    assert isinstance(found, Refusal), found
    return found
