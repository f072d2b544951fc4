"""What discovery costs and how often it is right, over lamps drawn by chance.

``PYTHONPATH=. python tests/bench/discover_bench.py [N]``

Each lamp is discovered, what was written is held against the lamp's own datasheet as an automaton (a walk over the
product of both), and then the lamp must pass acceptance by what was written.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections import defaultdict

from sequencer.bench.accept import Course, Options, Run
from sequencer.bench.asking import Asking
from sequencer.bench.discover import Findings, discover
from sequencer.bench.drive import drive
from sequencer.bench.exercises import Trainer
from sequencer.datasheet import Datasheet
from tests.lampbench.lamps import Drawn, drawn_lamp, unlike


def verdict(lamp: Drawn) -> tuple[str, Findings]:
    """ "right", or what is wrong."""
    found = discover(Asking(lamp.stand()))
    if found.sheet is None:
        return f"{found.end}: {found.why}", found
    sheet = Datasheet.model_validate(found.sheet)
    if wrong := unlike(lamp.sheet, sheet):
        return f"WRONG: {wrong}", found
    run = Run(Course(Trainer(sheet), Options(tours=2)))
    sharp = lamp._replace(
        lapse=0.0
    )  # acceptance has its own bench; its looks are two, and lapse twice at times
    _, judged = drive(run, sharp.stand(1), lambda _: None, lambda _: None)
    return "right" if judged.accepted else f"NOT ACCEPTED: {judged.failures[:2]}", found


def main(lamps: int = 200, first: int = 1) -> None:
    """The table, a row a kind."""
    began = time.process_time()
    rows: dict[str, list[tuple[bool, int, float, int]]] = defaultdict(list)
    for seed in range(first, first + lamps):
        lamp = drawn_lamp(seed)
        told, found = verdict(lamp)
        sheet = lamp.sheet
        if told != "right":
            print(f"lamp {seed}: {told}", file=sys.stderr)
        row = (told == "right", found.spent.relay_cycles, found.spent.seconds / 60, len(found.log))
        size = "2-8 scenes" if len(sheet.scenes) <= 8 else "9-16 scenes"
        for name in (f"{sheet.lamp.selects_by}, {size}", "all"):
            rows[name].append(row)
    print(
        "| lamps | number | right | relay cycles, median (most) | minutes, median (most) | trains, median |"
    )
    print("|---|---|---|---|---|---|")
    for name, each in sorted(rows.items(), key=lambda item: item[0] == "all"):
        cycles, minutes, trains = ([row[i] for row in each] for i in (1, 2, 3))
        print(
            f"| {name} | {len(each)} | {sum(row[0] for row in each)} | {statistics.median(cycles):.0f} ({max(cycles)}) "
            f"| {statistics.median(minutes):.0f} ({max(minutes):.0f}) | {statistics.median(trains):.0f} |"
        )
    print(f"\n{time.process_time() - began:.0f} s of CPU", file=sys.stderr)


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
