"""What reaches the daemon's loop from its threads: plain values in one queue."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from sequencer.core.events import Event
from sequencer.daemon.planning import PlannedTrain
from sequencer.player.job import PlayResult


class Happened(NamedTuple):
    """An event for the core, made where it was seen."""

    circuit: str
    event: Event


class Level(NamedTuple):
    """An input line changed; ``at`` on the daemon's axis."""

    circuit: str
    line: str
    active: bool
    at: float


class PlanOver(NamedTuple):
    """A planner answered: a train, or why there is none; or it could not, which is a ``fault``."""

    circuit: str
    question: int
    found: PlannedTrain | str
    fault: bool = False


class PlayOver(NamedTuple):
    """A player ended: how the train went, or why nothing is known of it; None: it was an earlier daemon's."""

    circuit: str
    result: PlayResult | str | None


class Sensed(NamedTuple):
    """A meter has read a circuit's current, some time after a train to ``scene`` held; what that says."""

    circuit: str
    scene: str
    said: str


class Call(NamedTuple):
    """Somebody asks something through the local socket; ``reply`` takes the answer, once.

    ``at``: when it was asked, on the daemon's axis; None: now.
    """

    request: Mapping[str, Any]
    reply: Callable[[Mapping[str, Any]], None]
    at: float | None = None


class Stop(NamedTuple):
    """The daemon is to end."""

    why: str


Message = Happened | Level | PlanOver | PlayOver | Sensed | Call | Stop
