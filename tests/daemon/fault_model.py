"""The fault model at length: ``python -m tests.daemon.fault_model N [SEED]`` draws N stories and prints what came.

With a kind of promise after the seed (``code``, ``lit``, ``two``, ...) Hypothesis looks for a short story that
breaks it: ``python -m tests.daemon.fault_model 1000 1 code``.
"""

from __future__ import annotations

import random
import sys
from collections import Counter
from typing import NamedTuple

from hypothesis import HealthCheck, Phase, find, given, seed, settings
from hypothesis.errors import NoSuchExample

from tests.daemon.fault_points import ACTS
from tests.daemon.fault_stories import Story, Told, stories, told

ALL = list(HealthCheck)
FLEETS = 200
PROMISES = {
    "code": "a lamp is on the code that status says",
    "told": "and on the code that a person saw it on",
    "late sense": "the same, with an outage in the daemon's hand that it has not looked at",
    "lit": "the contact is closed where status says lit",
    "dark": "the contact is open where status says dark",
    "two": "the contact is never commanded by two",
    "flash": "no two openings within the flash limit",
    "flash, player struck": "nor where the player was held up",
    "long dark": "no break of a train beyond max_dark_s",
    "off": "off is obeyed within a bound",
    "matched": "left alone, the circuit is matched",
    "crash": "the daemon does not crash",
}
"""What is held against the world; the key is the kind under which a story is counted that breaks it."""


class Found(NamedTuple):
    """What came of many stories."""

    stories: int
    told: Told
    broken: dict[str, list[Story]]


def drawn(count: int, number: int = 1, fleets: int = FLEETS) -> Found:
    """So many stories, the same ones for the same number; none ends the drawing.

    Hypothesis begins anew for each: left to itself it varies what it has drawn, and half of all stories are alike.
    """
    total = Told((), Counter(), Counter(), Counter())
    broken: dict[str, list[Story]] = {}
    for at in range(count):
        story = _drawn(number * 1_000_003 + at, fleets)
        came = told(story)
        for sums, more in zip(total[1:], came[1:], strict=True):
            sums.update(more)
        for kind in came.kinds:
            broken.setdefault(kind, []).append(story)
    return Found(count, total, broken)


def _drawn(number: int, fleets: int) -> Story:
    """Of each two stories that Hypothesis draws the first is the simplest there is, always: the second."""
    two: list[Story] = []

    @seed(number)
    @settings(
        max_examples=2, deadline=None, database=None, phases=[Phase.generate], suppress_health_check=ALL
    )
    @given(story=stories(fleets))
    def draws(story: Story) -> None:
        two.append(story)

    draws()
    return two[-1]


def shortest(kind: str, tries: int, number: int = 1) -> Story | None:
    """A short story that breaks a promise, if so many tries find one."""
    try:
        return find(
            stories(FLEETS),
            lambda story: kind in told(story).kinds,
            settings=settings(max_examples=tries, deadline=None, database=None, suppress_health_check=ALL),
            random=random.Random(number),
        )
    except NoSuchExample:
        return None


def table(found: Found) -> str:
    """Faults by point and kind, claims held against the world, and stories that broke a promise."""
    acts = list(dict.fromkeys(act for allowed in ACTS.values() for act in allowed))
    lines = [f"{found.stories} stories", "", f"| point | passed | {' | '.join(acts)} |"]
    lines.append("|---" * (len(acts) + 2) + "|")
    for point, allowed in ACTS.items():
        struck = [str(found.told.struck[point, act]) if act in allowed else "" for act in acts]
        lines.append(f"| {point} | {found.told.passed[point]} | {' | '.join(struck)} |")
    lines += ["", "| promise | held against the world | stories that broke it |", "|---|---|---|"]
    for kind, words in PROMISES.items():
        lines.append(f"| {words} | {found.told.checked[kind] or ''} | {len(found.broken.get(kind, []))} |")
    for kind, those in found.broken.items():
        lines += ["", f"{kind}: {min(those, key=lambda story: len(story.deeds))}"]
    return "\n".join(lines)


if __name__ == "__main__":
    said = sys.argv[1:] + ["100", "1"][max(0, len(sys.argv) - 1) :]
    how_many, number = int(said[0]), int(said[1])
    if len(sys.argv) > 3:
        print(shortest(sys.argv[3], how_many, number))
    else:
        print(table(drawn(how_many, number)))
