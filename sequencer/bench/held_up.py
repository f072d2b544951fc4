"""A lamp's capacitor and dropout, from its ride-through at several volts.

``t = C (V1^2 - V2^2) / (2 P)`` (energy between two voltages over a constant power; design notes of power supplies,
secondary copies) is a straight line in ``V1^2``, the square of the rectified peak: its slope is ``C / (2 P)``, and it
meets ``t = 0`` at ``V2^2``, the square of the dropout. The line is fitted by least squares, each point weighted with
the inverse square of its own error (Bevington and Robinson, Data Reduction and Error Analysis, chapter 6: from memory);
the dropout's error follows from both parameters and their covariance, to first order.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from sequencer.supply.rectifier import RECTIFIER_V


class Point(NamedTuple):
    """Ride-through ``held_s`` (s) with its standard deviation, at ``volts`` RMS and ``watts``."""

    volts: float
    watts: float
    held_s: float
    error_s: float


class Fitted(NamedTuple):
    """The capacitor and the dropout with their standard errors.

    ``chi2`` is the sum of the squared, weighted residuals: about ``points - 2`` when the line describes them.
    """

    capacitance_f: float
    capacitance_error_f: float
    dropout_v: float
    dropout_error_v: float
    chi2: float
    points: int


def fit(
    points: Sequence[Point], rectifier_v: float = RECTIFIER_V, crest: float = math.sqrt(2)
) -> Fitted | str:
    """Fit the line; a sentence why not when the points do not make one that physics allows.

    ``crest`` times the volts is the peak: the square root of 2 on AC, 1 on DC. ``rectifier_v`` is taken off it, as
    everywhere that ``[hold_up]`` is reckoned with.

    Worked by hand: 2 mF from 17 V and from 13 V down to 8 V at 20 W hold 2e-3 * (289 - 64) / 40 = 11.25 ms and
    2e-3 * (169 - 64) / 40 = 5.25 ms.

    >>> volts = [peak / math.sqrt(2) for peak in (13.0, 17.0)]
    >>> found = fit([Point(volts[0], 20.0, 5.25e-3, 1e-4), Point(volts[1], 20.0, 11.25e-3, 1e-4)], rectifier_v=0)
    >>> round(found.capacitance_f, 6), round(found.dropout_v, 3)
    (0.002, 8.0)
    """
    # 2 P t = C u - C V2^2 with u = V1^2: the slope is C itself.
    rows = [
        (max(0.0, crest * p.volts - rectifier_v) ** 2, 2 * p.watts * p.held_s, 2 * p.watts * p.error_s)
        for p in points
    ]
    if len({u for u, _, _ in rows}) < 2:
        return "ride-through is known at fewer than two different volts"
    weights = [1 / max(error, 1e-12) ** 2 for _, _, error in rows]
    whole = sum(weights)
    mean_u = sum(w * u for w, (u, _, _) in zip(weights, rows, strict=True)) / whole
    mean_y = sum(w * y for w, (_, y, _) in zip(weights, rows, strict=True)) / whole
    across = sum(w * (u - mean_u) ** 2 for w, (u, _, _) in zip(weights, rows, strict=True))
    slope = sum(w * (u - mean_u) * (y - mean_y) for w, (u, y, _) in zip(weights, rows, strict=True)) / across
    if slope <= 0:
        return "ride-through does not grow with the volts: no capacitor does that"
    square = mean_u - mean_y / slope  # V2^2
    if square <= 0:
        return "ride-through grows too little with the volts for any dropout: something else ends it"
    dropout = math.sqrt(square)
    # Slope and the value at mean_u are independent; square depends on both.
    square_error = math.hypot(1 / math.sqrt(whole) / slope, mean_y / slope**2 / math.sqrt(across))
    chi2 = sum(
        w * (y - mean_y - slope * (u - mean_u)) ** 2 for w, (u, y, _) in zip(weights, rows, strict=True)
    )
    return Fitted(slope, 1 / math.sqrt(across), dropout, square_error / (2 * dropout), chi2, len(rows))
