"""Small fleets for the fault model: types of lamps drawn from a seed, written as the files of a site.

Windows are drawn so that every trap has its fleets: ``warm_up`` above ``settled``, gaps between the windows of a
break or none, a reset or none, each ``after_power_down`` and each ``overflow``, codes with gaps.
"""

from __future__ import annotations

import math
import tempfile
from functools import lru_cache
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

from sequencer.core.actions import PlanTrain
from sequencer.daemon.planning import PlannedTrain
from sequencer.planner import Refusal, plan, request_for
from sequencer.sitefile import load_site
from sequencer.sitefile.pad import Pad
from tests.daemon.conftest import SHARED_MEMORY

CIRCUIT = "lap-pool"
SCENES = ("evening", "quiet")
BUDGET = 2000
"""Nodes of a search; a train that is not the shortest will do here."""
INF = math.inf
SITE = """
[site]
name = "Quarry Lane lido"
latitude = 45.0
longitude = -70.0
timezone = "America/New_York"
region = "nec"
[serve]
favourites = ["evening", "quiet"]
steady_s = 2
max_cycles_per_h = 2000
"""
RELAY = """
[circuit.relay]
driver = "simulated"
side = "secondary"
make_s = [0.005, 0.012]
break_s = [0.003, 0.008]
contact = "normally_closed"
rated_cycles = 100000
"""


class Type(NamedTuple):
    """One type of lamp, as its datasheet says it."""

    selects_by: str
    after_power_down: str
    overflow: str
    clock_tolerance: float
    ignored: tuple[float, float]
    pulse: tuple[float, float]
    reset: tuple[float, float] | None
    power_down: tuple[float, float]
    same_train: tuple[float, float]
    settled: tuple[float, float] | None
    warm_up: tuple[float, float] | None
    codes: tuple[int, ...]
    noticed: tuple[float, float] | None = None

    def toml(self) -> str:
        """The datasheet's text."""
        on = [("same_train", self.same_train), ("settled", self.settled), ("warm_up", self.warm_up)]
        on.append(("noticed", self.noticed))
        off = [(name, getattr(self, name)) for name in ("ignored", "pulse", "reset", "power_down")]
        lines = [
            "[lamp]",
            f'name = "{self.selects_by}"',
            f'selects_by = "{self.selects_by}"',
            f'after_power_down = "{self.after_power_down}"',
            *([f'overflow = "{self.overflow}"'] if self.selects_by == "count" else []),
            f"clock_tolerance = {self.clock_tolerance}",
            "[off]",
            *[f"{name} = [{pair[0]:.6g}, {pair[1]:.6g}]" for name, pair in off if pair is not None],
            "[on]",
            *[f"{name} = [{pair[0]:.6g}, {pair[1]:.6g}]" for name, pair in on if pair is not None],
            *[f'[[scene]]\ncode = {code}\nname = "scene {code}"' for code in self.codes],
        ]
        return "\n".join(lines) + "\n"


class Fleet(NamedTuple):
    """A pad with one circuit. ``keeps``: the coil stays as it is when its process dies, as on a serial line."""

    pad: Pad
    has_sense: bool
    keeps: bool
    types: tuple[Type, ...]


