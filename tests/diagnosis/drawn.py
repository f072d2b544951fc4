"""Cases of one fault each, drawn by chance, done to a simulated pad, and looked at as a technician would.

Which fault it is follows the odds that diagnosis assumes, for what it states is a probability under these. What the
fault then does is the simulated pad's affair, which shares no code with the model: lamps with limits of their own, a
contact in time, and severities from ranges where the model has a few points. Volts are the solver's, for pad and
model alike: that the solver is right is shown against an outside peer elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from random import Random
from typing import NamedTuple

from sequencer.clock import VirtualClock
from sequencer.datasheet import Datasheet, load_datasheet
from sequencer.diagnosis import priors
from sequencer.diagnosis.causes import Case, Cause, Look, causes, nothing
from sequencer.diagnosis.wiring import volts
from sequencer.planner import Plan, plan, request_for
from sequencer.sim.lamp import SimLamp
from sequencer.sim.nature import Nature
from sequencer.sim.pad import SimPad
from sequencer.sim.relay import SimContact
from sequencer.sitefile import Pad, load_site
from sequencer.supply.feed import Feed, feed_of
from sequencer.train import Train

CONFIG = Path(__file__).parents[2] / "config"
SITES = Path(__file__).parent / "sites"
CIRCUITS = (
    (CONFIG / "quarry-lane.toml", "lap-pool"),
    (CONFIG / "quarry-lane.toml", "plunge-pool"),
    (SITES / "long-run.toml", "long-run"),
    (SITES / "two-types.toml", "two-types"),
)
SETTLED_S = 60.0
ONE_LOOK = 0.25
"""How often somebody asks after the first train that went wrong; else another scene is sent and looked at too."""
MEASURED = 0.7
"""How often, where a supply is described, volts are measured: at a lamp that is wrong and at one that is not."""


class Drawn(NamedTuple):
    """A case, and which of all causes truly is behind it."""

    case: Case
    truth: Callable[[list[Cause]], Cause]


@cache
def pad_at(path: Path) -> Pad:
    """A site, read once."""
    return load_site(path)


@cache
def others() -> dict[str, Datasheet]:
    """The folder's datasheets, of which a lamp may be."""
    return {path.stem: load_datasheet(path) for path in sorted((CONFIG / "lamps").glob("*.toml"))}


@cache
def train_for(path: Path, circuit: str, scene: str) -> Train:
    """The train as it is sent from rest."""
    found = plan(request_for(pad_at(path), circuit, scene))
    assert isinstance(found, Plan)
    return found.train


_CAUSES: dict[tuple[Path, str], list[Cause]] = {}


def all_causes(path: Path, circuit: str, case: Case) -> list[Cause]:
    """Everything that may be wrong on a circuit with its odds, the same for each case there."""
    if (path, circuit) not in _CAUSES:
        _CAUSES[path, circuit] = [nothing(case), *causes(case)]
    return _CAUSES[path, circuit]


def draw(seed: int) -> Drawn | None:
    """One case, None where the fault did not show: nobody would have asked."""
    rng = Random(seed)
    path, circuit = rng.choice(CIRCUITS)
    pad = pad_at(path)
    lamps = {lamp.name: lamp.stem for lamp in pad.circuit(circuit).lamps}
    scenes = [scene.name for scene in pad.scenes if _possible(path, circuit, scene.name)]
    asked = rng.sample(scenes, 2)
    trains = [train_for(path, circuit, scene) for scene in asked]
    sent = [{name: scene.name for name, scene in pad.wanted(circuit, scene).items()} for scene in asked]
    blank = dict.fromkeys(lamps)
    feed = feed_of(pad, circuit)
    bare = Case(lamps, others(), (Look(trains[0], sent[0], blank),), feed=feed)
    possible = all_causes(path, circuit, bare)
    true = rng.choices(possible, [cause.odds for cause in possible])[0]
    world = _World(bare, true, pad.circuit(circuit).relay.delays, rng)
    looks: list[Look] = []
    starts: dict[str, str | None] = {}
    for train, wanted in zip(trains, sent, strict=True):
        shown = world.play(train)
        saw = {name: _named(shown[name], bare.sheets[lamps[name]], rng) for name in lamps}
        looks.append(Look(train, wanted, saw, dict(starts)))
        starts = {name: scene for name, scene in saw.items() if scene is not None}
        if rng.random() < ONE_LOOK and saw != wanted:
            break
    wrong = [name for name in lamps if any(look.saw[name] != look.sent[name] for look in looks)]
    if not wrong:
        return None
    measured: dict[str, float] = {}
    if feed is not None and rng.random() < MEASURED:
        sound = [name for name in lamps if name not in wrong]
        at = [rng.choice(wrong)] + ([rng.choice(sound)] if sound else [])
        seen = replace_looks(bare, looks)
        for name in at:
            measured[name] = world.volts(seen)[name] + rng.gauss(0, priors.METER_V)
    case = replace_looks(bare, looks)._replace(measured_v=measured)
    return Drawn(case, world.truth)


