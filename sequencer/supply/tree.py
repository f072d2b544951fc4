"""The supply as a tree to be shown: what hangs where, with its volts and amps in one case."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Literal, NamedTuple

from sequencer.sitefile.supply import TRANSFORMER, Cable
from sequencer.supply.feed import Feed, network_of

if TYPE_CHECKING:
    from sequencer.supply.network import Flow

NEAR_V = 0.5
"""A margin that is less than this is thin: what a corroded joint or a hot evening takes (common practice)."""

Mark = Literal["short", "thin", "good"]


class Branch(NamedTuple):
    """One node with the cable that leads to it. ``margin_v`` and ``mark`` are of lamps only.

    ``last``: for each level, whether this is the last of its kind there; its length is the depth.
    """

    name: str
    kind: Literal["transformer", "node", "lamp"]
    last: tuple[bool, ...]
    parent: int
    volts: float
    amps: float
    cable: str
    drop_v: float
    margin_v: float | None
    mark: Mark | None


def branches(feed: Feed, flow: Flow) -> tuple[Branch, ...]:
    """Depth first: the transformer, then each node's lamps, then the runs from it."""
    network = network_of(feed)
    nodes = {name: place for place, name in enumerate(network.nodes[1:], start=1) if name not in feed.sheets}
    loads = {load.name: load for load in network.loads}
    found: list[Branch] = []

    def walk(name: str, last: tuple[bool, ...], parent: int, cable: Cable | None) -> None:
        place = nodes[name]
        kind: Literal["transformer", "node"] = "transformer" if name == TRANSFORMER else "node"
        found.append(_branch(network.parents, flow, place, name, kind, last, parent, cable))
        here = len(found) - 1
        cords = [cord for cord in feed.supply.lamps if cord.node == name]
        runs = [run for run in feed.supply.runs if run.start == name]
        for index, cord in enumerate(cords):
            load = loads[cord.name]
            ends = (*last, index == len(cords) - 1 and not runs)
            lamp = _branch(network.parents, flow, load.node, cord.name, "lamp", ends, here, cord)
            volts = 0.0 if cord.name in flow.dark else lamp.volts
            margin = min(volts - load.least_v, load.greatest_v - volts)
            mark: Mark = "short" if margin < 0 else "thin" if margin < NEAR_V else "good"
            found.append(lamp._replace(volts=volts, margin_v=margin, mark=mark))
        for index, run in enumerate(runs):
            walk(run.to, (*last, index == len(runs) - 1), here, run)

    walk(TRANSFORMER, (), -1, None)
    return tuple(found)


def _branch(
    parents: tuple[int, ...],
    flow: Flow,
    place: int,
    name: str,
    kind: Literal["transformer", "node", "lamp"],
    last: tuple[bool, ...],
    parent: int,
    cable: Cable | None,
) -> Branch:
    volts = abs(flow.volts[place])
    drop = abs(flow.volts[parents[place]]) - volts
    amps = abs(flow.amps[place])
    return Branch(
        name, kind, last, parent, volts, amps, cable_words(cable) if cable else "", drop, None, None
    )


def cable_words(cable: Cable) -> str:
    """Size and length, in the unit in which the site file gives it.

    >>> cable_words(Cable(length_ft=30, awg=12)), cable_words(Cable(length_m=7.5, mm2=2.5))
    ('30 ft AWG 12', '7.5 m 2.5 mm2')
    """
    length = f"{cable.length_m:g} m" if cable.length_m is not None else f"{cable.length_ft:g} ft"
    return f"{length} {cable.size}"


def tree_lines(found: tuple[Branch, ...]) -> Iterator[str]:
    """The tree in plain characters, a line a node, volts and amps in columns."""
    heads = []
    for branch in found:
        lead = "".join("   " if last else "|  " for last in branch.last[:-1])
        heads.append(f"{lead}{'+- ' if branch.last else ''}{branch.name}")
    wide = max(len(head) for head in heads)
    cable = max(len(branch.cable) for branch in found)
    for head, branch in zip(heads, found, strict=True):
        volts = f"{branch.volts:6.2f} V" if branch.volts else "   no  V"
        words = ""
        if branch.margin_v is not None and branch.mark == "thin":
            words = f"  only {branch.margin_v:.2f} V to spare"
        elif branch.margin_v is not None and branch.mark == "short":
            words = f"  OUTSIDE by {-branch.margin_v:.2f} V" if branch.volts > 0 else "  TOO FEW"
        yield f"  {head:{wide}}  {branch.cable:{cable}}  {branch.amps:6.2f} A  {volts}{words}".rstrip()