def drawn_type(rng: Random) -> Type:
    """Any type; short lengths, so that a train and a power-down take seconds."""
    counts = rng.random() < 0.65
    gap = rng.choice([0.0, 0.1, 0.4])  # 0: no length of a break is in doubt but for the clock
    rides = rng.choice([0.02, 0.1])
    pulse = rides + max(gap, 0.02)
    pulse_end = pulse + rng.choice([0.6, 1.5, 3.0])
    at, reset = pulse_end, None
    if rng.random() < 0.5:
        reset = (at + gap, at + gap + rng.choice([0.8, 1.5]))
        at = reset[1]
    power_down = at + rng.choice([gap, 1.0, 3.0])
    between = rng.choice([0.1, 0.2])
    train_end = between + rng.choice([0.6, 1.2])
    settled = train_end + rng.choice([0.1, 0.6])
    warm_up = rng.choice([None, settled + 1.0, settled + 3.0, 0.5, between])
    codes: tuple[int, ...] = tuple(range(1, rng.choice([2, 3, 3, 4]) + 1))
    overflow = rng.choice(["unknown", "ignored", "wraps"])
    if counts and overflow != "wraps" and rng.random() < 0.3:
        codes = (1, 3)
    return Type(
        "count" if counts else "step",
        rng.choice(["remembered", "first"] if counts else ["remembered", "first", "next"]),
        overflow,
        rng.choice([0.0, 0.03]),
        (0, rides),
        (pulse, pulse_end),
        reset,
        (power_down, INF),
        (between, train_end if counts else INF),
        (settled, INF) if counts else None,
        None if warm_up is None else (warm_up, INF),
        codes,
        Random(f"noticed {pulse} {settled} {warm_up}").choice(
            [None, (0.04, INF), (between, INF), (0.5, INF)]
        ),
    )


@lru_cache(maxsize=4096)
def fleet_of(seed: int) -> Fleet:
    """The fleet of a seed: one type or two, one to three lamps."""
    rng = Random(f"fleet {seed}")
    types = tuple(drawn_type(rng) for _ in range(rng.choice([1, 1, 1, 2])))
    lamps = [(f"lamp-{number}", rng.randrange(len(types))) for number in range(rng.choice([1, 2, 3]))]
    has_sense, keeps = rng.random() < 0.7, rng.random() < 0.5
    picks = {scene: [rng.choice(each.codes) for each in types] for scene in SCENES}
    folder = Path(tempfile.mkdtemp(dir=SHARED_MEMORY if SHARED_MEMORY.is_dir() else None, prefix="fleet-"))
    try:
        return Fleet(_loaded(folder, types, lamps, picks, has_sense=has_sense), has_sense, keeps, types)
    finally:
        for path in folder.iterdir():
            path.unlink()
        folder.rmdir()


def _loaded(
    folder: Path,
    types: tuple[Type, ...],
    lamps: list[tuple[str, int]],
    picks: dict[str, list[int]],
    *,
    has_sense: bool,
) -> Pad:
    for number, each in enumerate(types):
        (folder / f"type-{number}.toml").write_text(each.toml())
    lines = [SITE, f"[inputs.{CIRCUIT}]"]
    lines += [f'{name} = {{ driver = "simulated" }}' for name in ("switch", "occupied")]
    lines += ['sense = { driver = "simulated" }'] if has_sense else []
    lines += ["[[circuit]]", f'name = "{CIRCUIT}"', RELAY]
    for name, number in lamps:
        lines += ["[[circuit.lamp]]", f'name = "{name}"', f'datasheet = "type-{number}.toml"']
    used = sorted({number for _, number in lamps})
    for scene, codes in picks.items():
        said = ", ".join(f'type-{number} = "scene {codes[number]}"' for number in used)
        lines += ["[[scene]]", f'name = "{scene}"', f"picks = {{ {said} }}"]
    site = folder / "site.toml"
    site.write_text("\n".join(lines))
    return load_site(site, standing=True)


_PLANNED: dict[Any, PlannedTrain | str] = {}


def planned(seed: int, asked: PlanTrain) -> PlannedTrain | str:
    """The planner's answer for a fleet; a question is put only once, whatever the number of worlds."""
    key = (seed, asked.scene, asked.start, tuple(sorted(asked.known.items())))
    if key not in _PLANNED:
        pad = fleet_of(seed).pad
        stems = {lamp.name: lamp.stem for lamp in pad.circuit(CIRCUIT).lamps}
        known = {}
        for lamp, code in asked.known.items():
            scene = pad.datasheets[stems[lamp]].scene_by_code(code)
            assert scene is not None, f"{lamp} is believed on code {code}, which its type has not"
            known[lamp] = scene.name
        found = plan(request_for(pad, CIRCUIT, asked.scene, known, asked.start), BUDGET)
        _PLANNED[key] = (
            found.reason if isinstance(found, Refusal) else PlannedTrain(found.train, found.tolerance_s)
        )
    return _PLANNED[key]
