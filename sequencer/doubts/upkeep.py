"""What keeping a circuit matched will take, worked out before any daemon runs: its full trains and their cost."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

from sequencer.core.state import HOUR_S, CircuitState, Rules
from sequencer.planner import Refusal, plan, request_for
from sequencer.sitefile import Pad

BUDGET = 10_000
"""Of each search; the daemon's own goes on for longer. ``check`` is to answer while somebody waits."""


class FullTrain(NamedTuple):
    """The train to one scene from any belief, its lead-in counted; ``cycles`` None: there is none, and why."""

    cycles: int | None
    length_s: float = 0.0
    dark_s: float = 0.0
    why: str = ""


class Upkeep(NamedTuple):
    """One circuit: what the daemon goes by, and for each scene that all its lamps have the full train."""

    rules: Rules
    trains: Mapping[str, FullTrain]

    def resent_every_s(self, scene: str) -> float:
        """How often a moving scene is sent again to bring its lamps into step; ``inf``: never, or it is still."""
        if scene not in self.rules.in_step_s:
            return math.inf
        return CircuitState(self.rules, scene, phased_at=0.0).rephase_at

    def cycles_per_h(self, scene: str) -> float:
        """Relay cycles an hour that this takes while the scene is shown."""
        return (self.trains[scene].cycles or 0) * HOUR_S / self.resent_every_s(scene)


def upkeep(pad: Pad, rules: Rules) -> Upkeep:
    """Plan the full train to each scene: after a cut, nothing known of any lamp."""
    return Upkeep(rules, {scene: _full_train(pad, rules.circuit, scene) for scene in rules.wanted})


def span_words(seconds: float) -> str:
    """A time as a person says it.

    >>> [span_words(seconds) for seconds in (22.5, 3600, 86400)]
    ['22.5 s', '60 min', '24 h']
    """
    if seconds < 120:
        return f"{seconds:.3g} s"
    return f"{seconds / 60:.3g} min" if seconds < 2 * HOUR_S else f"{seconds / HOUR_S:.3g} h"


def _full_train(pad: Pad, circuit: str, scene: str) -> FullTrain:
    found = plan(request_for(pad, circuit, scene, start="cut"), BUDGET)
    if isinstance(found, Refusal):
        return FullTrain(None, why=found.reason)
    train = found.train
    return FullTrain(train.relay_cycles, train.lead_in_s + train.total_s, train.dark_s)
