"""An edge log as a value change dump (IEEE 1364), for any waveform viewer."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sequencer.train import EdgeLog

_US = 1_000_000
_BESIDE_S = 1e-3
"""Shown before the first change and after the last, so that a viewer sees them as edges."""


def vcd_text(log: EdgeLog) -> str:
    """Two wires, 1 for closed, in microseconds: ``cmd`` as commanded, ``due`` as the contact is due.

    Both begin closed, and ``cmd`` ends where the relay rests. A command precedes its edge by the relay's
    mean delay, so the first may come before the train's zero: the dump begins before it, and its comment
    says where the zero is.
    """
    import vcd  # noqa: PLC0415 - wanted by few commands

    changes = [(stamp.commanded_s, "cmd", stamp.closed) for stamp in log.stamps]
    changes += [(stamp.due_s, "due", stamp.closed) for stamp in log.stamps]
    if log.rested_s is not None:
        changes.append((log.rested_s, "cmd", log.rests_closed))
    changes.sort(key=lambda change: change[0])
    zero_s = max(0.0, _BESIDE_S - changes[0][0]) if changes else 0.0
    comment = f"1 is closed; the train's zero is at {round(zero_s * _US)} us; {log.outcome}"
    text = io.StringIO()
    with vcd.VCDWriter(text, timescale="1 us", comment=comment, date="") as writer:
        wires = {name: writer.register_var("relay", name, "wire", size=1, init=1) for name in ("cmd", "due")}
        for at_s, name, closed in changes:
            writer.change(wires[name], round((at_s + zero_s) * _US), int(closed))
        if changes:
            writer.close(round((changes[-1][0] + zero_s + _BESIDE_S) * _US))
    return text.getvalue()
