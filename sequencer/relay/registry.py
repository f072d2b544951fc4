"""From a relay's table in the site file to an open relay: the one place that knows the drivers' names."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

from sequencer.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from sequencer.relay.protocol import Relay

DRIVERS: dict[str, str] = {
    "gpio": "sequencer.relay.gpio",
    "modbus": "sequencer.relay.modbus",
    "simulated": "sequencer.relay.simulated",
}
"""Driver name to the module whose ``open_`` takes the relay's table; only that one is imported."""


def open_relay(spec: Mapping[str, object]) -> Relay:
    """Open the relay that ``spec`` describes, at rest.

    :param spec: the keys of ``[circuit.relay]`` in a site file; a driver takes its own and leaves the rest.
    :raises InputError: no such driver, or a key that the driver needs is missing or wrong.
    :raises HardwareError: the hardware is not there, not permitted or in use.
    """
    name = spec.get("driver")
    if not isinstance(name, str) or name not in DRIVERS:
        known = ", ".join(f'"{driver}"' for driver in DRIVERS)
        raise InputError(f"relay: driver {name!r} is not in this version; it has {known}")
    relay: Relay = import_module(DRIVERS[name]).open_(spec)
    return relay
