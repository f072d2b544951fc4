"""The real stand: trains through the player's process, light and volts through the rig's instruments."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from random import Random
from typing import TYPE_CHECKING

from sequencer.bench.colours import alike, mean_colour
from sequencer.bench.rigfile import (
    FixedSupply,
    MeterEyes,
    OperatorEyes,
    ScpiSupply,
    SensorEyes,
    SimulatedEyes,
)
from sequencer.bench.simulated import EyesThatErr, SimStand
from sequencer.bench.stand import Sighting, Spent, Spoiled, Stand
from sequencer.errors import HardwareError, InputError
from sequencer.player.job import PlayResult
from sequencer.player.process import play
from sequencer.relay import open_relay
from sequencer.sim.lamp import SimLamp
from sequencer.sim.nature import Nature
from sequencer.sitefile import ModbusRelay
from sequencer.tomlfile import quoted
from sequencer.train import Delays, Limits, Pulse, Train

if TYPE_CHECKING:
    from sequencer.bench.rigfile import Rig
    from sequencer.datasheet import Datasheet
    from sequencer.instruments.eyes import Eyes
    from sequencer.instruments.supply import Supply


class RigStand:
    """A lamp on a real table.

    Breaks and supply are gathered and played as one train when the light or the volts are wanted, so that no
    start of a process lies between them. ``margin_s`` is what the trains keep from every boundary: an edge that
    comes further from its due time than half of it spoils the train.
    """

    def __init__(
        self,
        relay: dict[str, object],
        delays: Delays,
        eyes: Eyes,
        supply: Supply | None = None,
        volts_range: tuple[float, float] | None = None,
        *,
        margin_s: float = 0.03,
        limits: Limits = Limits(max_dark_s=60.0),  # noqa: B008 - a plain value, a rig's own
        play: Callable[..., PlayResult] = play,
        now: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.threshold = eyes.threshold
        self.volts_range = volts_range
        self._relay, self._delays = relay, delays
        self._eyes, self._supply = eyes, supply
        self._margin_s = margin_s
        self._limits = limits
        self._play, self._now, self._sleep = play, now, sleep
        self._lead_in_s = 0.0
        self._pulses: list[Pulse] = []
        self._cycles = 0
        self._began = now()

    @property
    def spent(self) -> Spent:
        """Relay cycles and seconds so far."""
        return Spent(self._cycles, self._now() - self._began)

    def send(self, train: Train) -> None:
        """Gather a train."""
        self.supply(train.lead_in_s)
        self._pulses += train.pulses

    def supply(self, seconds: float) -> None:
        """Gather supply."""
        if self._pulses:
            off_s, on_s = self._pulses.pop()
            self._pulses.append(Pulse(off_s, on_s + seconds))
        else:
            self._lead_in_s += seconds

    def dark(self, seconds: float) -> None:
        """Gather a break."""
        self._pulses.append(Pulse(seconds, 0.0))

    def look(self) -> Sighting:
        """Play what was gathered, then look."""
        self._flush()
        return self._eyes.look()

    def volts(self, volts: float) -> None:
        """Play what was gathered, then set the supply."""
        if self._supply is None or self.volts_range is None:
            raise HardwareError("supply: it is fixed and cannot be set")
        least, greatest = self.volts_range
        if not least <= volts <= greatest:
            raise HardwareError(f"supply: {volts} V is not within {least}-{greatest} V, as the rig file says")
        self._flush()
        self._supply.set(volts)

    def _flush(self) -> None:
        if self._pulses:  # supply goes on anyhow; told, it keeps the next break from coming too soon
            off_s, on_s = self._pulses[-1]
            self._pulses[-1] = Pulse(off_s, max(on_s, self._limits.cycle_s - off_s))
        train = Train(tuple(self._pulses), self._lead_in_s)
        self._pulses, self._lead_in_s = [], 0.0
        if not train.pulses:
            self._sleep(train.lead_in_s)
            return
        tolerance = (self._margin_s / 2,) * (2 * train.relay_cycles)
        result = self._play(train, self._delays, self._relay, tolerance, limits=self._limits)
        log = result.log
        self._cycles += sum(stamp.closed for stamp in log.stamps)
        if log.outcome == "broken off":
            raise KeyboardInterrupt
        if log.outcome not in {"finished", "overdue"}:
            raise HardwareError(f"relay: {log.detail}")
        if beyond := result.beyond:
            raise Spoiled(
                f"edges {', '.join(map(str, beyond))} came too late or too early: is this machine busy?"
            )


@contextmanager
def open_stand(
    rig: Rig, sheet: Datasheet | None, volts: float | None = None
) -> Iterator[tuple[Stand, tuple[str, ...]]]:
    """The stand of a rig with such a lamp on it, and what the user should know of it.

    ``sheet`` None: nobody knows what lamp it is; a simulated one must be known. ``volts``: set before anything
    else, for a run that never sets them.

    :raises InputError: the rig's eyes or its supply cannot serve for this datasheet.
    :raises HardwareError: something is not there, or does not answer.
    """
    if rig.simulated:
        assert sheet is not None
        simulated = _simulated(rig, sheet)
        if volts is not None:
            simulated.volts(volts)
        yield simulated, ("Nothing of this rig is real: a sound lamp is simulated.",)
        return
    if problems := list(_unfit(rig, sheet)):
        raise InputError(problems)
    with ExitStack() as stack:
        relay, delays, notes = _relay(rig)
        eyes = stack.enter_context(_eyes(rig, sheet))
        supply = None
        if isinstance(rig.supply, ScpiSupply):
            from sequencer.instruments import supply as scpi  # noqa: PLC0415 - only where there is one

            supply = stack.enter_context(scpi.open_(rig.supply.model_dump()))
            notes += supply.notes
        timing = rig.timing
        stand = RigStand(
            relay, delays, eyes, supply, rig.volts_range, margin_s=timing.margin_s, limits=timing.limits
        )
        if volts is not None:
            stand.volts(volts)
        alike_ones = () if sheet is None else doubts(rig, sheet, eyes.threshold)
        yield stand, (*notes, *eyes.notes, *alike_ones)


def doubts(rig: Rig, sheet: Datasheet, threshold: float) -> tuple[str, ...]:
    """What these eyes cannot tell apart on this type of lamp."""
    lines = []
    if isinstance(rig.eyes, SensorEyes):
        lines += [f'"{a}" and "{b}" look alike to these eyes' for a, b in alike(sheet, threshold)]
        for scene in sheet.scenes:
            if scene.period_s is not None and scene.period_s / len(scene.colours or "1") > rig.eyes.still_s:
                words = f"still_s = {rig.eyes.still_s:g} is shorter than one colour of it may stay"
                lines.append(f'"{scene.name}" may be taken for still: {words}')
    return tuple(lines)


def _unfit(rig: Rig, sheet: Datasheet | None) -> Iterator[str]:
    """Why this rig cannot serve for this lamp; to be said before anything is switched."""
    if isinstance(rig.eyes, SensorEyes) and rig.eyes.white is None:
        yield f"{rig.path}: [eyes] is not calibrated: lampstep bench white --rig {rig.path} prints two lines for it"
    if isinstance(rig.eyes, MeterEyes):
        if sheet is None:
            words = "scenes that draw the same look the same to it: use other eyes"
            yield f"{rig.name}: a current meter cannot tell what nobody has described: {words}"
        elif not all(scene.watts for scene in sheet.scenes) or sheet.electrical is None:
            words = "give every [[scene]] its watts, and [electrical], or use other eyes"
            yield f"{sheet.lamp.name}: a current meter knows scenes by their watts: {words}"
    if not isinstance(rig.supply, ScpiSupply) or sheet is None:
        return
    least, greatest = rig.supply.volts
    if sheet.electrical is None:
        words = f"the supply can be set, and {quoted(sheet.lamp.name)} does not say to what: add [electrical] volts"
        yield f"{rig.path}: {words} to its datasheet"
    elif sheet.electrical.volts[0] > greatest or sheet.electrical.volts[1] < least:
        low, high = sheet.electrical.volts
        words = f"gives {least:g}-{greatest:g} V, and {quoted(sheet.lamp.name)} wants {low:g}-{high:g} V"
        yield f"{rig.path}: [supply] {words}: use another supply"


def delays_of(rig: Rig) -> Delays:
    """The relay's delays by its file alone."""
    return rig.relay.delays


