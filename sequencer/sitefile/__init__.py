"""A site file: what hangs on one pad. Read in this order: :mod:`.tables`, :mod:`.pad`; then what only the
daemon needs, and only then imported: :mod:`.serve`, :mod:`.calendar`, :mod:`.standing`; and what feeds the lamps,
where the site says so: :mod:`.supply`."""

from sequencer.sitefile.pad import MAX_TYPES, Pad, load_site
from sequencer.sitefile.tables import (
    Circuit,
    GpioRelay,
    ModbusRelay,
    RelaySpec,
    SimulatedRelay,
    Site,
    SiteInfo,
    SiteLamp,
    SiteScene,
    Timing,
    same_pin,
)

__all__ = [
    "MAX_TYPES",
    "Circuit",
    "GpioRelay",
    "ModbusRelay",
    "Pad",
    "RelaySpec",
    "SimulatedRelay",
    "Site",
    "SiteInfo",
    "SiteLamp",
    "SiteScene",
    "Timing",
    "load_site",
    "same_pin",
]
