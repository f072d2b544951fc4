"""The story itself: two pools of the Quarry Lane lido in virtual time, and a bench that must say no."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from sequencer.automaton.behaviour import behaviour
from sequencer.clock import VirtualClock
from sequencer.demo.story import Heard, Lane, Step, Strip
from sequencer.planner import Plan, PlanRequest, Refusal, Start, plan, request_for
from sequencer.sim.lamp import SimLamp
from sequencer.sim.nature import Nature
from sequencer.sim.pad import SimPad
from sequencer.sim.relay import SimContact
from sequencer.sitefile import Pad
from sequencer.tomlfile import quoted
from sequencer.train import Train
from sequencer.units import NS_PER_S

BEFORE_S, AFTER_S, LATER_S = 1.0, 2.0, 600.0
"""Shown before a train and after it, and what goes by unseen before the next thing happens."""
FLICKS = 5
CUT_S = (0.9, 1.4)
"""The mains fail so long after a train begins, and come back so much later."""


def tell(lido: Pad, corner: Pad, seed: int) -> Iterator[Step]:
    """The story, step by step, always the same for the same seed."""
    rng = Random(seed)  # noqa: S311 - chance for a simulation
    lap = _Pool(lido, "lap-pool", "evening", rng)
    shown = len({lane.scene_at(0.0) for lane in lap.strip(lap.now).lanes})
    yield lap.send(
        "evening",
        "Dusk at the lap pool",
        f"{lap.many} hang on one relay and show {shown} different scenes. "
        f'"evening" is {lap.picks("evening")}. This train brings every lamp there, whatever it shows now:',
    )
    yield lap.flicked()
    yield lap.send(
        "evening",
        "Re-sync",
        "Nothing need be known of the lamps. The first train holds from wherever they are now:",
    )
    yield lap.send(
        "festival",
        "One train steers two types at once",
        f'"festival" is {lap.picks("festival")}. Every lamp hears every break, and makes of it what its own '
        "windows say:",
    )
    plunge = _Pool(lido, "plunge-pool", "evening", rng, matched=True)
    yield plunge.cut_short("quiet")
    yield plunge.send(
        "quiet",
        "After the cut",
        "Nobody knows what each lamp had counted. So the supply first stays on until all have forgotten it "
        "(the lead-in), and then:",
        start="cut",
    )
    yield _refused(corner, "twins", "evening")


class _Pool:
    """One circuit of the site with simulated lamps, on a clock of its own."""

    def __init__(self, site: Pad, circuit: str, scene: str, rng: Random, *, matched: bool = False) -> None:
        self._site, self._circuit, self._scene, self._rng = site, circuit, scene, rng
        self._clock = VirtualClock()
        self._hung = site.circuit(circuit)
        self.sheets = {lamp.stem: site.datasheets[lamp.stem] for lamp in self._hung.lamps}
        lamps = {}
        for lamp in self._hung.lamps:
            sheet, wanted = self.sheets[lamp.stem], self._wanted[lamp.name]
            other = rng.choice([scene.code for scene in sheet.scenes if scene.code != wanted])
            lamps[lamp.name] = SimLamp(sheet, Nature.steady(rng), scene=wanted if matched else other)
        contact = SimContact(self._clock, self._hung.relay.delays, True, rng)
        self._pad = SimPad(self._clock, contact, lamps)
        self._last: Train | None = None

    @property
    def now(self) -> float:
        """Seconds on this circuit's own clock."""
        return self._clock.now()

    @property
    def many(self) -> str:
        """How many lamps of how many types, in words."""
        types = len(self.sheets)
        return f"{len(self._hung.lamps)} lamps of {types} type{'s' if types > 1 else ''}"

    @property
    def _wanted(self) -> dict[str, int]:
        return {lamp: scene.code for lamp, scene in self._site.wanted(self._circuit, self._scene).items()}

    def picks(self, scene: str) -> str:
        """What each type shows in a scene of the site, in words."""
        picks = []
        for stem, sheet in self.sheets.items():
            found = self._site.lamp_scene(self._site.scene(scene), stem)
            if found is not None:
                chosen = f"{found.name} (scene {found.code} of {len(sheet.scenes)})"
                picks.append(f"{chosen} for {stem}")
        return " and ".join(picks)

    def strip(self, since: float) -> Strip:
        """From then until now."""
        line = self._pad.timeline(since)
        lanes = [
            Lane(lamp.name, self.sheets[lamp.stem], line.scenes[lamp.name], self._wanted[lamp.name])
            for lamp in self._hung.lamps
        ]
        return Strip(line.length_s, line.supply, tuple(lanes))

    def send(self, scene: str, title: str, words: str, *, start: Start = "rest") -> Step:
        """Plan and play; the lamps then stay as they are for a while."""
        self._scene = scene
        request = request_for(self._site, self._circuit, scene, start=start)
        found = plan(request)
        if isinstance(found, Refusal):
            raise AssertionError(f"the demo's {scene} has no train: {found.reason}")
        since = self.now
        self._pad.wait(BEFORE_S)
        self._pad.play(found.train)
        self._pad.wait(AFTER_S)
        strip = self.strip(since)
        self._pad.wait(LATER_S)
        heard = () if found.train == self._last else _heard(request, found.train)
        self._last = found.train
        return Step(title, words, self._circuit, self.sheets, found, heard, strip, after=_after(strip))

    def flicked(self) -> Step:
        """A thumb on the switch, and what the lamps make of it."""
        since = self.now
        ends = self._pad.thumb(since + BEFORE_S, FLICKS, self._rng)
        self._pad.wait(ends - since + 3 * AFTER_S)
        strip = self.strip(since)
        self._pad.wait(LATER_S)
        title = "A nervous thumb on the switch"
        words = f"Somebody flicks the lights off and on, {FLICKS} times. Each lamp makes of it what it can:"
        return Step(title, words, self._circuit, self.sheets, strip=strip, after=_after(strip))

    def cut_short(self, scene: str) -> Step:
        """A train in whose middle the mains fail."""
        before, self._scene = self._scene, scene
        found = plan(request_for(self._site, self._circuit, scene))
        assert isinstance(found, Plan)
        since = self.now
        fails = since + BEFORE_S + CUT_S[0]
        self._pad.wait(BEFORE_S)
        self._pad.blip(fails, CUT_S[1])
        self._pad.play(found.train)
        self._pad.wait(AFTER_S)
        strip = self.strip(since)
        words = (
            f"{self.many} hang at the plunge pool and show {quoted(before)}. {quoted(scene)} is being sent "
            "when the mains fail:"
        )
        title = "The mains fail while a train is sent"
        return Step(title, words, self._circuit, self.sheets, strip=strip, after=_after(strip))


