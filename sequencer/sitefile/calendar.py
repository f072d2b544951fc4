"""``[[slot]]`` and ``[[exception]]``: which scene is due when."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Strict

from sequencer.tomlfile import Name, Table


class Slot(Table):
    """One show: a scene from a start to an end, on the days named."""

    scene: Name
    circuit: Name | None = None
    days: Annotated[tuple[Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"], ...], Strict(False)] = ()
    start: str
    end: str
    priority: int = 0
