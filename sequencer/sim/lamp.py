"""One underwater lamp as a machine in continuous time, fed with nothing but supply edges.

It is built like the thing itself, so that it can contradict the planner, which reasons over windows:

- a capacitor carries it through a break for its own ride-through time; a shorter break it never sees;
- once the capacitor is empty its electronics stand still; when the supply returns they need some time to start, and
  until they run they know of no supply: should it go again before, the darkness simply goes on;
- a dark timer on its own clock, never quite right, tells pulse, reset and power-down apart once they have started,
  by limits of its own that lie somewhere in the gaps of its datasheet. It reads from the moment the supply went to
  the moment it came back to stay;
- a supply timer says whether it has booted, whether a pulse came too soon, and when a count is over;
- a counter and a scene memory outlast the break.

Times are seconds on any one axis; nothing is rounded to a grid. Where the limits lie is the lamp's
:class:`~sequencer.sim.nature.Nature`. It gives no light while it starts.
"""

from __future__ import annotations

import math
from random import Random
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from sequencer.datasheet import Datasheet
    from sequencer.sim.nature import Nature

HAIR_S = 1e-9
"""A limit lies at least this far inside its gap, so that the last digit of a float is no choice."""

Reading = Literal["pulse", "reset", "power_down"]


def hold_up_s(capacitance_f: float, from_v: float, to_v: float, watts: float) -> float:
    """Seconds for which a capacitor carries a constant power while it falls from one voltage to another.

    ``t = C (V1^2 - V2^2) / (2 P)``, the energy between two voltages over the power drawn (the usual
    formula of power-supply design notes, read in secondary copies). 0 when there is nothing to fall.

    >>> round(1000 * hold_up_s(470e-6, 17.0, 10.0, 12.0), 2)
    3.7
    """
    return max(0.0, capacitance_f * (from_v**2 - to_v**2) / (2 * watts))


def _between(low: float, high: float, fraction: float) -> float:
    """The point at ``fraction`` of a gap, a hair inside it."""
    if high - low <= 2 * HAIR_S:
        return (low + high) / 2
    return min(max(low + fraction * (high - low), low + HAIR_S), high - HAIR_S)


