"""A train on many simulated pads: does it hold for lamps, relays and beginnings drawn by chance?

Each trial has a seed of its own, ``seed + trial``, and draws from it the lamps' natures, what they show
at first, and the relay's delays; a trial alone can be repeated with ``trials=1`` and its seed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from random import Random
from typing import TYPE_CHECKING, Literal

from sequencer.clock import VirtualClock
from sequencer.errors import InputError
from sequencer.sim.feed import FeedInTime
from sequencer.sim.lamp import SimLamp
from sequencer.sim.nature import Nature, Temper
from sequencer.sim.pad import NO_FAULTS, SimPad
from sequencer.sim.relay import RANDOM_MANNERS, SimContact

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from sequencer.datasheet import Datasheet
    from sequencer.sim.feed import SimFeed
    from sequencer.train import Delays, Limits, Train

Start = Literal["rest", "dark", "cut"]
OnPad = tuple[str, "Datasheet", int | None]
"""A lamp's name, its datasheet, and the code of the scene it is known to rest on (None: any)."""

HEAD_START_S = 1.0  # between the beginning of a trial's clock and its train: the first commands come early


@dataclass(frozen=True, slots=True)
class Miss:
    """A lamp that did not end on the scene wanted of it, in the trial with this seed."""

    seed: int
    lamp: str
    wanted: int
    showed: int | None  # None: dark
    pending: int
    nature: Nature

    def __str__(self) -> str:
        showed = "is dark" if self.showed is None else f"shows scene {self.showed}"
        pending = f" with a count of {self.pending} pending" if self.pending else ""
        return f"trial {self.seed}: {self.lamp} {showed}{pending}, wanted {self.wanted}"


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """In how many trials every lamp ended on its scene with nothing pending.

    ``misses`` counts for each lamp the trials in which it did not; ``first_failing_seed`` and ``details``
    are those of the first such trial.
    """

    trials: int
    matched: int
    misses: Mapping[str, int]
    first_failing_seed: int | None
    details: tuple[Miss, ...]


def rehearse(
    train: Train,
    lamps: Sequence[OnPad],
    delays: Delays,
    wanted: Mapping[str, int],
    *,
    start: Start,
    trials: int,
    seed: int,
    late_commands: Mapping[int, float] = NO_FAULTS,
    limits: Limits | None = None,
    feed: SimFeed | None = None,
) -> Rehearsal:
    """Play ``train`` on ``trials`` simulated pads in virtual time.

    ``start`` says what the lamps come from: ``rest`` (lit, settled and warm), ``dark`` (long without supply;
    a known scene is the one they were last on) or ``cut`` (the supply comes back after a cut in the middle
    of anything; a lamp whose scene is known has nothing pending). The latter two want a lead-in.
    ``late_commands`` spoils edges on purpose, as in :meth:`SimPad.play`. With a ``feed`` the lamps get their volts from
    it, with mains, loads and phases drawn; their datasheets are then the lamps' own, as their files say. ValueError
    for a lamp of which no scene is wanted. ``limits``: the site's, which a train that will be sent must keep;
    InputError when not.
    """
    if limits is not None and (refusal := limits.refusal(train.pulses)):
        raise InputError(f"this train is not rehearsed: {refusal}")
    unwanted = [name for name, _, _ in lamps if name not in wanted]
    if unwanted:
        raise ValueError(f"no scene is wanted of {', '.join(unwanted)}")
    misses = {name: 0 for name, _, _ in lamps}
    matched = 0
    first: tuple[Miss, ...] = ()
    begin = HEAD_START_S - min([0.0, *late_commands.values()])
    for trial_seed in range(seed, seed + trials):
        pad = _pad(lamps, delays, start, begin, Random(trial_seed), feed)  # noqa: S311 - chance for a simulation
        shown = pad.play(train, at=begin, late_commands=late_commands).showing
        missed = tuple(
            Miss(trial_seed, name, wanted[name], it.code, it.pending, pad.lamps[name].nature)
            for name, it in shown.items()
            if it.code != wanted[name] or it.pending
        )
        for miss in missed:
            misses[miss.lamp] += 1
        matched += not missed
        first = first or missed
    return Rehearsal(trials, matched, misses, first[0].seed if first else None, first)


