"""From the tables of a site file to open lines: the one place that knows the drivers' names."""

from __future__ import annotations

import time
from contextlib import ExitStack
from functools import partial
from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from sequencer.inputs.indicator import Indicator
    from sequencer.inputs.protocol import InputLine
    from sequencer.sitefile.serve import Inputs, Outputs

DRIVERS: dict[str, str] = {
    "gpio": "sequencer.inputs.gpio",
    "simulated": "sequencer.inputs.simulated",
}
"""Driver name to the module whose ``open_`` and ``open_indicator`` take a line; only that one is imported."""


def open_inputs(
    circuit: str,
    inputs: Inputs,
    changed: Callable[[str, bool, float], None],
    *,
    now: Callable[[], float] = time.monotonic,
) -> dict[str, InputLine]:
    """Open every input that a circuit has; if one cannot be had, none stays open.

    :param inputs: the table ``[inputs.CIRCUIT]``.
    :param changed: called with the input's name ("switch", "button", ...), its level and the time; see
        :data:`~sequencer.inputs.protocol.Changed`.
    :returns: the lines by their names; close each.
    :raises InputError: gpiozero knows no such pin.
    :raises HardwareError: no pin library works here, or a pin is not permitted or in use.
    """
    lines: dict[str, InputLine] = {}
    with ExitStack() as opened:
        for role in type(inputs).model_fields:
            line = getattr(inputs, role)
            if line is not None:
                driver = import_module(DRIVERS[line.driver])
                lines[role] = driver.open_(f"{circuit}: {role}", role, line, partial(changed, role), now)
                opened.callback(lines[role].close)
        opened.pop_all()
    return lines


def open_indicator(circuit: str, outputs: Outputs) -> Indicator | None:
    """Open the circuit's indicator, dark; None if it has none.

    :param outputs: the table ``[outputs.CIRCUIT]``.
    :raises InputError: gpiozero knows no such pin.
    :raises HardwareError: no pin library works here, or the pin is not permitted or in use.
    """
    line = outputs.indicator
    if line is None:
        return None
    driver = import_module(DRIVERS[line.driver])
    indicator: Indicator = driver.open_indicator(f"{circuit}: indicator", line)
    return indicator
