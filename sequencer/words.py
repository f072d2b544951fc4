"""Trains and their proofs in words and plain characters, for a phone's light and a serial console."""

from __future__ import annotations

import sys

from sequencer.datasheet import Datasheet
from sequencer.layout import table, width_for
from sequencer.planner import LampProof
from sequencer.train import Train

LINE_COLUMNS, LABEL, SPARE = 64, "  supply ", 6
"""A line of supply has as many columns; short parts, drawn wider than they are, may make it longer by the spare."""
ON, OFF = "=", "_"


def train_lines(train: Train) -> list[str]:
    """The supply as a line, then each break, then the sums."""
    rows = [("break", "off s", "on s")]
    rows += [(str(n), f"{p.off_s:.3f}", f"{p.on_s:.3f}") for n, p in enumerate(train.pulses, start=1)]
    lead_in = [f"  first {train.lead_in_s:.1f} s of supply (the lead-in)"] if train.lead_in_s else []
    return [*supply_line(train), "", *lead_in, *table(rows, "rrr"), "", f"  {breaks_words(train)}"]


def breaks_words(train: Train) -> str:
    """How often, how long and how long at once it gets dark.

    >>> from sequencer.train import Pulse
    >>> breaks_words(Train((Pulse(1.5, 0.5), Pulse(0.5, 2.0))))
    '2 breaks in 4.50 s, dark for 2.00 s, at most 1.50 s at once'
    """
    if train.relay_cycles == 1:
        return f"1 break in {train.total_s:.2f} s, dark for {train.dark_s:.2f} s"
    longest = max(pulse.off_s for pulse in train.pulses)
    breaks = f"{train.relay_cycles} breaks in {train.total_s:.2f} s"
    return f"{breaks}, dark for {train.dark_s:.2f} s, at most {longest:.2f} s at once"


def supply_line(train: Train) -> list[str]:
    """Supply and breaks in proportion, at least a column each, as many lines as it takes.

    >>> from sequencer.train import Pulse
    >>> print("\\n".join(supply_line(Train((Pulse(1.0, 0.01), Pulse(0.5, 2.0)), lead_in_s=0.5))))
      supply ========________________=________================================>
             = on   _ off   one column is about 0.06 s
    """
    parts = [
        (train.lead_in_s, ON),
        *((t, c) for p in train.pulses for t, c in ((p.off_s, OFF), (p.on_s, ON))),
    ]
    width = width_for(sys.stdout)
    wide = LINE_COLUMNS if width is None else max(min(LINE_COLUMNS, width - len(LABEL) - SPARE), 1)
    column_s = (train.lead_in_s + train.total_s) / wide
    drawn = "".join(c * max(round(t / column_s), 1) for t, c in parts if t or c is ON) + ">"
    lines = [drawn[at : at + wide + SPARE] for at in range(0, len(drawn), wide + SPARE)]
    legend = f"{ON} on   {OFF} off   one column is about {column_s:.2f} s"
    return [LABEL + lines[0], *(" " * len(LABEL) + line for line in [*lines[1:], legend])]


def tightest_words(proof: LampProof, sheet: Datasheet) -> str:
    """Where the slack is least: which break or supply, and the limit of which window.

    Empty where nothing is sent.
    """
    at = proof.tightest
    if at is None:
        return ""
    windows = {**dict(sheet.off), **dict(sheet.on), "warm_up": sheet.warm_up, "noticed": sheet.noticed}
    edge = "begins" if windows[at.window][0] == at.limit_s else "ends"
    part = "break" if at.part == "off" else "supply after break"
    return f"{part} {at.break_no}: {at.window} {edge} at {at.limit_s:g} s"
