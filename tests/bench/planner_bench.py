"""How long the planner thinks: CPU seconds and nodes, and ratios to a plain search in the same run.

Run by hand: ``python tests/bench/planner_bench.py [FLEETS]``. Prints markdown tables. About five minutes with
the 30 fleets of the README.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path
from statistics import median

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1] / "planner")]

from fleets import random_request  # noqa: E402
from plain_search import plain_search  # noqa: E402

from sequencer.planner import PlanRequest, request_for  # noqa: E402
from sequencer.planner.plan import Answer, fleet, solve  # noqa: E402
from sequencer.sitefile import load_site  # noqa: E402

PLAIN_NODES = 3_000  # the plain search's nodes are slow; past this it has not finished
SITE = Path(__file__).parents[2] / "config" / "quarry-lane.toml"


def timed(request: PlanRequest) -> tuple[Answer, float]:
    start = time.process_time()
    answer = solve(fleet(request))
    return answer, time.process_time() - start


def plain(request: PlanRequest) -> tuple[int | None, bool, float]:
    given = fleet(request)
    limits = given.limits
    start = time.process_time()
    total, done, _ = plain_search(
        [t.behaviour for t in given.types],
        [t.wanted for t in given.types],
        limits.cycle_ns,
        limits.max_dark_ns,
        limits.contact_ns,
        PLAIN_NODES,
    )
    return total, done, time.process_time() - start


def sizes_table(fleets: int) -> None:
    print(
        "| types | scenes | fleets | median s | worst s | trains | refused | gave up | median nodes | most nodes |"
    )
    print("|---|---|---|---|---|---|---|---|---|---|")
    for sizes in ((8,), (4, 3), (8, 6), (13, 8), (13, 8, 6), (13, 8, 6, 5, 4)):
        count = fleets if len(sizes) < 4 else max(fleets // 3, 1)
        answers = [timed(random_request(seed, sizes)) for seed in range(count)]
        times = [t for _, t in answers]
        nodes = [a.expanded for a, _ in answers]
        found = sum(a.best is not None for a, _ in answers)
        refused = sum(a.best is None and a.proved for a, _ in answers)
        scenes = "+".join(map(str, sizes))
        print(
            f"| {len(sizes)} | {scenes} | {count} | {median(times):.3f} | {max(times):.2f} | {found} | {refused} "
            f"| {sum(not a.proved for a, _ in answers)} | {median(nodes):g} | {max(nodes)} |",
            flush=True,
        )


def plain_table(fleets: int) -> None:
    """Small fleets, where the plain search finishes at all."""
    ratios = []
    unfinished = 0
    for seed in range(fleets):
        request = random_request(seed, (2, 1))._replace(max_dark_s=4.0, max_flashes_per_s=1.0)
        answer, ours = timed(request)
        total, done, theirs = plain(request)
        if not done:
            unfinished += 1
            ratios.append(theirs / ours)  # at least: it was stopped
            continue
        found = None if answer.best is None else answer.best.promise[0]
        assert found == total, (seed, found, total)
        if total != 0 and ours > 0.001:
            ratios.append(theirs / ours)
    print(
        f"\nPlain search over our time, {len(ratios)} fleets of 2+1 scenes, {unfinished} of them stopped at "
        f"{PLAIN_NODES} nodes: median {median(ratios):.0f}, least {min(ratios):.1f}"
    )


def main() -> None:
    fleets = int(sys.argv[1]) if len(sys.argv) > 1 else 30
    sizes_table(fleets)
    pad = load_site(SITE)
    for scene in pad.scenes:
        answer, seconds = timed(request_for(pad, "lap-pool", scene.name))
        print(f"\ndemo site's pair, {scene.name}: {seconds:.3f} s, {answer.expanded} nodes", end="")
    print()
    plain_table(min(fleets, 12))


if __name__ == "__main__":
    main()
