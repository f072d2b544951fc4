"""Sites for real processes: two fixed types of quick lamps, or types drawn from a seed."""

from __future__ import annotations

from pathlib import Path
from random import Random

from sequencer.planner import Refusal, plan, request_for
from sequencer.sitefile import load_site
from tests.daemon.fault_fleets import BUDGET, INF, SCENES, Type, drawn_type
from tests.daemon.real import CIRCUIT, SITE, write_site

LONGEST_S = 11.0
"""Of a train from any belief, lead-in included: the trials are in real time."""
FIXED = 0.2
"""The chance of the fixed types, one of which steps."""


def write_fleet(folder: Path, relay: str, rng: Random) -> Path:
    """A site file with its datasheets, on which every scene has a train from any belief."""
    if rng.random() < FIXED:
        return write_site(folder, relay, second="steps")
    while True:
        types = [_telling(drawn_type(rng), rng) for _ in range(rng.choice([1, 1, 2]))]
        site = _write(folder, relay, types, rng)
        if _is_served_quickly(site):
            return site


def _telling(each: Type, rng: Random) -> Type:
    """Of the types drawn, more that forgive nothing, and more that are warm only long after they have settled."""
    if rng.random() < 0.5:
        begins = (each.settled or each.same_train)[0]
        each = each._replace(warm_up=(begins + rng.choice([1.0, 3.5]), INF))
    if rng.random() < 0.5:
        each = each._replace(ignored=(0, 0.005), pulse=(0.06, each.pulse[1]), clock_tolerance=0.02)
    return each


def _write(folder: Path, relay: str, types: list[Type], rng: Random) -> Path:
    """The same site as :func:`~tests.daemon.real.write_site` writes, with other lamps."""
    head, _, tail = SITE.format(
        name="Quarry Lane lido", relay=relay, second="counts", evening="", quiet=""
    ).partition("[[circuit.lamp]]")
    for number, each in enumerate(types):
        (folder / f"type-{number}.toml").write_text(each.toml())
    lamps = [(f"lamp-{number}", number) for number in range(len(types))]
    lamps += [("lamp-last", rng.randrange(len(types)))]
    lines = [head.replace("[serve]", f"[serve]\nflick_s = {rng.choice([0.05, 0.3, 2.0])}")]
    for name, number in lamps:
        lines += ["[[circuit.lamp]]", f'name = "{name}"', f'datasheet = "type-{number}.toml"']
    first = [rng.sample(each.codes, 2) for each in types]
    for place, scene in enumerate(SCENES):
        said = ", ".join(f'type-{number} = "scene {codes[place]}"' for number, codes in enumerate(first))
        lines += ["[[scene]]", f'name = "{scene}"', f"picks = {{ {said} }}"]
    assert tail
    site = folder / "site.toml"
    site.write_text("\n".join(lines) + "\n")
    return site


def _is_served_quickly(site: Path) -> bool:
    pad = load_site(site, standing=True)
    for scene in SCENES:
        found = plan(request_for(pad, CIRCUIT, scene, {}, "cut"), BUDGET)
        if isinstance(found, Refusal) or found.train.lead_in_s + found.train.total_s > LONGEST_S:
            return False
    return True