def _relay(rig: Rig) -> tuple[dict[str, object], Delays, tuple[str, ...]]:
    """Open the relay once, to see that it is there and to measure its line: its table, its delays, its notes."""
    spec: dict[str, object] = rig.relay.model_dump()
    with open_relay(spec) as opened:
        line_s, notes = opened.line_delay_s, opened.notes
    delays = rig.relay.own_delays
    if isinstance(rig.relay, ModbusRelay):
        return {**spec, "line_delay_s": line_s}, delays.after(line_s), notes
    return spec, delays, notes


def _simulated(rig: Rig, sheet: Datasheet) -> SimStand:
    eyes = rig.eyes
    assert isinstance(eyes, SimulatedEyes)
    chance = Random(rig.lamp.seed)  # noqa: S311 - a simulation's
    scene = chance.choice([scene.code for scene in sheet.scenes])
    lamp = SimLamp(sheet, Nature.steady(chance), scene=scene)
    err = EyesThatErr(noise=eyes.noise, lapse=eyes.lapse, threshold=eyes.allowance)
    return SimStand(
        lamp,
        None,
        rig.relay.delays,
        eyes=err,
        seed=rig.lamp.seed,
        volts_range=rig.volts_range,
        limits=rig.timing.limits,
    )


def scenes_to_see(sheet: Datasheet) -> Sequence[tuple[str, Sighting]]:
    """A datasheet's scenes as they would be seen, for an operator to choose from."""
    return [(scene.name, Sighting(mean_colour(scene), scene.period_s)) for scene in sheet.scenes]


def _eyes(rig: Rig, sheet: Datasheet | None) -> Eyes:
    spec = rig.eyes.model_dump()
    if isinstance(rig.eyes, OperatorEyes):
        from sequencer.instruments import operator  # noqa: PLC0415 - one of three

        return operator.open_(spec, [] if sheet is None else scenes_to_see(sheet))
    if isinstance(rig.eyes, MeterEyes):
        from sequencer.instruments.meter import CurrentEyes  # noqa: PLC0415
        from sequencer.relay.meter import ModbusCurrent  # noqa: PLC0415

        assert sheet is not None and sheet.electrical is not None  # noqa: PT018 - _unfit has seen to it
        assert isinstance(rig.supply, FixedSupply)  # as the rig file has been checked for
        watts_per_amp = rig.supply.volts * sheet.electrical.power_factor
        return CurrentEyes(ModbusCurrent(spec).amps, watts_per_amp, still_s=rig.eyes.still_s)
    from sequencer.instruments import sensor  # noqa: PLC0415

    return sensor.open_(spec)
