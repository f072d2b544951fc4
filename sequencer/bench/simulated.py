"""A stand in virtual time: a simulated lamp behind a simulated contact, before eyes that err."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from random import Random
from typing import TYPE_CHECKING

from sequencer.bench.colours import mean_colour
from sequencer.bench.stand import Sighting, Spent
from sequencer.clock import VirtualClock
from sequencer.errors import HardwareError, InputError
from sequencer.sim.pad import SimPad
from sequencer.sim.relay import Manner, SimContact
from sequencer.train import Delays, Limits, Pulse

if TYPE_CHECKING:
    from sequencer.clock import Clock
    from sequencer.datasheet import Datasheet
    from sequencer.sim.lamp import SimLamp
    from sequencer.train import Train

LEAD_S = 0.05
"""How far the contact's time runs ahead of the clock, so that each command can be given in time."""


@dataclass(frozen=True, slots=True)
class EyesThatErr:
    """How the eyes of a simulated stand see.

    ``noise`` is the standard deviation of each sRGB channel (of 255); ``lapse`` the chance that a look reports
    a scene of the datasheet at random; ``still_s`` how long a look at a still light takes; ``rounds`` how many
    periods of a moving one; ``tells_colours`` whether they can tell its colours apart. ``period_error`` is the
    greatest error of a period, as a fraction.
    """

    noise: float = 1.0
    lapse: float = 0.0
    still_s: float = 0.5
    rounds: float = 2.0
    tells_colours: bool = False
    period_error: float = 0.01
    threshold: float = 5.0


class SimStand:
    """``lamp`` on a table in virtual time; its scenes look as ``datasheet`` says (its own, if left out).

    With ``volts_range`` the supply can be set, and the lamp then rides through what its ``[hold_up]`` gives at
    these volts, within what its datasheet promises. Every chance follows from ``seed``.
    """

    def __init__(
        self,
        lamp: SimLamp,
        datasheet: Datasheet | None = None,
        delays: Delays = Delays(),  # noqa: B008 - a plain value
        clock: Clock | None = None,
        eyes: EyesThatErr = EyesThatErr(),
        seed: int = 0,
        *,
        manner: Manner = "drawn",
        volts_range: tuple[float, float] | None = None,
        limits: Limits = Limits(max_dark_s=60.0),  # noqa: B008 - a plain value, a rig's own
    ) -> None:
        self.lamp = lamp
        self.datasheet = datasheet or lamp.datasheet
        self.volts_range = volts_range
        self.threshold = eyes.threshold
        self._eyes = eyes
        self._delays = delays
        self._clock = clock or VirtualClock()
        self._chance = Random(seed)  # noqa: S311 - chance for a simulation, from a seed
        self._contact = SimContact(self._clock, delays, True, self._chance, manner=manner)
        self._pad = SimPad(self._clock, self._contact, {"lamp": lamp})
        self._began = self._due = self._clock.now()
        self._cycles = 0
        self._limits = limits
        self._opened = -math.inf

    @property
    def spent(self) -> Spent:
        """Relay cycles and virtual seconds so far."""
        return Spent(self._cycles, self._due - self._began)

    def send(self, train: Train) -> None:
        """Play a train."""
        self.supply(train.lead_in_s)
        if train.lead_in_s:
            self.lamp.stand(self._clock.now())
        for pulse in train.pulses:
            self.dark(pulse.off_s)
            self.supply(pulse.on_s)

    def supply(self, seconds: float) -> None:
        """Let it have supply."""
        self._due += seconds
        self._until(self._due - LEAD_S)

    def dark(self, seconds: float) -> None:
        """One break. ValueError for one shorter than the contact can make in order."""
        delays = self._delays
        if seconds <= 0 or seconds < delays.mean_make_s - delays.mean_break_s - LEAD_S:
            raise ValueError(f"a break of {seconds} s is none")
        since_s = self._due - self._opened
        last = Pulse(0.0, since_s), Pulse(seconds, max(self._limits.cycle_s - seconds, 0.0))
        if refusal := self._limits.refusal(last[math.isinf(since_s) :]):
            raise InputError(f"this break is not sent: {refusal}")
        self._opened = self._due
        self._until(self._due - delays.mean_break_s)
        self._contact.set(False)
        self._due += seconds
        self._until(self._due - delays.mean_make_s)
        self._contact.set(True)
        self._cycles += 1

    def look(self) -> Sighting:
        """See what it shows after a moment, or over some rounds of a moving scene."""
        self.supply(self._eyes.still_s)
        code = self.lamp.showing(self._clock.now())
        if self._chance.random() < self._eyes.lapse:
            code = self._chance.choice([scene.code for scene in self.datasheet.scenes])
        if code is None:
            return Sighting(None)
        scene = self.datasheet.scene_by_code(code)
        assert scene is not None
        if scene.period_s is None:
            return Sighting(self._seen(mean_colour(scene)))
        self.supply(self._eyes.rounds * scene.period_s)
        period = scene.period_s * (1 + self._chance.uniform(-1, 1) * self._eyes.period_error)
        colours = tuple(map(self._seen, scene.colours or ())) if self._eyes.tells_colours else ()
        return Sighting(self._seen(mean_colour(scene)), period, colours)

    def volts(self, volts: float) -> None:
        """Set the supply."""
        if self.volts_range is None:
            raise HardwareError("supply: it is fixed and cannot be set")
        least, greatest = self.volts_range
        if not least <= volts <= greatest:
            raise HardwareError(f"supply: {volts} V is not within {least}-{greatest} V")
        electrical = self.lamp.datasheet.electrical
        if electrical is not None:
            low, high = electrical.volts
            self.lamp.nature = replace(self.lamp.nature, volts=(volts - low) / ((high - low) or 1.0))

    def _until(self, at: float) -> None:
        self._clock.sleep_until(at)
        self._pad.wait(0.0)

    def _seen(self, colour: str) -> str:
        noise = self._eyes.noise
        channels = (int(colour[i : i + 2], 16) + self._chance.gauss(0, noise) for i in (1, 3, 5))
        return "#" + "".join(f"{min(255, max(0, round(channel))):02x}" for channel in channels)
