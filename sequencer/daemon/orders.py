"""From a site file to what the core needs to know of each circuit."""

from __future__ import annotations

import math

from sequencer.automaton.guards import guards
from sequencer.core.in_step import Mover, in_step_s
from sequencer.core.state import HOUR_S, LampRules, Rules
from sequencer.errors import InputError
from sequencer.sitefile import Circuit, Pad
from sequencer.sitefile.serve import Inputs
from sequencer.sitefile.standing import Standing
from sequencer.tomlfile import quoted
from sequencer.train import Delays
from sequencer.units import to_seconds


def standing_of(pad: Pad) -> Standing:
    """The daemon's tables of a pad that was loaded with them."""
    if pad.standing is None:
        raise InputError(f"{pad.path}: was read without the tables of the daemon")
    return pad.standing


def rules_for(pad: Pad, circuit: Circuit) -> Rules:
    """What does not change of one circuit while the daemon runs.

    :raises InputError: the contact rests open (without the board the lamps must light), or no scene of the
        site is one that every lamp of the circuit has.
    """
    if circuit.relay.contact == "normally_open":
        raise InputError(
            f"{circuit.name}: the contact is normally open, so that a dead board leaves the water dark: "
            "wire the lamps to the normally closed contact, then serve"
        )
    standing = standing_of(pad)
    serve, inputs = standing.serve, standing.inputs.get(circuit.name, Inputs())
    wanted = _wanted(pad, circuit)
    if not wanted:
        remedy = "give a [[scene]] a pick for each of its types"
        raise InputError(f"{circuit.name}: no scene of the site is one that all of its lamps have: {remedy}")
    settle_s, power_down_s = _certain_times(pad, circuit, circuit.relay.delays)
    in_step = {scene: _in_step(pad, circuit, scene) for scene in wanted}
    return Rules(
        circuit=circuit.name,
        lamps=tuple(_lamp(pad, lamp.name, lamp.stem) for lamp in circuit.lamps),
        wanted=wanted,
        favourites=tuple(scene for scene in serve.favourites or tuple(wanted) if scene in wanted),
        settle_s=settle_s,
        power_down_s=power_down_s,
        cycle_s=1 / pad.timing.max_flashes_per_s,
        make_s=circuit.relay.own_delays.make_s,
        break_s=circuit.relay.own_delays.break_s,
        in_step_s={scene: span for scene, span in in_step.items() if span < math.inf},
        has_switch=inputs.switch is not None,
        has_sense=inputs.sense is not None,
        between_dark=serve.between_shows == "dark",
        steady_s=serve.steady_s,
        max_cycles_per_h=serve.max_cycles_per_h,
        resync_s=math.inf if serve.resync_every_h is None else serve.resync_every_h * HOUR_S,
        rephase_per_h=serve.rephase_per_h,
        wish_s=serve.wish_h * HOUR_S,
    )


def _wanted(pad: Pad, circuit: Circuit) -> dict[str, dict[str, int]]:
    """For each scene that every lamp has, the code of each."""
    found: dict[str, dict[str, int]] = {}
    for scene in pad.scenes:
        try:
            lamps = pad.wanted(circuit.name, scene.name)
        except InputError:  # some lamp has no such scene, which ``check`` doubts
            continue
        found[scene.name] = {lamp: lamp_scene.code for lamp, lamp_scene in lamps.items()}
    return found


def _lamp(pad: Pad, name: str, stem: str) -> LampRules:
    sheet = pad.datasheets[stem]
    codes = tuple(sorted(scene.code for scene in sheet.scenes))
    return LampRules(name, sheet.lamp.after_power_down, codes)


def _certain_times(pad: Pad, circuit: Circuit, delays: Delays) -> tuple[float, float]:
    """Supply after which every lamp is awake, settled and warm; darkness after which each has powered down."""
    settle, power_down = 0, 0
    for stem in {lamp.stem for lamp in circuit.lamps}:
        sure = guards(pad.datasheets[stem], pad.timing.margin_s + delays.spread_s)
        settle = max(settle, sure.noticed.first_ns, sure.warm_up.first_ns)
        settle = max(settle, sure.settled.first_ns if sure.settled else 0)
        power_down = max(power_down, sure.breaks[-1].first_ns)
    return to_seconds(settle), to_seconds(power_down)


def _in_step(pad: Pad, circuit: Circuit, scene: str) -> float:
    lamps = pad.wanted(circuit.name, scene)
    movers = []
    for lamp in circuit.lamps:
        period_s = lamps[lamp.name].period_s
        if period_s is not None:
            movers.append(Mover(period_s, pad.datasheets[lamp.stem].lamp.clock_tolerance))
    return in_step_s(movers, standing_of(pad).serve.visibly_apart)


def scene_code(pad: Pad, circuit: Circuit, lamp_name: str, scene_name: str) -> int:
    """The code of a lamp's own scene.

    :raises InputError: no such lamp on the circuit, or no such scene, with the nearest known name.
    """
    from sequencer.tomlfile import did_you_mean  # noqa: PLC0415 - only for a person's words

    stems = {lamp.name: lamp.stem for lamp in circuit.lamps}
    if lamp_name not in stems:
        raise InputError(f"{circuit.name}: no lamp {quoted(lamp_name)}: {did_you_mean(lamp_name, stems)}")
    sheet = pad.datasheets[stems[lamp_name]]
    found = sheet.scene_by_name(scene_name)
    if found is None:
        hint = did_you_mean(scene_name, [scene.name for scene in sheet.scenes])
        raise InputError(
            f"{circuit.name}: lamp {quoted(lamp_name)}: {stems[lamp_name]} has no scene "
            f"{quoted(scene_name)}: {hint}"
        )
    return found.code