def replace_looks(case: Case, looks: list[Look]) -> Case:
    """The same lamps, otherwise looked at."""
    return case._replace(looks=tuple(looks))


def _possible(path: Path, circuit: str, scene: str) -> bool:
    return not isinstance(plan_of(path, circuit, scene), str)


@cache
def plan_of(path: Path, circuit: str, scene: str) -> Plan | str:
    """The plan, or why there is none."""
    found = plan(request_for(pad_at(path), circuit, scene))
    return found if isinstance(found, Plan) else found.reason


def _named(shown: str | None, believed: Datasheet, rng: Random) -> str | None:
    """As a person names it: now and then as something else."""
    if rng.random() < priors.MISREAD:
        return rng.choice([None, *(scene.name for scene in believed.scenes)])
    return shown


def _behind(feed: Feed | None, node: str) -> list[str]:
    assert feed is not None
    here = [cord.name for cord in feed.supply.lamps if cord.node == node]
    further = [name for run in feed.supply.runs if run.start == node for name in _behind(feed, run.to)]
    return here + further


class _World:
    """A simulated pad with the fault done to it."""

    def __init__(self, case: Case, true: Cause, delays, rng: Random) -> None:
        self.case, self.true, self.rng = case, true, rng
        bad = rng.random() < priors.PARTED
        self.extra_ohm = rng.uniform(3, 10) if bad else math.exp(rng.uniform(math.log(0.07), math.log(1.13)))
        self.part = rng.choice(priors.SHORTFALL) * rng.uniform(0.8, 1.25)
        self.stems = dict(case.lamps)
        if true.kind == "other_type":
            self.stems.update(dict.fromkeys(self._struck(), true.other))
        self.sent: list[Train] = []
        self.clock = VirtualClock()
        self.contact = SimContact(self.clock, delays, True, rng)
        lamps = {name: self._lamp(name, case.sheets[stem]) for name, stem in self.stems.items()}
        self.pad = SimPad(self.clock, self.contact, lamps)
        self._starve()
        if true.kind == "bounce":
            self.contact.chatter(rng.choice(priors.PARTS_AT), rng.uniform(0.03, 0.14), rng.uniform(0.04, 0.2))

    def _struck(self) -> list[str]:
        if self.true.lamp is not None:
            return [self.true.lamp]
        return [name for name, stem in self.case.lamps.items() if stem == self.true.where]

    def _lamp(self, name: str, sheet: Datasheet) -> SimLamp:
        rng, kind = self.rng, self.true.kind
        nature = replace(Nature.steady(rng), volts=None)
        scene = rng.choice(sheet.scenes).code
        mine = self.true.lamp == name
        if mine and kind == "clock":
            off = rng.choice(
                [pace - 1 for pace in priors.PACES if abs(pace - 1) > sheet.lamp.clock_tolerance]
            )
            nature = replace(nature, clock=off * rng.uniform(0.9, 1.1) / sheet.lamp.clock_tolerance)
        if kind == "start" and sheet.lamp.selects_by == "count":
            counts, chances = zip(*priors.PENDING, strict=True)
            if not hasattr(self, "_flicks"):
                self._flicks = (rng.choices(counts, chances)[0], rng.uniform(0.1, 2.0))
            lamp = SimLamp(sheet, nature, scene=scene, pending=self._flicks[0], supplied_for=self._flicks[1])
        else:
            lamp = SimLamp(sheet, nature, scene=scene)
        if mine:
            lamp.deaf = kind == "stuck"
            lamp.dead = kind == "dead"
            if kind == "weak":
                lamp.ride_through_s = priors.HOLDS_S
            if kind == "ride_through":
                lamp.ride_through_s = sheet.off.pulse[0] * rng.choice(priors.RIDES) * rng.uniform(0.8, 1.25)
        return lamp

    def volts(self, case: Case) -> dict[str, float]:
        """What a meter would read if it were exact."""
        assert case.feed is not None
        kind, at = self.true.kind, self.true.where
        if kind == "tap":
            return dict(volts(case.feed, case.watts_seen(), tap_v=float(self.true.other)).seen)
        if kind in {"run", "cord"}:
            return dict(volts(case.feed, case.watts_seen(), at=at, extra_ohm=self.extra_ohm).seen)
        return dict(volts(case.feed, case.watts_seen()).seen)

    def _starve(self) -> None:
        case, kind = self.case, self.true.kind
        got: dict[str, float] = {}
        if case.feed is not None and kind in {"tap", "run", "cord"}:
            tap = float(self.true.other) if kind == "tap" else None
            at = "" if kind == "tap" else self.true.where
            got = dict(volts(case.feed, {}, tap_v=tap, at=at, extra_ohm=self.extra_ohm).full)
        elif kind in {"volts", "cord"}:
            for name in case.lamps if kind == "volts" else [self.true.where]:
                electrical = case.sheets[case.lamps[name]].electrical
                assert electrical is not None
                got[name] = electrical.volts[0] * (1 - self.part)
        self.starved = [name for name in got if name == self.true.where] or list(got)
        if kind == "run":
            self.starved = list(_behind(case.feed, self.true.where))
        for name, here in got.items():
            softness = math.exp(self.rng.uniform(math.log(0.025), math.log(0.15)))
            self.pad.starve(name, here, softness)

    def truth(self, possible: list[Cause]) -> Cause:
        """The cause that was done to the pad; where it is told in several degrees, the nearest to what was done."""
        key = (self.true.kind, self.true.where, self.true.other)
        degrees = [cause for cause in possible if (cause.kind, cause.where, cause.other) == key]
        if len(degrees) == 1:
            return degrees[0]
        if self.true.kind == "ride_through":
            carried = self.pad.lamps[self.true.where].ride_through_s
            assert carried is not None
            return min(
                degrees, key=lambda cause: (self._unlike(cause, carried), abs(float(cause.how) - carried))
            )
        lamp = next(self.pad.lamps[name] for name in self.starved)
        misses = "deaf" if lamp.misses >= 1 else "misses" if lamp.misses else "unharmed"
        order = ["dark" if lamp.dead else misses, "deaf", "misses", "unharmed", "dark"]
        return min(degrees, key=lambda cause: order.index(cause.how))

    def _unlike(self, cause: Cause, carried: float) -> int:
        """How many of the breaks that were sent it would have heard otherwise."""
        breaks = [pulse.off_s for train in self.sent for pulse in train.pulses]
        return sum((off <= carried) != (off <= float(cause.how)) for off in breaks)

    def play(self, train: Train) -> dict[str, str | None]:
        """Send a train, wait until all is settled, and look."""
        self.sent.append(train)
        self.pad.play(train)
        self.pad.wait(SETTLED_S)
        found = {}
        for name, showing in self.pad.showing().items():
            sheet = self.case.sheets[self.stems[name]]
            scene = None if showing.code is None else sheet.scene_by_code(showing.code)
            found[name] = None if scene is None else scene.name
        return found
