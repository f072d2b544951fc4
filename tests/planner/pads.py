"""Trains on simulated pads: lamps of every kind at the corners of what their datasheets leave open.

The simulated lamp is no automaton (see :mod:`sequencer.sim.lamp`); nothing here knows how the planner thinks.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from random import Random

from sequencer.clock import VirtualClock
from sequencer.planner import PlanRequest
from sequencer.sim.lamp import SimLamp
from sequencer.sim.nature import Nature
from sequencer.sim.pad import NO_FAULTS, SimPad
from sequencer.sim.rehearsal import Rehearsal, rehearse
from sequencer.sim.relay import Manner, SimContact
from sequencer.train import Train

BEGIN = 100.0  # on the pad's clock; nothing before it matters


def rehearsed(request: PlanRequest, train: Train, trials: int, seed: int = 1) -> Rehearsal:
    """The train on so many pads with everything drawn, as the request says it is found."""
    lamps = [(lamp.lamp, lamp.datasheet, lamp.known) for lamp in request.lamps]
    wanted = {lamp.lamp: lamp.wanted for lamp in request.lamps}
    return rehearse(train, lamps, request.delays, wanted, start=request.start, trials=trials, seed=seed)


def parted(
    request: PlanRequest,
    train: Train,
    manner: Manner,
    *,
    lamp: str | None = None,
    late_commands: Mapping[int, float] = NO_FAULTS,
    seed: int = 1,
) -> int:
    """How many lamps do not end on their scene, of all 512 corner natures a lamp (or of ``lamp`` only).

    From rest or from the dark. Each corner starts on a scene of its own; the rest of each lamp's start is
    the hardest: a lamp from rest has been lit for ever, one from the dark has never been.
    """
    rng = Random(seed)
    clock = VirtualClock()
    contact = SimContact(clock, request.delays, True, rng, manner=manner)
    pad_lamps: dict[str, SimLamp] = {}
    wanted: dict[str, int] = {}
    dark = request.start == "dark"
    for asked in request.lamps:
        if lamp not in (None, asked.lamp):
            continue
        codes = [s.code for s in asked.datasheet.scenes] if asked.known is None else [asked.known]
        for number, nature in enumerate(Nature.corners()):
            name = f"{asked.lamp} {number}"
            start = {"dark_for": math.inf} if dark else {}
            pad_lamps[name] = SimLamp(asked.datasheet, nature, scene=rng.choice(codes), **start)
            wanted[name] = asked.wanted
    pad = SimPad(clock, contact, pad_lamps, mains=not dark)
    if dark:
        pad.restore(BEGIN)
    shown = pad.play(train, at=BEGIN, late_commands=late_commands).showing
    return sum((it.code, it.pending) != (wanted[name], 0) for name, it in shown.items())
