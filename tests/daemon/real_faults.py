"""Never wrong, with real processes: drawn stories of faults, and every claim of the daemon held against the lamps.

``python -m tests.daemon.real_faults N`` plays N trials, all kinds in turn, and prints a line a kind. ``--seed K``
draws others; ``--only WORDS`` takes the kinds whose names have these words; ``--code FOLDER`` serves the program of
another folder, an older one say.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from math import inf
from pathlib import Path
from random import Random
from typing import NamedTuple

from tests.daemon.real_pad import Pad, Sample
from tests.daemon.real_stories import KINDS
from tests.daemon.real_truth import (
    Wrong,
    claimed_codes,
    contact_claims,
    hasty_trains,
    needs_s,
    wrong_of_the_contact,
    wrong_of_the_lamps,
)

BOUND_S = 300.0
"""Until all lamps match again: a failed train is tried again after 5 s, 10 s, and so on, and on a busy machine
several fail, since an echo that comes late fails one."""
SETS = 40
"""Sets of lamps that each pad's edges are played to."""
PADS = 4
"""Pads that are served at the same time, each with its own daemon, line and board."""
LONGEST_S = 12.0
"""Of a stall."""


class Trial(NamedTuple):
    """One story and what came of it; seconds of the monotonic clock. ``matched_s``: from its quiet end on."""

    kind: str
    began: float
    quiet: float
    matched_s: float


class Outcome(NamedTuple):
    """One pad's trials, and what the lamps, the coil and the journal say in the end.

    ``claims``: how many the daemon made in each trial; ``wrong``: those that were not so. ``uncounted``: openings
    that the journal does not have; ``overcounted``: the reverse. ``quickest_s``: the least time from one opening to
    the next.
    """

    seed: int
    trials: tuple[Trial, ...]
    claims: tuple[int, ...]
    wrong: tuple[tuple[Wrong, ...], ...]
    trouble: tuple[str, ...]
    openings: int
    uncounted: int
    overcounted: int
    quickest_s: float


def told(pad: Pad, kind: str, longest_s: float, bound_s: float) -> Trial:
    """One story, and the wait until the daemon says that all lamps match."""
    pad.pause(0.1, 1.0)
    began = time.monotonic()
    KINDS[kind](pad, longest_s)
    quiet = time.monotonic()
    matched = pad.matches(quiet, bound_s)
    if not matched:
        pad.trouble.append(f"{kind}: not matched {bound_s:.0f} s after: {pad.said_since(0.0)}")
    return Trial(kind, began, quiet, time.monotonic() - quiet if matched else inf)


def trials_on(
    folder: Path, seed: int, kinds: Sequence[str], longest_s: float, sets: int, code: Path | None
) -> Outcome:
    """One pad from its start on, with these stories one after the other."""
    with Pad(folder, seed, code) as pad:
        if not pad.matches(0.0, BOUND_S):
            pad.trouble.append(f"not matched after the start: {pad.said_since(0.0)}")
        found = []
        for kind in kinds:
            try:
                found.append(told(pad, kind, longest_s, BOUND_S))
            except AssertionError as error:
                pad.trouble.append(f"{kind}: {error}")
                break
        pad.pause(0.1, 0.3)
        pad.look_no_more()
        if pad.daemon.process is not None and pad.daemon.process.poll() is None:
            pad.daemon.stop()
        return taken_stock(pad, seed, found, sets)