class SimLamp:
    """A lamp of the type that ``datasheet`` describes, with limits that ``nature`` gives it.

    ``scene`` is the code it shows or remembers, ``pending`` the pulses it has counted so far. It has had
    supply for ``supplied_for`` seconds; with ``dark_for`` given, a break of that length so far followed
    (``inf``: power-down for certain); with ``back_at`` as well, the supply is there and came back, or comes back,
    at that moment, and the lamp may not have started yet. ``at_rest`` matters to step lamps only: the next pulse needs
    ``warm_up``. ``ride_through_s`` replaces the lamp's own, as for a weak lamp that no longer keeps to
    its datasheet. ``held_s`` (seconds on its capacitor, from now), ``wait_s`` (seconds from the return of the supply
    until that charges the capacitor) and ``unsure`` (the chance that a break makes it do anything, for want of volts)
    are what a :class:`~sequencer.sim.feed.FeedInTime` tells it of each break. ``misses`` (the chance that a pulse
    goes by it), ``deaf`` (it stays on its scene) and ``dead`` (it gives no light) are faults, to be set at will.

    Time runs forward only: ValueError for an edge or a question before the last one.
    """

    def __init__(
        self,
        datasheet: Datasheet,
        nature: Nature,
        *,
        scene: int,
        pending: int = 0,
        at: float = 0.0,
        supplied_for: float = math.inf,
        dark_for: float | None = None,
        back_at: float | None = None,
        at_rest: bool = True,
        ride_through_s: float | None = None,
    ) -> None:
        self.datasheet = datasheet
        self.nature = nature
        self.ride_through_s = ride_through_s
        self.held_s: float | None = None
        self.wait_s = 0.0
        self.unsure = 0.0
        self._on_capacitor = False
        self.misses = 0.0
        self.deaf = False
        self.dead = False
        self._ring = tuple(sorted(s.code for s in datasheet.scenes))
        if scene not in self._ring:
            raise ValueError(f"{datasheet.lamp.name}: no scene has code {scene}")
        self._counts = datasheet.lamp.selects_by == "count"
        self._tolerance = datasheet.lamp.clock_tolerance
        self._warm_up = datasheet.warm_up[0]
        self._chance = Random(nature.seed)  # noqa: S311 - chance for a simulation, from a seed

        self._scene = scene
        self._pending = pending
        self._at_rest = at_rest
        self._now = at
        self._lit = True
        self._supplied = dark_for is None or back_at is not None
        self._off_at = (at if back_at is None else back_at) - (
            dark_for or 0.0
        )  # since when the supply is gone
        self._dark_at = math.inf  # when the capacitor is empty
        self._back_at = self._starts_at = (
            math.inf
        )  # since when it has supply again, and when it will have started
        self._since = self._off_at - supplied_for  # since when the supply timer runs
        self._settle_at = self._since + self._draw_settle()
        self._history: list[tuple[float, int | None]] = []
        self._settle_if_due(self._off_at)
        if dark_for is not None:
            self._dark_at = self._off_at + self._draw_ride_through()
        if back_at is not None:
            self._come_back(back_at)
        self._advance(at)
        self._show(at)

    # -- what the world sees ----------------------------------------------------------------------

    def supply(self, on: bool, at: float) -> None:
        """The supply at the lamp's terminals comes (``on``) or goes at this moment."""
        self._advance(at)
        if on == self._supplied:
            return
        self._supplied = on
        if on:
            self._come_back(at)
        elif self._lit:
            self._off_at = at
            self._dark_at = at + self._draw_ride_through()
        # else it had not started yet: to it, the supply was not there, and the darkness goes on

    def showing(self, at: float) -> int | None:
        """The code of the scene in the water, or None when the lamp is dark."""
        self._advance(at)
        return self._scene if self._lit and not self.dead else None

    def remembered(self, at: float) -> int:
        """The code of the scene that it shows or, when dark, last chose."""
        self._advance(at)
        return self._scene

    def pending(self, at: float) -> int:
        """Pulses counted of a train that is not over (count); always 0 for a step lamp."""
        self._advance(at)
        return self._pending

    def watts(self, at: float) -> float:
        """What it draws: its scene's watts, or the worst case where the datasheet does not say; 0 while it is dark.

        0 as well without ``[electrical]``.
        """
        self._advance(at)
        return self._watts() if self._lit and not self.dead and self.datasheet.electrical else 0.0

    def stand(self, at: float) -> None:
        """A lead-in is over: from here on a step lamp is at rest."""
        self._advance(at)
        self._at_rest = True

    def history(self, at: float) -> tuple[tuple[float, int | None], ...]:
        """Every change of what it showed up to now: (when, code or None)."""
        self._advance(at)
        return tuple(self._history)

    # -- time ------------------------------------------------------------------------------------

    def _advance(self, at: float) -> None:
        """Let the timers run until ``at``."""
        if at < self._now:
            raise ValueError(f"{self.datasheet.lamp.name}: {at} s is before {self._now} s, already past")
        self._now = at
        if self._supplied:
            if not self._lit and self._starts_at <= at:
                self._wake(self._back_at)
            if self._lit:
                self._settle_if_due(at)
        elif self._lit and at >= self._dark_at:
            self._lit = False
            self._show(self._dark_at)

    def _settle_if_due(self, at: float) -> None:
        """The supply timer has reached this lamp's settle moment: the count becomes the scene."""
        if self._pending and self._settle_at <= at:
            self._scene = self._scene_of_count()
            self._pending = 0
            self._show(self._settle_at)

    def _show(self, at: float) -> None:
        code = self._scene if self._lit else None
        if not self._history or self._history[-1][1] != code:
            began = self._history[-1][0] if self._history else self._now
            self._history.append((max(at, began), code))

    # -- a noticed break ends --------------------------------------------------------------------

    def _come_back(self, at: float) -> None:
        """Supply is there again: a lamp that went dark begins to start."""
        if self._dark_at > at + (self.wait_s if self._on_capacitor else 0.0):
            return  # the break went unnoticed, and the supply timer never stopped
        if self._lit:
            self._lit = False
            self._show(self._dark_at)
        self._back_at = at
        self._starts_at = max(at + self._draw_start_up(), self._dark_at)

    def _wake(self, at: float) -> None:
        """It has started after a break that ended at ``at``; what the break was is read now."""
        length = at - self._off_at
        if self.deaf:
            self._lit = True
            self._show(self._starts_at)
            return
        if self.unsure and self._chance.random() < self.unsure:
            self._stumble()
        else:
            self._take(length)
        self._since = at
        self._settle_at = at + self._draw_settle()
        self._lit = True
        self._show(self._starts_at)

    def _take(self, length: float) -> None:
        """What a break of this length does to scene and count."""
        reading = self._read(length)
        if reading == "pulse":
            self._pulse(length, self._off_at - self._since)
        elif reading == "reset":
            self._restart(self._ring[0])
        else:
            if self._pending and self._either("takes_pending"):
                self._scene = self._scene_of_count()
            after = self.datasheet.lamp.after_power_down
            self._restart({"first": self._ring[0], "next": self._next(), "remembered": self._scene}[after])

    def _stumble(self) -> None:
        """Too few volts to start in good order: it has not seen the break, or comes back onto anything."""
        if self._chance.random() < 0.5:
            self._restart(self._chance.choice(self._ring))

    def _read(self, length: float) -> Reading:
        """What the dark timer makes of a break."""
        off = self.datasheet.off
        ticks = length * self._draw_rate()
        after_pulse = off.power_down if off.reset is None else off.reset
        if ticks < _between(off.pulse[1], after_pulse[0], self._fraction("pulse_end")):
            return "pulse"
        if off.reset is not None and ticks < _between(
            off.reset[1], off.power_down[0], self._fraction("reset_end")
        ):
            return "reset"
        return "power_down"

    def _pulse(self, length: float, supplied: float) -> None:
        first = self._pending == 0 if self._counts else self._at_rest
        needs = self._warm_up if first else self.datasheet.on.same_train[0]
        own_need = min(needs * self._fraction("boot" if first else "gap"), needs - HAIR_S)
        if supplied * self._draw_rate() < own_need or (self.misses and self._chance.random() < self.misses):
            return
        if self._counts:
            self._pending += 1
            return
        self._scene = self._next()
        if self._must_take(length, supplied, needs) or self._either("wakes_early"):
            self._at_rest = False

    def _must_take(self, length: float, supplied: float, needs: float) -> bool:
        """Whether no lamp of this type could have missed this pulse, whatever its nature."""
        low, high = self.datasheet.off.pulse
        slow, fast = 1 - self._tolerance, 1 + self._tolerance
        certainly_pulse = length * slow >= low - HAIR_S and length * fast <= high + HAIR_S
        return certainly_pulse and supplied * slow >= needs - HAIR_S

    def _restart(self, scene: int) -> None:
        self._scene = scene
        self._pending = 0
        self._at_rest = True

    # -- scenes -----------------------------------------------------------------------------------

    def _next(self) -> int:
        return self._ring[(self._ring.index(self._scene) + 1) % len(self._ring)]

    def _scene_of_count(self) -> int:
        if self._pending in self._ring:
            return self._pending
        if self.datasheet.lamp.overflow == "wraps":
            return (self._pending - 1) % self._ring[-1] + 1
        if self.datasheet.lamp.overflow == "ignored":
            return self._scene
        return self._chance.choice(self._ring)

    # -- this lamp's own limits -----------------------------------------------------------------------

    def _draw_ride_through(self) -> float:
        """Seconds for which the capacitor carries the lamp through the break that begins now."""
        if self.ride_through_s is not None:
            return self.ride_through_s
        sheet, nature = self.datasheet, self.nature
        ignored_end, pulse_start = sheet.off.ignored[1], sheet.off.pulse[0]
        least, most = ignored_end / (1 + self._tolerance), pulse_start / (1 - self._tolerance)
        # A feed knows the volts. Physics goes before the datasheet where they differ; else this lamp's own limit may
        # lie anywhere in the gap.
        in_gap = self.held_s is not None and least < self.held_s < most
        self._on_capacitor = self.held_s is not None and not (in_gap and nature.volts is None)
        if self.held_s is not None and self._on_capacitor:
            return self.held_s
        if (
            self.held_s is None
            and nature.volts is not None
            and sheet.hold_up is not None
            and sheet.electrical is not None
        ):
            # The capacitor is no clock; but what the datasheet promises stands, whatever physics says.
            low, high = sheet.electrical.volts
            peak = math.sqrt(2) * (low + nature.volts * (high - low))
            held = hold_up_s(sheet.hold_up.capacitance_f, peak, sheet.hold_up.dropout_v, self._watts())
            return min(max(held, least + HAIR_S), most - HAIR_S)
        return _between(ignored_end, pulse_start, self._fraction("ride_through")) / self._draw_rate()

    def _watts(self) -> float:
        """What the scene draws; the worst case where the datasheet does not say."""
        assert self.datasheet.electrical is not None
        here = next(s.watts for s in self.datasheet.scenes if s.code == self._scene)
        return self.datasheet.electrical.watts if here is None else here

    def _draw_start_up(self) -> float:
        """Seconds of supply that its electronics need to run again after they stood still."""
        needs = self.datasheet.noticed[0]
        return max(0.0, min(needs * self._fraction("start_up"), needs - HAIR_S)) / self._draw_rate()

    def _draw_settle(self) -> float:
        """Seconds of supply after which a count is over."""
        settled = self.datasheet.on.settled
        if settled is None:
            return math.inf
        own = _between(self.datasheet.on.same_train[1], settled[0], self._fraction("settle"))
        return own / self._draw_rate()

    def _draw_rate(self) -> float:
        """Ticks of the lamp's clock a second, while it measures one length."""
        error = self.nature.clock if self.nature.temper == "steady" else 2 * self._whim() - 1
        return 1 + error * self._tolerance

    def _fraction(self, limit: str) -> float:
        if self.nature.temper == "contrary":
            return self._whim()
        value: float = getattr(self.nature, limit)
        return value

    def _either(self, choice: str) -> bool:
        if self.nature.temper == "contrary":
            return self._chance.random() < 0.5
        value: bool = getattr(self.nature, choice)
        return value

    def _whim(self) -> float:
        """A fraction drawn anew; the ends of a gap, where trouble lives, are half of all draws."""
        draw = self._chance.random()
        if draw < 0.5:
            return float(draw < 0.25)
        return self._chance.random()