def _after(strip: Strip) -> str:
    return f"{strip.matched} of {len(strip.lanes)} lamps are on their scene."


def _heard(request: PlanRequest, train: Train) -> tuple[Heard, ...]:
    """What each type certainly makes of each break, counts as they run up."""
    acts = {lamp.stem: behaviour(lamp.datasheet, request.pad_s) for lamp in request.lamps}
    counts = dict.fromkeys(acts, 0)
    heard = []
    for pulse in train.pulses:
        by = {}
        for stem, lamp in acts.items():
            effects = lamp.effects(round(pulse.off_s * NS_PER_S))
            if lamp.counts and effects == ("pulse",):
                counts[stem] += 1
                by[stem] = f"counts {counts[stem]}"
                continue
            counts[stem] = counts[stem] if effects == ("ignored",) else 0
            by[stem] = " or ".join(WORDS[effect] for effect in effects)
        heard.append(Heard(pulse.off_s, pulse.on_s, by))
    return tuple(heard)


WORDS = {
    "ignored": "rides through",
    "pulse": "steps on",
    "reset": "back to its first scene",
    "power_down": "plain off and on",
}


def _refused(site: Pad, circuit: str, scene: str) -> Step:
    request = request_for(site, circuit, scene)
    found = plan(request)
    assert isinstance(found, Refusal)
    sheets = {lamp.stem: lamp.datasheet for lamp in request.lamps}
    wanted = " and ".join(
        f"scene {s.code} of {quoted(lamp)}" for lamp, s in site.wanted(circuit, scene).items()
    )
    words = f"Two types with the same windows share a relay on the bench. {quoted(scene)} asks for {wanted}:"
    return Step("An honest no", words, circuit, sheets, refusal=found)