def taken_stock(pad: Pad, seed: int, trials: Sequence[Trial], sets: int) -> Outcome:
    """Every claim held against the contact and the lamps."""
    edges, samples, counted = pad.edges(), pad.samples, pad.daemon.cycles()
    wanted = pad.wanted
    wrong = list(wrong_of_the_contact(edges, samples))
    for number in range(sets):
        wrong += wrong_of_the_lamps(pad.site, edges, samples, wanted, number)
    wrong += hasty_trains(edges, pad.daemon.intents(), needs_s(pad.site))
    openings = [edge.first for edge in edges if edge.on]
    bounds = [*(trial.began for trial in trials), inf]
    spans = [(-inf if n == 0 else at, bounds[n + 1]) for n, at in enumerate(bounds[:-1])]

    def claims(sample: Sample) -> int:
        return len(claimed_codes(sample.said, wanted)) + len(contact_claims(sample.said))

    return Outcome(
        seed,
        tuple(trials),
        tuple(sum(claims(each) for each in samples if a <= each.asked_at < b) for a, b in spans),
        tuple(tuple(each for each in wrong if a <= each.asked_at < b) for a, b in spans),
        tuple(pad.trouble),
        len(openings),
        max(0, len(openings) - counted),
        max(0, counted - len(openings)),
        min((b - a for a, b in pairwise(openings)), default=inf),
    )


def trials(
    folder: Path,
    kinds: Sequence[str],
    seed: int,
    *,
    pads: int = PADS,
    longest_s: float = LONGEST_S,
    sets: int = SETS,
    code: Path | None = None,
) -> list[Outcome]:
    """These stories in a drawn order, spread over some pads that are served at the same time."""
    order = list(kinds)
    Random(seed).shuffle(order)
    shares = [share for n in range(pads) if (share := order[n::pads])]
    with ThreadPoolExecutor(pads) as pool:
        jobs = [
            pool.submit(trials_on, folder / f"{seed}-{n}", seed * 1000 + n, share, longest_s, sets, code)
            for n, share in enumerate(shares)
        ]
        return [job.result() for job in jobs]


def table(outcomes: Sequence[Outcome]) -> str:
    """A line a kind, and what all pads come to."""
    lines = [
        "| story | trials | claims | trials with a wrong one | statuses wrong | matched after, s: median | most |",
        "|---|---|---|---|---|---|---|",
    ]
    for kind in KINDS:
        of_kind = [
            (trial, claims, wrong)
            for outcome in outcomes
            for trial, claims, wrong in zip(outcome.trials, outcome.claims, outcome.wrong, strict=True)
            if trial.kind == kind
        ]
        if of_kind:
            after = sorted(trial.matched_s for trial, _, _ in of_kind)
            row = (
                len(of_kind),
                sum(claims for _, claims, _ in of_kind),
                sum(bool(wrong) for _, _, wrong in of_kind),
                sum(len({each.asked_at for each in wrong}) for _, _, wrong in of_kind),
                f"{after[len(after) // 2]:.1f}",
                f"{after[-1]:.1f}",
            )
            lines.append(f"| {kind} | {' | '.join(map(str, row))} |")
    openings, uncounted, overcounted = (
        sum(getattr(outcome, name) for outcome in outcomes)
        for name in ("openings", "uncounted", "overcounted")
    )
    return "\n".join(
        [
            *lines,
            "",
            f"- {openings} openings: {uncounted} not counted, {overcounted} too many",
            f"- from one opening to the next never less than {min(o.quickest_s for o in outcomes):.3f} s",
            *(f"- pad {outcome.seed}: {words}" for outcome in outcomes for words in outcome.trouble),
        ]
    )


def main() -> None:
    """As the module says."""
    parser = argparse.ArgumentParser()
    parser.add_argument("count", type=int, nargs="?", default=len(KINDS))
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="")
    parser.add_argument("--pads", type=int, default=PADS)
    parser.add_argument("--code", type=Path)
    given = parser.parse_args()
    names = [kind for kind in KINDS if any(words in kind for words in given.only.split(","))]
    kinds = [names[n % len(names)] for n in range(given.count)]
    with tempfile.TemporaryDirectory() as scratch:
        outcomes = trials(Path(scratch), kinds, given.seed, pads=given.pads, code=given.code)
    print(table(outcomes))
    for outcome in outcomes:
        for trial, wrong in zip(outcome.trials, outcome.wrong, strict=True):
            for each in wrong[:3]:
                at = each.asked_at - trial.began
                print(f"pad {outcome.seed}, {trial.kind}, {at:.3f} s after it began: {each.words}")


if __name__ == "__main__":
    main()