def _pad(
    lamps: Sequence[OnPad], delays: Delays, start: Start, begin: float, rng: Random, feed: SimFeed | None
) -> SimPad:
    """A pad at time 0 with everything drawn, as a train that starts at ``begin`` may find it."""
    clock = VirtualClock()
    contact = SimContact(clock, delays, True, rng, manner=rng.choice(RANDOM_MANNERS))
    # A lead-in's supply comes through a contact too, and so as early or late as any other edge.
    half = (delays.make_s[1] - delays.make_s[0]) / 2
    lead_in_at = begin + rng.choice((-half, half, rng.uniform(-half, half)))
    simulated = {}
    for name, sheet, known in lamps:
        scene = rng.choice(sheet.scenes).code if known is None else known
        if start == "rest":
            simulated[name] = _resting(sheet, scene, delays, begin, rng)
        elif start == "dark":
            simulated[name] = SimLamp(sheet, _nature(rng), scene=scene, dark_for=math.inf)
        else:
            simulated[name] = _cut_short(sheet, scene, known is not None, lead_in_at, rng)
    volts = None if feed is None else FeedInTime(feed, rng)
    pad = SimPad(clock, contact, simulated, mains=start != "dark", feed=volts)
    if start == "dark":
        pad.restore(lead_in_at)
    return pad


def _nature(rng: Random) -> Nature:
    """Any kind of lamp; the kinds that hurt as often as those that are likely."""
    kind = rng.randrange(5)
    if kind == 4:
        return Nature.contrary(rng)
    temper: Temper = "steady" if kind % 2 else "drifting"
    return Nature.steady(rng, temper) if kind < 2 else Nature.corner(rng, temper)


def _resting(sheet: Datasheet, scene: int, delays: Delays, begin: float, rng: Random) -> SimLamp:
    """Settled and warm, but perhaps only just, when the first break comes as early as it may."""
    settled = sheet.on.settled[0] if sheet.on.settled else 0.0
    just = max(settled, sheet.warm_up[0], sheet.noticed[0]) / (1 - sheet.lamp.clock_tolerance)
    just += (delays.break_s[1] - delays.break_s[0]) / 2
    longer = rng.choice((0.0, rng.expovariate(0.01)))
    return SimLamp(sheet, _nature(rng), scene=scene, supplied_for=just + longer - begin)


def _cut_short(sheet: Datasheet, scene: int, known: bool, lead_in_at: float, rng: Random) -> SimLamp:
    """When the lead-in begins: any count pending, any time on the supply timer, after a cut of any length.

    A lamp whose scene is known has nothing pending and comes back onto just that scene: from the dark where a
    power-down leaves it there, else the cut was too short to be noticed.
    """
    counts = sheet.lamp.selects_by == "count" and not known
    within_train = rng.uniform(0, min(sheet.on.same_train[1], 60.0))
    had = rng.choice((0.0, within_train, rng.expovariate(0.2)))
    long = sheet.off.power_down[0] / (1 - sheet.lamp.clock_tolerance) + rng.expovariate(0.01)
    remembers = sheet.lamp.after_power_down == "remembered"
    cuts = (None, rng.uniform(0, long), long) if not known else (None, long) if remembers else (None,)
    cut_s = rng.choice(cuts)
    return SimLamp(
        sheet,
        _nature(rng),
        scene=scene,
        pending=rng.randrange(max(s.code for s in sheet.scenes) + 3) if counts else 0,
        supplied_for=had - lead_in_at if cut_s is None else had,
        dark_for=cut_s,
        back_at=None if cut_s is None else lead_in_at,
        at_rest=rng.random() < 0.5,
    )
