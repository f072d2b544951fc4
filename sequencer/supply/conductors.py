"""Copper conductors: ohms and ohms of reactance, from size, make-up and temperature.

AWG from the formula of ASTM B258 and the resistivity of IEC 60028; metric sizes from the greatest resistance
that IEC 60228 allows, since a cable's real cross-section is not known better.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sequencer.sitefile.supply import Cable

CONDUCTIVITY_20 = 58e6
"""Annealed copper at 20 degrees Celsius, siemens per metre (IEC 60028)."""
ALPHA_20 = 0.00393
"""Its temperature coefficient at 20 degrees Celsius, per kelvin (IEC 60028)."""
LAY = {"solid": 1.0, "stranded": 1.02, "class5": 1.05}
"""How much longer the strands of an AWG conductor are than the cable. 2 % of concentric lay as in ASTM B8 (from
memory), and NEC Chapter 9 Table 8 agrees; 5 % of fine strands is common practice, no source."""
MAX_OHM_PER_KM = {
    0.75: (24.5, 26.0),
    1.0: (18.1, 19.5),
    1.5: (12.1, 13.3),
    2.5: (7.41, 7.98),
    4.0: (4.61, 4.95),
    6.0: (3.08, 3.30),
    10.0: (1.83, 1.91),
    16.0: (1.15, 1.21),
    25.0: (0.727, 0.780),
}
"""IEC 60228, plain copper at 20 degrees Celsius, by mm2: classes 1 and 2, class 5 (secondary copy)."""
INSULATION_MM = 0.8
"""Around a conductor; for reactance alone, where it hardly counts (common practice, no source)."""
_MU_0 = 4e-7 * math.pi


def awg_diameter_mm(awg: int) -> float:
    """ASTM B258: 0.005 inch times 92 to the power of (36 - n)/39 (from memory).

    >>> round(awg_diameter_mm(12) / 25.4, 5)
    0.08081
    """
    return float(0.005 * 92 ** ((36 - awg) / 39) * 25.4)


def at_temperature(ohm_20: float, temperature_c: float) -> float:
    """Resistance of copper at another temperature than 20 degrees Celsius.

    >>> round(at_temperature(1.0, 75.0), 4)
    1.2162
    """
    return ohm_20 * (1 + ALPHA_20 * (temperature_c - 20))


def ohm_per_m(awg: int | None, mm2: float | None, strand: str, temperature_c: float) -> float:
    """Resistance of one conductor, ohms per metre; either ``awg`` or ``mm2`` is given.

    >>> round(ohm_per_m(12, None, "solid", 75.0) * 304.8, 2)  # NEC Chapter 9 Table 8: 1.93 ohm per kft
    1.93
    """
    if awg is not None:
        area_m2 = math.pi / 4 * (awg_diameter_mm(awg) / 1000) ** 2
        return at_temperature(LAY[strand] / (CONDUCTIVITY_20 * area_m2), temperature_c)
    assert mm2 is not None
    return at_temperature(MAX_OHM_PER_KM[mm2][strand == "class5"] / 1000, temperature_c)


def reactance_per_m(awg: int | None, mm2: float | None, frequency_hz: float) -> float:
    """Reactance of a pair that lies side by side, out and back together, ohms per metre of cable.

    Inductance of two parallel wires, ``mu0/pi (ln(D/r) + 1/4)``: any handbook of electrical engineering, from
    memory.

    >>> round(reactance_per_m(12, None, 60.0) * 1000, 3)
    0.229
    """
    diameter = awg_diameter_mm(awg) if awg is not None else math.sqrt(4 * (mm2 or 0.0) / math.pi)
    apart = diameter + 2 * INSULATION_MM
    henry = _MU_0 / math.pi * (math.log(2 * apart / diameter) + 0.25)
    return 2 * math.pi * frequency_hz * henry


def cable_ohm(cable: Cable, frequency_hz: float) -> complex:
    """The whole cable, out and back, with its joints: R + jX."""
    one_way = ohm_per_m(cable.awg, cable.mm2, cable.strand, cable.temperature_c)
    joints = 2 * cable.joints * cable.joint_ohm
    reactance = reactance_per_m(cable.awg, cable.mm2, frequency_hz)
    return complex(2 * one_way * cable.metres + joints, reactance * cable.metres)
