"""A supply as the solver sees it: a tree of impedances from one source, lamps at its nodes. Plain values.

Volts and amps are complex, RMS, of one phase; node 0 is the source behind the transformer's own impedance.
"""

from __future__ import annotations

from typing import NamedTuple


class Load(NamedTuple):
    """A lamp: constant power from ``least_v`` on (RMS at its terminals), dark below.

    ``va`` is P + jQ at full watts; underwater lamps behind a rectifier are taken as lagging.
    """

    name: str
    node: int
    va: complex
    least_v: float
    greatest_v: float


class Network(NamedTuple):
    """``parents[i]`` feeds node ``i`` through ``ohms[i]``, the loop out and back; every parent before its children.

    Node 0 is the source: its parent is 0 and its ohms are 0. ``emf_v`` is the source at nominal primary.
    """

    nodes: tuple[str, ...]
    parents: tuple[int, ...]
    ohms: tuple[complex, ...]
    loads: tuple[Load, ...]
    emf_v: float

    def load(self, name: str) -> Load:
        """The lamp of that name; KeyError when there is none."""
        for load in self.loads:
            if load.name == name:
                return load
        raise KeyError(name)


class Flow(NamedTuple):
    """What solving gave, by node: ``volts`` there, ``amps`` in the branch that leads to it.

    ``amps[0]`` is what the source gives. ``dark``: lamps by name, in the order in which they fell below their
    least volts or took the rest down with them; with the others lit these are the volts. ``attempted_v``: what
    each of these had in the moment before. ``collapse``: the lamp at which no volts at all carried the load;
    None where every lamp could at least be fed.
    """

    volts: tuple[complex, ...]
    amps: tuple[complex, ...]
    dark: tuple[str, ...] = ()
    attempted_v: tuple[float, ...] = ()
    collapse: str | None = None

    def volts_at(self, load: Load) -> float:
        """RMS at a lamp's terminals."""
        return abs(self.volts[load.node])

    def amps_of(self, load: Load) -> float:
        """RMS in a lamp's cord."""
        return abs(self.amps[load.node])
