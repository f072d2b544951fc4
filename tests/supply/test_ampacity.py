"""Amperes that a conductor may carry, against the codes."""

from __future__ import annotations

import pytest

from sequencer.sitefile.supply import Run
from sequencer.supply.ampacity import ampacity, greatest_protection

# NEC Table 310.16, copper, 60 and 75 degrees Celsius; 240.4(D) for small conductors (secondary copies).
TABLE = {
    14: (15, 20, 15),
    12: (20, 25, 20),
    10: (30, 35, 30),
    8: (40, 50, None),
    6: (55, 65, None),
    4: (70, 85, None),
}


def run(**keys: object) -> Run:
    return Run.model_validate({"from": "transformer", "to": "box", "length_m": 1, **keys})


@pytest.mark.parametrize(("awg", "amps"), TABLE.items())
def test_gauges(awg: int, amps: tuple[float, float, float | None]) -> None:
    at_60, at_75, small = amps
    assert ampacity(run(awg=awg)) == at_60
    assert ampacity(run(awg=awg, insulation_c=75)) == at_75
    assert greatest_protection(run(awg=awg, insulation_c=75)) == (small or at_75)


@pytest.mark.parametrize("strand", ["solid", "stranded", "class5"])
def test_strands_do_not_change_it(strand: str) -> None:
    assert ampacity(run(awg=12, strand=strand)) == 20


def test_metric_sizes_carry_the_more_the_thicker() -> None:
    """IEC 60364-5-52 Table B.52.2, method A1, PVC (from memory)."""
    sizes = (0.75, 1.0, 1.5, 2.5, 4.0, 6.0, 10.0, 16.0, 25.0)
    assert [ampacity(run(mm2=mm2)) for mm2 in sizes] == [6, 10, 14.5, 19.5, 26, 34, 46, 61, 80]
    assert greatest_protection(run(mm2=2.5)) == 19.5
