"""Where an edge of a lamp's window lies: Bayesian, adaptive, in as few presentations as can be.

A lamp that is given one break (or one gap between two breaks) answers "short" or "long": it took it one way or the
other. Where the answer turns is the edge. The method is QUEST's (Watson and Pelli 1983, Perception & Psychophysics
33, 113-120) with the slope and the lapses unknown too and the next presentation chosen by least expected entropy
(Kontsevich and Tyler 1999, Vision Research 39, 2729-2737), the entropy being that of the edge alone (Prins 2013,
Journal of Vision 13(7):3). All three from memory, their titles and pages checked against listings.

Two things are this module's own. One train may hold several lengths; the lamp then answers with how many of them it
found long, as the scene it comes to or the count of its steps. And that there is no edge at all within reach is a
hypothesis like any other: "below" (every length was long) and "above" (every length was short).

The model of an answer to lengths ``x``, for an edge at ``e`` seconds: each length is found long with chance
``Phi((x - e) / sqrt((r e)^2 + j^2))``, where ``r`` is the lamp's own spread as a fraction, and ``j`` the relay's in
seconds; their number is then what was seen, or, with the chance of a lapse, any number at all.

Pure: no clock and no chance. A belief follows from its prior and what was shown, so only these need be kept.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import accumulate, pairwise, product
from typing import NamedTuple

CELLS = 48
"""Into how many parts the range is cut; they lie thickest where the edge is most likely."""
EVENLY = 0.15
"""The share of the cells that stays spread evenly over the range, so that a lapse early on can be made good."""
CROWDED = 0.1
"""A cell that holds more belief than this is too coarse: the cells are laid anew."""
SPREADS = ((0.001, 0.4), (0.01, 0.15), (0.025, 0.25), (0.045, 0.17), (0.1, 0.03))
"""The lamp's own spread, as a fraction of the edge, and how likely each: a clock that is the same every time, up to
one that errs by some percent anew for every length (an error of +-3 %, evenly spread, has 0.017). Ascending."""
LAPSES = ((0.005, 0.5), (0.03, 0.35), (0.1, 0.15))
"""How often the eyes are wrong, and how likely each."""
WORST = 2.0
"""How many times its own spread a lamp may stray; for an even spread it is 1.73, the square root of 3."""


class Prior(NamedTuple):
    """What is thought of an edge before anything was shown.

    It lies in ``low_s`` to ``high_s`` (s), evenly in the logarithm, and with the chance ``trust`` within ``likely``;
    or, each with the chance ``outside``, below or above all of that. ``jitter_s`` is the relay's standard deviation.
    """

    low_s: float
    high_s: float
    likely: tuple[float, float] | None = None
    trust: float = 0.8
    outside: float = 0.03
    jitter_s: float = 0.0025
    spreads: tuple[tuple[float, float], ...] = SPREADS
    lapses: tuple[tuple[float, float], ...] = LAPSES

    def held(self, low: float, high: float) -> float:
        """The chance that the edge lies between two logarithms, it being within the range."""
        start, end = math.log(self.low_s), math.log(self.high_s)
        even = (high - low) / (end - start)
        if self.likely is None:
            return even
        first, last = (min(max(math.log(max(s, self.low_s)), start), end) for s in self.likely)
        if last - first < 1e-3:  # a guess that names one length means one near it
            first, last = max(start, first - 0.25), min(end, last + 0.25)
        inside = max(0.0, min(high, last) - max(low, first)) / (last - first)
        return (1 - self.trust) * even + self.trust * inside


class Shown(NamedTuple):
    """One presentation: the lengths (s), and how many of them, the greatest, the lamp found long."""

    lengths_s: tuple[float, ...]
    found_long: int


NEGLIGIBLE = 1e-5
"""A cell with less belief than this does not bear on what is shown next."""
REACH = 5.0
"""A length that is this many standard deviations from an edge is found short or long for certain."""
_ROOT_HALF = math.sqrt(0.5)

Weights = tuple[tuple[float, ...], ...]  # by cell, then by spread and lapse


@dataclass(frozen=True)
class Belief:
    """What is known of one edge; made by :func:`belief`, taught by :func:`learn`.

    ``bounds`` are the cells' limits, logarithms of seconds; ``weights`` has one row more on either side for "below"
    and "above".
    """

    prior: Prior
    shown: tuple[Shown, ...]
    bounds: tuple[float, ...]
    weights: Weights

    @cached_property
    def cells(self) -> tuple[float, ...]:
        """How likely the edge is in each cell; the first and the last are "below" and "above"."""
        return tuple(map(sum, self.weights))

    @cached_property
    def places(self) -> tuple[tuple[float, tuple[float, ...]], ...]:
        """Of each cell: where its edge is taken to be (s), and how blurred (s) for each of the lamp's spreads.

        The edge may be anywhere in the cell: its width blurs, as an even spread of that width does (its
        variance is a twelfth of the width's square: JCGM 100:2008, 4.3.7, from memory).
        """
        jitter, spreads = self.prior.jitter_s**2, [spread for spread, _ in self.prior.spreads]
        limits = [math.exp(bound) for bound in self.bounds]
        return tuple(
            (
                (low + high) / 2,
                tuple(
                    math.sqrt((spread * (low + high) / 2) ** 2 + jitter + (high - low) ** 2 / 12)
                    for spread in spreads
                ),
            )
            for low, high in pairwise(limits)
        )

    @cached_property
    def _cumulated(self) -> tuple[float, ...]:
        return tuple(accumulate(self.cells))

    @property
    def below(self) -> float:
        """The chance that every length is long."""
        return self.cells[0]

    @property
    def above(self) -> float:
        """The chance that every length is short."""
        return self.cells[-1]

    def quantile(self, share: float) -> float:
        """The length (s) below which the edge lies with that chance; 0 and inf for "below" and "above"."""
        row = bisect_left(self._cumulated, share)
        if row == 0:
            return 0.0
        if row > len(self.bounds) - 1:
            return math.inf
        low, high = self.bounds[row - 1], self.bounds[row]
        part = (share - self._cumulated[row - 1]) / (self.cells[row] or 1.0)
        return math.exp(low + part * (high - low))

    @property
    def estimate_s(self) -> float:
        """The median."""
        return self.quantile(0.5)

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """The central credible interval, s."""
        return self.quantile((1 - level) / 2), self.quantile((1 + level) / 2)

    def certain(self, level: float = 0.95) -> tuple[float, float]:
        """Up to which length the lamp finds all short, and from which on all long, each with half of ``level``'s rest.

        The credible bound of the edge, moved by :data:`WORST` times the lamp's own spread. The relay's spread is not
        in it: whoever plans a train knows the relay that will play it.
        """
        lows: list[tuple[float, float]] = []
        highs: list[tuple[float, float]] = []
        kinds = list(product(self.prior.spreads, self.prior.lapses))
        for row, (low, high) in enumerate(pairwise(self.bounds), start=1):
            for ((spread, _), _), weight in zip(kinds, self.weights[row], strict=True):
                lows.append((math.exp(low) * max(0.0, 1 - WORST * spread), weight))
                highs.append((math.exp(high) * (1 + WORST * spread), weight))
        rest = (1 - level) / 2
        return (
            _weighted(sorted([*lows, (0.0, self.below), (math.inf, self.above)]), rest),
            _weighted(sorted([*highs, (0.0, self.below), (math.inf, self.above)]), 1 - rest),
        )

    def spread(self) -> float:
        """The lamp's own spread as expected, a fraction of the edge."""
        kinds = list(product(self.prior.spreads, self.prior.lapses))
        return sum(s * w for row in self.weights for ((s, _), _), w in zip(kinds, row, strict=True))


def belief(prior: Prior, shown: tuple[Shown, ...] = ()) -> Belief:
    """What is known before anything was shown, or after these presentations.

    >>> b = belief(Prior(0.01, 10.0, outside=0.0))
    >>> round(b.estimate_s, 3), [round(s, 2) for s in b.interval()]
    (0.316, [0.01, 8.41])
    """
    bounds = [prior.likely[0], prior.likely[1]] if prior.likely else []
    start, end = math.log(prior.low_s), math.log(prior.high_s)
    even = [start + (end - start) * i / CELLS for i in range(CELLS + 1)]
    inner = [math.log(s) for s in bounds if prior.low_s * 1.001 < s < prior.high_s / 1.001]
    blank = _weighed(prior, tuple(sorted([*even, *inner])))
    for each in shown:
        blank = learn(blank, each.lengths_s, each.found_long)
    return blank


def learn(known: Belief, lengths_s: tuple[float, ...], found_long: int) -> Belief:
    """What is known after one more presentation. ValueError for more found long than were shown."""
    if not 0 <= found_long <= len(lengths_s):
        raise ValueError(f"{found_long} of {len(lengths_s)} lengths cannot be long")
    one = Shown(tuple(sorted(lengths_s)), found_long)
    after = _taught(replace(known, shown=(*known.shown, one)), one)
    return _laid_anew(after) if max(after.cells[1:-1]) > CROWDED and _coarse(after) else after


def choose(known: Belief, most: int = 1, low_s: float = 0.0, high_s: float = math.inf) -> tuple[float, ...]:
    """The lengths (s, ascending) to show next: at most ``most``, within ``low_s`` to ``high_s``.

    Of some sets of posterior quantiles, the one after which the entropy of the edge is expected to be least.
    """
    low, high = max(low_s, known.prior.low_s), min(high_s, known.prior.high_s)
    if most == 1:
        designs: list[tuple[float, ...]] = [(share,) for share in (0.5, 0.3, 0.7)]
    else:
        even = [(i + 1) / (most + 1) - 0.5 for i in range(most)]
        designs = [tuple(0.5 + shrink * part for part in even) for shrink in (1.0, 0.6, 0.3)]
    sets = [tuple(min(max(round(known.quantile(s), 5), low), high) for s in shares) for shares in designs]
    return max(dict.fromkeys(sets), key=lambda lengths: expected_bits(known, lengths))


def expected_bits(known: Belief, lengths_s: tuple[float, ...]) -> float:
    """By how much one presentation is expected to lessen the entropy of the edge, bits.

    Entropy of the answer less what of it remains for one who knows the edge: the mutual information.
    """
    size = len(lengths_s) + 1
    lapse = sum(rate * share for rate, share in known.prior.lapses)
    least = _entropy([1 - lapse + lapse / size, *[lapse / size] * (size - 1)])
    total, remains = [lapse / size] * size, 0.0
    for row, mass in enumerate(known.cells):
        if mass < NEGLIGIBLE:
            continue
        if (found := _surely(known, row, lengths_s)) is not None:
            total[found] += (1 - lapse) * mass
            remains += mass * least
            continue
        answer = [lapse / size] * size
        for kind, weight in enumerate(_by_spread(known, row)):
            for found, chance in enumerate(_answers(known, row, kind, lengths_s)):
                answer[found] += (1 - lapse) * weight * chance / mass
                total[found] += (1 - lapse) * weight * chance
        remains += mass * _entropy(answer)
    return _entropy(total) - remains


def _entropy(chances: list[float]) -> float:
    return -sum(c * math.log2(c) for c in chances if c > 0)


def _by_spread(known: Belief, row: int) -> list[float]:
    lapses = len(known.prior.lapses)
    weights = known.weights[row]
    return [sum(weights[i : i + lapses]) for i in range(0, len(weights), lapses)]


def _surely(known: Belief, row: int, lengths_s: tuple[float, ...]) -> int | None:
    """How many lengths are found long for certain, lapses apart; None where some length is near the edge."""
    if row == 0:
        return len(lengths_s)
    if row == len(known.weights) - 1:
        return 0
    edge, blurs = known.places[row - 1]
    reach = REACH * blurs[-1]
    found = 0
    for length in lengths_s:
        if edge - reach < length < edge + reach:
            return None
        found += length > edge
    return found


def _answers(known: Belief, row: int, kind: int, lengths_s: tuple[float, ...]) -> list[float]:
    """How likely each number of lengths found long is, lapses apart, for the edge in one cell and one spread."""
    edge, blurs = known.places[row - 1]
    blur = blurs[kind]
    sure, chances = 0, [1.0]
    for length in lengths_s:
        z = (length - edge) / blur
        if z > REACH:
            sure += 1
        elif z > -REACH:
            found = 0.5 * (1 + math.erf(z * _ROOT_HALF))
            new = [chance * (1 - found) for chance in chances]
            new.append(0.0)
            for long, chance in enumerate(chances, start=1):
                new[long] += chance * found
            chances = new
    return [0.0] * sure + chances + [0.0] * (len(lengths_s) + 1 - sure - len(chances))


def _taught(known: Belief, one: Shown) -> Belief:
    lapses = known.prior.lapses
    anyhow = 1 / (len(one.lengths_s) + 1)
    kinds = len(known.prior.spreads)
    right = [(1 - rate) + rate * anyhow for rate, _ in lapses] * kinds
    wrong = [rate * anyhow for rate, _ in lapses] * kinds
    rows = []
    for row, weights in enumerate(known.weights):
        if (found := _surely(known, row, one.lengths_s)) is not None:
            factors = right if found == one.found_long else wrong
        else:
            chances = [_answers(known, row, kind, one.lengths_s)[one.found_long] for kind in range(kinds)]
            factors = [(1 - rate) * chance + rate * anyhow for chance in chances for rate, _ in lapses]
        rows.append([w * f for w, f in zip(weights, factors, strict=True)])
    whole = sum(map(sum, rows))
    return replace(known, weights=tuple(tuple(w / whole for w in row) for row in rows))


def _weighed(prior: Prior, bounds: tuple[float, ...]) -> Belief:
    """The prior on these cells."""
    kinds = [s * share for (_, s), (_, share) in product(prior.spreads, prior.lapses)]
    inside = 1 - 2 * prior.outside
    cells = [prior.outside, *(inside * prior.held(a, b) for a, b in pairwise(bounds)), prior.outside]
    return Belief(prior, (), bounds, tuple(tuple(mass * kind for kind in kinds) for mass in cells))


def _laid_anew(known: Belief) -> Belief:
    """The same belief on cells of about the same weight each, reckoned again from all that was shown."""
    start, end = known.bounds[0], known.bounds[-1]
    inside = 1 - known.below - known.above
    masses = [
        (1 - EVENLY) * mass / inside + EVENLY * (high - low) / (end - start)
        for mass, (low, high) in zip(known.cells[1:-1], pairwise(known.bounds), strict=True)
    ]
    bounds, held, wanted = [start], 0.0, 1 / CELLS
    for mass, (low, high) in zip(masses, pairwise(known.bounds), strict=True):
        while wanted < 1 - 1e-9 and held + mass >= wanted:
            bounds.append(low + (high - low) * (wanted - held) / mass)
            wanted += 1 / CELLS
        held += mass
    fresh = _weighed(known.prior, (*bounds, end))
    for one in known.shown:
        fresh = _taught(fresh, one)
    return replace(fresh, shown=known.shown)


def _coarse(known: Belief) -> bool:
    """Whether a crowded cell is wider than what blurs the edge anyway."""
    least = min(spread for spread, _ in known.prior.spreads)
    for row, (low, high) in enumerate(pairwise(known.bounds), start=1):
        if known.cells[row] > CROWDED:
            edge = math.exp((low + high) / 2)
            if (high - low) * edge > math.hypot(least * edge, known.prior.jitter_s):
                return True
    return False


def _weighted(pairs: list[tuple[float, float]], share: float) -> float:
    held = 0.0
    for value, weight in pairs:
        held += weight
        if held >= share:
            return value
    return pairs[-1][0]
