"""How long the planner thinks: CPU seconds and nodes, and ratios to a plain search in the same run.

Run by hand: ``python tests/bench/planner_bench.py [FLEETS]``. Prints markdown tables; about ten minutes with
the 30 fleets of the README.
"""

from __future__ import annotations

import sys
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from resource import RUSAGE_SELF, getrusage
from statistics import median

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1] / "planner")]

from fleets import nested_request, random_request  # noqa: E402
from plain_search import plain_search  # noqa: E402

from sequencer.planner import Budget, Plan, PlanRequest, plan, request_for  # noqa: E402
from sequencer.planner.plan import Answer, fleet, solve  # noqa: E402
from sequencer.sitefile import load_site  # noqa: E402

PLAIN_NODES = 3_000  # the plain search's nodes are slow; past this it has not finished
AT_ONCE = 20
SITE = Path(__file__).parents[2] / "config" / "quarry-lane.toml"


def timed(request: PlanRequest) -> tuple[Answer, float]:
    start = time.process_time()
    answer = solve(fleet(request))
    return answer, time.process_time() - start


def plain(request: PlanRequest) -> tuple[int | None, bool, int, float]:
    given = fleet(request)
    limits = given.limits
    start = time.process_time()
    total, done, nodes = plain_search(
        [t.behaviour for t in given.types],
        [t.wanted for t in given.types],
        limits.cycle_ns,
        limits.max_dark_ns,
        limits.contact_ns,
        PLAIN_NODES,
    )
    return total, done, nodes, time.process_time() - start


def sizes_table(fleets: int) -> None:
    print(
        "| types | scenes | fleets | median s | worst s | trains | refused | gave up | median nodes | most nodes |"
    )
    print("|---|---|---|---|---|---|---|---|---|---|")
    for sizes, wraps in (
        ((8,), True),
        ((4, 3), True),
        ((8, 6), True),
        ((13, 8), True),
        ((13, 8), False),
        ((13, 8, 6), True),
        ((13, 8, 6), False),
        ((13, 8, 6, 5, 4), True),
    ):
        count = fleets if len(sizes) < 4 else max(fleets // 3, 1)
        answers = [timed(random_request(seed, sizes, wraps=wraps)) for seed in range(count)]
        times = [t for _, t in answers]
        nodes = [a.expanded for a, _ in answers]
        found = sum(a.best is not None for a, _ in answers)
        refused = sum(a.best is None and a.proved for a, _ in answers)
        scenes = "+".join(map(str, sizes)) + ("" if wraps else ", no table wraps")
        print(
            f"| {len(sizes)} | {scenes} | {count} | {median(times):.3f} | {max(times):.2f} | {found} | {refused} "
            f"| {sum(not a.proved for a, _ in answers)} | {median(nodes):g} | {max(nodes)} |",
            flush=True,
        )


def nested_table(fleets: int) -> None:
    """Each fleet in a process of its own, for the memory: all of ``lampstep plan`` but reading the site."""
    print(
        "\n| nested types, 8 scenes each | fleets | median s | worst s | worst MB | proved | a train | neither |"
    )
    print("|---|---|---|---|---|---|---|---|")
    for types in range(4, 11):
        costs = [_alone(types, seed) for seed in range(fleets)]
        seconds, peaks = [c[0] for c in costs], [c[1] for c in costs]
        proved = sum(c[2] == "proved" for c in costs)
        train = sum(c[2] == "a train" for c in costs)
        print(
            f"| {types} | {fleets} | {median(seconds):.1f} | {max(seconds):.1f} | {max(peaks):.0f} | {proved} "
            f"| {train} | {fleets - proved - train} |",
            flush=True,
        )


def _alone(types: int, seed: int) -> tuple[float, float, str]:
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        return pool.submit(_nested, types, seed).result()


def _nested(types: int, seed: int) -> tuple[float, float, str]:
    """CPU seconds and peak megabytes of the process, imports included, and what came out."""
    found = plan(nested_request(types, seed=seed), Budget(spent_s=time.process_time))
    outcome = "proved" if found.proved else "a train" if isinstance(found, Plan) else "neither"
    return time.process_time(), getrusage(RUSAGE_SELF).ru_maxrss / 1024, outcome


def plain_table(fleets: int) -> None:
    """Small fleets, where the plain search finishes at all; those it answers at once are left out."""
    print("\n| types | scenes | fleets | plain search finished | its time over ours, median | least |")
    print("|---|---|---|---|---|---|")
    for sizes in ((3,), (6,), (2, 1), (2, 2), (3, 2)):
        ratios = []
        asked = 0
        for seed in range(fleets):
            request = random_request(seed, sizes)._replace(max_dark_s=4.0, max_flashes_per_s=1.0)
            answer, ours = timed(request)
            total, done, nodes, theirs = plain(request)
            if nodes < AT_ONCE:
                continue
            asked += 1
            if done:
                found = None if answer.best is None else answer.best.promise[0]
                assert found == total, (seed, sizes, found, total)
                ratios.append(theirs / ours)
        least = f"{median(ratios):.0f} | {min(ratios):.1f}" if ratios else "- | -"
        print(
            f"| {len(sizes)} | {'+'.join(map(str, sizes))} | {asked} | {len(ratios)} | {least} |", flush=True
        )


def main() -> None:
    fleets = int(sys.argv[1]) if len(sys.argv) > 1 else 30
    sizes_table(fleets)
    pad = load_site(SITE)
    for scene in pad.scenes:
        answer, seconds = timed(request_for(pad, "lap-pool", scene.name))
        print(f"\ndemo site's pair, {scene.name}: {seconds:.3f} s, {answer.expanded} nodes", end="")
    print()
    nested_table(max(fleets // 6, 1))
    plain_table(min(fleets, 15))


if __name__ == "__main__":
    main()
