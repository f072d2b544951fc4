"""What feeds the simulated lamps of a circuit: mains, transformer, contact, cables, as the site file tells of them.

Written apart from :mod:`sequencer.supply`, from the site file alone, so that a rehearsal can prove the volts of a plan
wrong: a supply that carries constant power is solved by plain repetition, and how long a capacitor carries its lamp
follows from its volts at the moment of opening (:mod:`sequencer.sim.rectifier`), not from a window.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal, NamedTuple

from sequencer.sim import rectifier
from sequencer.sim.rectifier import STEPS, Bridge

if TYPE_CHECKING:
    from collections.abc import Mapping
    from random import Random

    from sequencer.datasheet import Datasheet
    from sequencer.sitefile import Pad
    from sequencer.sitefile.supply import Cable, Supply, Transformer

MAINS = {"nec": 0.05, "iec": 0.10}
"""How far the mains may be from nominal: ANSI C84.1 range A and IEC 60038 (both from memory)."""
COPPER_OHM_MM2_PER_M = 1 / 58
"""Annealed copper at 20 degrees Celsius (IEC 60028)."""
PER_KELVIN = 0.00393
"""Its temperature coefficient (IEC 60028)."""
LONGER = {"solid": 1.0, "stranded": 1.02, "class5": 1.05}
"""Strands are laid round each other, and so longer than the cable (common practice, no source)."""
HENRY_PER_M = 0.6e-6
"""Of a pair of conductors that lie side by side (a handbook's round figure, from memory)."""
STARVED = 0.05
"""A lamp that lacks this part of its least volts does as it likes after every break; with less lacking, more rarely
(common practice, no source)."""
NEAR = 0.002
"""Two honest calculations of one cable differ by so much: a lack of less is none."""
RECHARGES_S = 0.5
"""After so long with supply a capacitor is charged as ever, and the mains have drifted against our clock."""
_LEVELS = 8
_ROUNDS = 200
_MOST_KNOWN = 5000

Others = Literal["as they are", "full", "none"]


class Fed(NamedTuple):
    """One lamp at the moment of opening: seconds on its capacitor, and its chance to misbehave for want of volts."""

    held_s: float | None  # None: its datasheet has no [hold_up]
    unsure: float


class SimFeed:
    """The supply of one circuit, without chance and time; ``sheets`` by lamp."""

    def __init__(self, supply: Supply, region: str, contact: bool, sheets: Mapping[str, Datasheet]) -> None:
        transformer = supply.transformer
        self.sheets = dict(sheets)
        self.half_s = 0.5 / transformer.frequency_hz
        self._omega = 2 * math.pi * transformer.frequency_hz
        self._emf_v, own = _source(transformer)
        self.mains = _mains(transformer, MAINS[region])
        way_to = {run.to: run for run in supply.runs}
        ways: dict[str, dict[str, complex]] = {}
        for cord in supply.lamps:
            way = {
                "source": own + (supply.contact_ohm if contact else 0.0),
                f"lamp {cord.name}": self._ohm(cord),
            }
            node = cord.node
            while node in way_to:
                way[f"run {node}"] = self._ohm(way_to[node])
                node = way_to[node].start
            ways[cord.name] = way
        self._shared = {
            one: {
                other: sum((z for part, z in ways[one].items() if part in ways[other]), 0j) for other in ways
            }
            for one in ways
        }
        self._known: dict[object, dict[str, tuple[float, Bridge | None]]] = {}

    def volts(self, mains: float, watts: Mapping[str, float]) -> dict[str, float]:
        """RMS at each lamp that draws watts, constant power at its power factor; 0 where the supply breaks down.

        ``mains`` is a factor on nominal. Lamps that draw nothing are left out.
        """
        source = self._emf_v * mains
        drawn = {name: self._va(name, w) for name, w in watts.items() if w > 0}
        at = dict.fromkeys(drawn, complex(source))
        for _ in range(_ROUNDS):
            amps = {name: (va / at[name]).conjugate() for name, va in drawn.items()}
            new = {
                name: source - sum(z * amps[o] for o, z in self._shared[name].items() if o in amps)
                for name in at
            }
            change = max((abs(new[name] - at[name]) for name in at), default=0.0)
            at = new
            if change < 1e-9 * source or min(abs(v) for v in at.values()) < 0.2 * source:
                break
        return {name: abs(v) if v.real > 0.4 * source else 0.0 for name, v in at.items()}

    def at_lamps(self, mains: float, watts: Mapping[str, float]) -> dict[str, tuple[float, Bridge | None]]:
        """By lamp that draws watts: RMS volts, and the supply of its capacitor (None without ``[hold_up]``).

        Lamps charge at the same time, each as its watts are; what the others draw through a shared cable comes on
        top of a lamp's own drop there.
        """
        key = (mains, tuple(watts.items()))
        if key not in self._known:
            if len(self._known) > _MOST_KNOWN:
                self._known.clear()
            volts = self.volts(mains, watts)
            self._known[key] = {name: (v, self._bridge(name, mains, watts)) for name, v in volts.items()}
        return self._known[key]

    def _bridge(self, name: str, mains: float, watts: Mapping[str, float]) -> Bridge | None:
        own = self.sheets[name].hold_up
        if own is None:
            return None
        ways = self._shared[name].items()
        way = sum((z * watts.get(other, 0.0) / watts[name] for other, z in ways), 0j)
        peak_v = self._emf_v * mains * math.sqrt(2)
        henry = way.imag / self._omega
        return Bridge(peak_v, way.real, henry, self.half_s, own.capacitance_f, own.dropout_v, watts[name])

    def _va(self, name: str, watts: float) -> complex:
        electrical = self.sheets[name].electrical
        assert electrical is not None  # the site file's reading has seen to it
        return watts * complex(1, math.tan(math.acos(electrical.power_factor)))

    def _ohm(self, cable: Cable) -> complex:
        """Out and back, with its joints."""
        # The AWG formula is of ASTM B258 (from memory), here in millimetres.
        awg_mm = 0.127 * 92 ** ((36 - (cable.awg or 0)) / 39)
        area = cable.mm2 or math.pi / 4 * awg_mm**2
        per_m = (
            COPPER_OHM_MM2_PER_M * (1 + PER_KELVIN * (cable.temperature_c - 20)) * LONGER[cable.strand] / area
        )
        ohm = 2 * per_m * cable.metres + 2 * cable.joints * cable.joint_ohm
        return complex(ohm, self._omega * HENRY_PER_M * cable.metres)


def sim_feed(pad: Pad, circuit: str) -> SimFeed | None:
    """The feed of a circuit as its site file tells of it; None where it tells nothing."""
    hung = pad.circuit(circuit)
    supply = pad.supply.get(hung.name)
    if supply is None:
        return None
    sheets = {lamp.name: pad.datasheets[lamp.stem] for lamp in hung.lamps}
    return SimFeed(supply, pad.site.region, hung.relay.side == "secondary", sheets)


def _source(transformer: Transformer) -> tuple[float, complex]:
    """Volts without load and ohms, from what the plate says of the tap in use at rated load."""
    tap_v = transformer.tap
    amps = transformer.va / tap_v
    if transformer.regulation is None:
        ohm = complex(transformer.r_ohm or 0.0, transformer.x_ohm or 0.0)
        return abs(tap_v + amps * ohm), ohm
    lost = transformer.regulation
    no_load = tap_v * (1 + lost) if transformer.regulation_of == "full_load" else tap_v / (1 - lost)
    return no_load, complex((no_load - tap_v) / amps)


def _mains(transformer: Transformer, tolerance: float) -> tuple[float, float]:
    """The lowest and the highest, as factors on nominal: the site's own range, else the region's around nominal.

    What was measured is within the range, or else the middle of it.
    """
    nominal = transformer.primary_v
    here = (transformer.measured_primary_v or nominal) / nominal
    if transformer.primary_range_v is not None:
        low, high = (v / nominal for v in transformer.primary_range_v)
        return min(low, here), max(high, here)
    centre = 1.0 if 1 - tolerance <= here <= 1 + tolerance else here
    return (1 - tolerance) * centre, (1 + tolerance) * centre


class FeedInTime:
    """A feed in one hour of its life, drawn by chance: mains, what the other lamps draw, and the phase of each break.

    It keeps every capacitor's volts from break to break. Times only go forward.
    """

    def __init__(self, feed: SimFeed, rng: Random) -> None:
        self._feed, self._rng = feed, rng
        low, high = feed.mains
        self._mains = low + (high - low) * rng.choice((0, _LEVELS, rng.randint(0, _LEVELS))) / _LEVELS
        self._others: Others = rng.choice(("as they are", "as they are", "full", "none"))
        self._step, self._step_at = 0, 0.0  # of the mains, at that moment
        self._closed_at = -math.inf
        self._volts: dict[str, float] = {}  # of the capacitors, at the last edge
        self._bridges: dict[str, Bridge] = {}

    def opens(self, at: float, watts: Mapping[str, float]) -> dict[str, Fed]:
        """The supply goes; for each lamp that draws watts, what its capacitor holds."""
        found = self._at_lamps(watts)
        bridges = {name: bridge for name, (_, bridge) in found.items() if bridge is not None}
        lit_s = at - self._closed_at
        if lit_s > RECHARGES_S:
            self._step, self._step_at = self._draw_step(bridges), at
        step = self._step_now(at)
        held = {name: self._charged_v(name, bridge, step, lit_s) for name, bridge in bridges.items()}
        self._volts, self._bridges, self._opened_at = held, bridges, at
        return {
            name: Fed(
                rectifier.held_s(bridges[name], held[name]) if name in held else None,
                self._unsure(name, volts),
            )
            for name, (volts, _) in found.items()
        }

    def closes(self, at: float) -> dict[str, float]:
        """The supply comes; for each lamp with a capacitor that drew watts, seconds until it is charged again."""
        step, dark_s = self._step_now(at), at - self._opened_at
        self._volts = {
            name: rectifier.left_v(bridge, self._volts[name], dark_s)
            for name, bridge in self._bridges.items()
        }
        self._closed_at = at
        return {
            name: rectifier.wait_s(bridge, self._volts[name], step) for name, bridge in self._bridges.items()
        }

    def _at_lamps(self, watts: Mapping[str, float]) -> dict[str, tuple[float, Bridge | None]]:
        sheets = self._feed.sheets
        if self._others == "as they are":
            return self._feed.at_lamps(self._mains, watts)
        if self._others == "full":
            full = {name: e.watts for name, sheet in sheets.items() if (e := sheet.electrical) is not None}
            found = self._feed.at_lamps(self._mains, full)
            return {name: found[name] for name, w in watts.items() if w > 0}
        return {name: self._feed.at_lamps(self._mains, {name: w})[name] for name, w in watts.items() if w > 0}

    def _charged_v(self, name: str, bridge: Bridge, step: int, lit_s: float) -> float:
        """A capacitor's volts after so long with supply, up to this step."""
        if name not in self._volts or lit_s > RECHARGES_S:
            return rectifier.ripple(bridge)[step % STEPS]
        steps = round(lit_s / bridge.half_s * STEPS)
        return rectifier.recharged_v(bridge, self._volts[name], step - steps, steps)

    def _draw_step(self, bridges: Mapping[str, Bridge]) -> int:
        """Anywhere, or where some capacitor is at its lowest or its highest."""
        kind = self._rng.randrange(4)
        if kind > 1 or not bridges:
            return self._rng.randrange(2 * STEPS)
        sag = rectifier.ripple(bridges[self._rng.choice(sorted(bridges))])
        return sag.index(min(sag) if kind else max(sag))

    def _step_now(self, at: float) -> int:
        return self._step + round((at - self._step_at) / self._feed.half_s * STEPS)

    def _unsure(self, name: str, volts: float) -> float:
        electrical = self._feed.sheets[name].electrical
        assert electrical is not None
        least = electrical.volts[0]
        return min(max(((1 - NEAR) * least - volts) / (STARVED * least), 0.0), 1.0)
