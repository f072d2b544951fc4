"""How often something may still go wrong that went wrong k times in n trials: an exact bound."""

from __future__ import annotations

from math import exp, lgamma, log, log1p


def slip_bound(slips: int, trials: int, confidence: float = 0.95) -> float:
    """The greatest rate that ``slips`` in ``trials`` leave possible, one-sided, at this confidence.

    Clopper and Pearson (Biometrika 26, 1934): the rate at which so few slips would be seen with probability
    ``1 - confidence``. Without slips that is ``1 - (1 - confidence)^(1/n)``; else it is found by bisection
    on the binomial's tail. ValueError for counts that make no sense.

    >>> round(slip_bound(0, 59), 4), round(slip_bound(1, 10), 4), slip_bound(3, 3)
    (0.0495, 0.3942, 1.0)
    """
    if not 0 <= slips <= trials or not 0 < confidence < 1:
        raise ValueError(f"{slips} slips in {trials} trials at {confidence}")
    if slips == trials:
        return 1.0
    if slips == 0:
        return float(1 - (1 - confidence) ** (1 / trials))
    low, high = slips / trials, 1.0
    while (middle := (low + high) / 2) not in (low, high):
        low, high = (middle, high) if at_most(slips, trials, middle) > 1 - confidence else (low, middle)
    return high


def at_most(slips: int, trials: int, rate: float) -> float:
    """The probability of at most so many slips; ``0 < rate < 1``.

    >>> round(at_most(1, 2, 0.5), 9)
    0.75
    """
    odds, never = log(rate), log1p(-rate)
    whole = lgamma(trials + 1)
    return sum(
        exp(whole - lgamma(k + 1) - lgamma(trials - k + 1) + k * odds + (trials - k) * never)
        for k in range(slips + 1)
    )
