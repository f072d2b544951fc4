"""The same network for pandapower, a general library for power networks, as an outside check.

Its settings at such volts: a base of 14 V and 1 kVA, a start from flat, and a tolerance that it takes per unit of
that base. It reckons with three phases: per unit that is the same as one, but its amps want a square root of 3.
"""

from __future__ import annotations

import math
import os
import warnings
from types import ModuleType
from typing import Any, NamedTuple

import pytest

from sequencer.supply.network import Network

BASE_V = 14.0


class Peer(NamedTuple):
    """Volts at every node and amps in every branch, RMS, in the network's order; amps[0] is of no branch."""

    volts: list[float]
    amps: list[float]


def pandapower() -> ModuleType:
    """The library; skips the test without it, except in CI."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            import pandapower as found
    except ImportError:
        if os.environ.get("CI"):
            raise
        pytest.skip("pandapower is not installed")
    return found  # type: ignore[no-any-return]


def built(network: Network) -> Any:
    """The network in pandapower's own tables."""
    pp = pandapower()
    net = pp.create_empty_network(sn_mva=1e-3)
    count = len(network.nodes)
    pp.create_buses(net, count, vn_kv=BASE_V / 1000)
    pp.create_ext_grid(net, 0, vm_pu=network.emf_v / BASE_V)
    pp.create_lines_from_parameters(
        net,
        list(network.parents[1:]),
        list(range(1, count)),
        length_km=1.0,
        r_ohm_per_km=[z.real for z in network.ohms[1:]],
        x_ohm_per_km=[z.imag for z in network.ohms[1:]],
        c_nf_per_km=0.0,
        max_i_ka=1.0,
    )
    pp.create_loads(
        net,
        [load.node for load in network.loads],
        p_mw=[load.va.real / 1e6 for load in network.loads],
        q_mvar=[load.va.imag / 1e6 for load in network.loads],
    )
    return net


def run(net: Any, tolerance: float = 1e-13) -> None:
    """Newton's method to this tolerance; raises pandapower's LoadflowNotConverged."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pandapower().runpp(net, init="flat", tolerance_mva=tolerance, numba=False, max_iteration=20)


def solved(network: Network) -> Peer | None:
    """What pandapower says of a network; None when it finds no volts."""
    net = built(network)
    for tolerance in (1e-13, 1e-12, 1e-11):  # the last digits of a double are not always to be had
        try:
            run(net, tolerance)
            break
        except pandapower().LoadflowNotConverged:
            continue
    else:
        return None
    volts = [BASE_V * float(v) for v in net.res_bus.vm_pu]
    amps = [1000 * math.sqrt(3) * float(k) for k in net.res_line.i_from_ka]
    return Peer(volts, [0.0, *amps])
