"""What current a copper conductor may carry: tables of the codes, for no formula gives them.

Ambient 30 degrees Celsius and at most three loaded conductors together; hotter or crowded ones carry less, which
the code in force says and this does not.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sequencer.sitefile.supply import Cable, Run

AWG_60_75 = {
    18: (10.0, 10.0),
    16: (13.0, 13.0),
    14: (15.0, 20.0),
    12: (20.0, 25.0),
    10: (30.0, 35.0),
    8: (40.0, 50.0),
    6: (55.0, 65.0),
    4: (70.0, 85.0),
}
"""NEC Table 310.16, copper, insulation for 60 and 75 degrees Celsius (secondary copy). AWG 18 and 16, which are not
in it: flexible cord, NEC Table 400.5(A)(1), column B (from memory)."""
SMALL = {18: 7.0, 16: 10.0, 14: 15.0, 12: 20.0, 10: 30.0}
"""The greatest protection of small conductors: NEC 240.4(D) (secondary copy; 18 and 16 from memory)."""
MM2 = {0.75: 6.0, 1.0: 10.0, 1.5: 14.5, 2.5: 19.5, 4.0: 26.0, 6.0: 34.0, 10.0: 46.0, 16.0: 61.0, 25.0: 80.0}
"""IEC 60364-5-52 Table B.52.2, method A1, PVC, two loaded conductors; 0.75 and 1: flexible cord, EN 50565-1 (all
from memory)."""
CONTINUOUS = 1.25
"""A load that burns for three hours or more counts for so much: NEC 210.19(A)(1) (secondary copy)."""


def ampacity(run: Run) -> float:
    """Amperes that the conductor may carry.

    >>> from sequencer.sitefile.supply import Run
    >>> ampacity(Run(**{"from": "transformer", "to": "box", "length_m": 1, "awg": 12, "insulation_c": 75}))
    25.0
    """
    if run.awg is not None:
        return AWG_60_75[run.awg][run.insulation_c == 75]
    assert run.mm2 is not None
    return MM2[run.mm2]


def cord_ampacity(cord: Cable) -> float:
    """Amperes that a lamp's cord may carry: taken as insulated for 60 degrees Celsius, the lower column.

    >>> from sequencer.sitefile.supply import Cable
    >>> cord_ampacity(Cable(length_m=1, awg=16)), cord_ampacity(Cable(length_m=1, mm2=1.0))
    (13.0, 10.0)
    """
    if cord.awg is not None:
        return AWG_60_75[cord.awg][0]
    assert cord.mm2 is not None
    return MM2[cord.mm2]


def greatest_protection(run: Run) -> float:
    """The largest fuse or breaker that protects the conductor.

    >>> from sequencer.sitefile.supply import Run
    >>> greatest_protection(Run(**{"from": "transformer", "to": "box", "length_m": 1, "awg": 12, "insulation_c": 75}))
    20.0
    """
    own = ampacity(run)
    return own if run.awg is None else min(own, SMALL.get(run.awg, own))
