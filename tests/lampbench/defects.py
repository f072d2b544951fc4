"""Lamps that do not do what their datasheet says, each in one way; and sound ones that use all the room it leaves."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import NamedTuple

from sequencer.bench.simulated import SimStand
from sequencer.datasheet import Datasheet, LampScene, load_datasheet
from sequencer.sim.lamp import SimLamp
from sequencer.sim.nature import Nature

LAMPS = Path(__file__).parents[2] / "config" / "lamps"
VOLTS = (8.0, 16.0)


def sheet_of(stem: str) -> Datasheet:
    return load_datasheet(LAMPS / f"type-{stem}.toml")


class CountsTwice(SimLamp):
    """Every fifth pulse or so bounces in its counter."""

    def _pulse(self, length: float, supplied: float) -> None:
        super()._pulse(length, supplied)
        if self._pending and self._chance.random() < 0.2:
            self._pending += 1


class MissesPulses(SimLamp):
    rate = 0.1

    def _pulse(self, length: float, supplied: float) -> None:
        if self._chance.random() >= self.rate:
            super()._pulse(length, supplied)


class SlipsNowAndThen(MissesPulses):
    rate = 0.02


class WrapsWrong(SimLamp):
    """After the last scene of its ring comes the second."""

    def _next(self) -> int:
        following = super()._next()
        return self._ring[1] if following == self._ring[0] else following


class OverrunsWrong(SimLamp):
    """A count beyond its table, which it should ignore, goes to the last scene."""

    def _scene_of_count(self) -> int:
        return self._pending if self._pending in self._ring else self._ring[-1]


class Forgets(SimLamp):
    """A power-down brings it to its first scene."""

    def _read(self, length: float) -> str:  # type: ignore[override]
        found = super()._read(length)
        if found == "power_down":
            self._scene, self._pending = self._ring[0], 0
        return found


class SettlesSlowly(SimLamp):
    def _draw_settle(self) -> float:
        return 1.4 * (self.datasheet.on.settled or (0.0, 0.0))[0]


class DropsOut(SimLamp):
    """Dark below an eighth of its rated range."""

    def showing(self, at: float) -> int | None:
        found = super().showing(at)
        return None if self.nature.volts is not None and self.nature.volts < 0.125 else found


class RidesTooLongWhenLow(SimLamp):
    """At low volts its electronics brown out and miss short pulses."""

    def _draw_ride_through(self) -> float:
        low = self.nature.volts is not None and self.nature.volts < 0.125
        return 2 * self.datasheet.off.pulse[0] if low else super()._draw_ride_through()


class ClockOff(SimLamp):
    """Its clock is a seventh fast, and its limits are where a fast clock cannot afford them."""

    def _draw_rate(self) -> float:
        return 1.15


class DeafToReset(SimLamp):
    def _read(self, length: float) -> str:  # type: ignore[override]
        found = super()._read(length)
        return "power_down" if found == "reset" else found


class BootsSlowly(SimLamp):
    def _pulse(self, length: float, supplied: float) -> None:
        first = self._pending == 0 if self._counts else self._at_rest
        if not first or supplied > 1.3 * self._warm_up:
            super()._pulse(length, supplied)


class RidesThroughPulses(SimLamp):
    """Its capacitor is too large: the shortest pulse goes unseen."""

    def _draw_ride_through(self) -> float:
        return 1.5 * self.datasheet.off.pulse[0]


class Defect(NamedTuple):
    """One way to be unsound: which type, which lamp, what it looks like, and the phases that may find it."""

    name: str
    stem: str
    lamp: type[SimLamp] = SimLamp
    looks: Callable[[Datasheet], Datasheet] = lambda sheet: sheet
    found_in: frozenset[str] = frozenset({"reach", "edges", "memory", "low volts", "tours"})


def with_scenes(change: Callable[[LampScene], LampScene]) -> Callable[[Datasheet], Datasheet]:
    return lambda sheet: sheet.model_copy(update={"scenes": tuple(map(change, sheet.scenes))})


def _swapped(scene: LampScene) -> LampScene:
    return scene.model_copy(update={"code": {2: 4, 4: 2}.get(scene.code, scene.code)})


def _redder(scene: LampScene) -> LampScene:
    return scene.model_copy(update={"colour": "#7d5a2c"}) if scene.code == 3 else scene


def _slower(scene: LampScene) -> LampScene:
    return scene.model_copy(update={"period_s": 1.5 * scene.period_s}) if scene.period_s else scene


def _black(scene: LampScene) -> LampScene:
    return scene.model_copy(update={"colour": "#000000"}) if scene.code == 5 else scene


DEFECTS = (
    Defect("counts twice", "a", CountsTwice),
    Defect("misses pulses", "a", MissesPulses),
    Defect("misses pulses, stepping", "c", MissesPulses),
    Defect("slips now and then", "a", SlipsNowAndThen),
    Defect("wrong wrap", "c", WrapsWrong),
    Defect("wrong wrap, never forgets", "d", WrapsWrong),
    Defect("wrong beyond the table", "b", OverrunsWrong, found_in=frozenset({"edges"})),
    Defect("forgets after power-down", "a", Forgets, found_in=frozenset({"memory"})),
    Defect("wrong colour", "a", looks=with_scenes(_redder)),
    Defect("swapped scenes", "a", looks=with_scenes(_swapped)),
    Defect("one scene dark", "a", looks=with_scenes(_black)),
    Defect("moving scene too slow", "a", looks=with_scenes(_slower)),
    Defect("slow settling", "b", SettlesSlowly),
    Defect("drops out at low volts", "a", DropsOut, found_in=frozenset({"low volts"})),
    Defect("deaf at low volts", "a", RidesTooLongWhenLow, found_in=frozenset({"low volts"})),
    Defect("clock out of tolerance", "a", ClockOff),
    Defect("deaf to reset", "c", DeafToReset),
    Defect("slow to boot", "a", BootsSlowly, found_in=frozenset({"edges"})),
    Defect("rides through pulses", "b", RidesThroughPulses),
)


def unsound(defect: Defect, seed: int) -> SimStand:
    """A stand with such a lamp: its other limits at chance, those that the defect needs at the worst end."""
    chance = Random(seed)
    sheet = sheet_of(defect.stem)
    nature = Nature.steady(chance)
    if defect.lamp is ClockOff:
        nature = replace(nature, pulse_end=0.0, settle=0.0)
    lamp = defect.lamp(sheet, nature, scene=chance.choice([scene.code for scene in sheet.scenes]))
    return SimStand(lamp, defect.looks(sheet), seed=seed, volts_range=VOLTS)


def sound(stem: str, seed: int) -> SimStand:
    """A stand with a lamp that uses all the room that its datasheet leaves it."""
    chance = Random(seed)
    sheet = sheet_of(stem)
    makes = (
        Nature.steady,
        Nature.corner,
        Nature.contrary,
        lambda c: Nature.steady(c, "drifting"),
        lambda c: Nature.corner(c, "drifting"),
    )
    nature = makes[seed % len(makes)](chance)
    lamp = SimLamp(sheet, nature, scene=chance.choice([scene.code for scene in sheet.scenes]))
    manner = chance.choice(("steady", "drawn", "extreme", "long breaks", "short breaks"))
    return SimStand(lamp, seed=seed, volts_range=VOLTS, manner=manner)
