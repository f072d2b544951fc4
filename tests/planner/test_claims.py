"""What a plan claims, held against every train there is: proved means that none is shorter, or that there is none.

The trains are tried one after another by :mod:`tests.planner.exhaustive`, over small tables: with gaps in the
codes, every overflow, lamps that count and lamps that step, scenes known and unknown at the start.
"""

from __future__ import annotations

from collections import Counter
from typing import Any, NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.datasheet import Datasheet
from sequencer.planner import LampRequest, PlanRequest
from sequencer.planner.plan import fleet, solve
from tests.automaton.sheets import INF, sheet
from tests.planner.exhaustive import FOREVER, Best, Reader, Table, exhaustive
from tests.planner.requests import EXACT

TICK_S = 0.1
TICK_NS = 100_000_000
REFUSED_BELOW = 45  # ticks: up to here trains are looked for where the planner says there is none


class Asked(NamedTuple):
    """A fleet in ticks. ``starts``: by type, the scenes its lamps may rest on."""

    tables: tuple[Table, ...]
    starts: tuple[tuple[int, ...], ...]
    wanted: tuple[int, ...]
    margin: int
    cycle: int
    max_dark: int


def _of(*values: Any) -> st.SearchStrategy[Any]:
    return st.sampled_from(values)


@st.composite
def tables(draw: st.DrawFn, highest: int) -> Table:
    counts = draw(_of(True, True, True, False))
    overflow = draw(_of("unknown", "ignored", "ignored", "wraps")) if counts else "unknown"
    codes = draw(st.sets(st.integers(1, highest), min_size=1, max_size=4))
    if overflow == "wraps" or not counts:
        codes = set(range(1, len(codes) + 1))
    rides = draw(_of(0, 1, 2, 3))
    pulse = rides + draw(_of(0, 1, 2))
    at = pulse_end = pulse + draw(_of(2, 3, 5))
    reset = None
    forgets = draw(_of(None, None, None, "reset", "first"))
    if forgets:
        codes.add(1)
    if forgets == "reset":
        reset = (at + draw(_of(0, 1)), at + draw(_of(3, 4)))
        at = reset[1]
    gap = draw(_of(0, 1, 2))
    gap_end = gap + draw(_of(2, 3, 5)) if counts else FOREVER
    return Table(
        "count" if counts else "step",
        tuple(sorted(codes)),
        overflow,
        "first" if forgets == "first" else "remembered" if counts else draw(_of("remembered", "next")),
        (0, rides),
        (pulse, pulse_end),
        reset,
        (at + draw(_of(0, 2)), FOREVER),
        (gap, gap_end),
        gap_end + draw(_of(1, 2)) if counts else None,
        draw(_of(0, gap, 3, 8)),
    )


@st.composite
def fleets(draw: st.DrawFn, types: int, highest: int) -> Asked:
    """The first type is to be brought onto a scene; the others, too, or they are to stay on theirs."""
    drawn = tuple(draw(tables(highest)) for _ in range(types))
    starts = []
    wanted = []
    for number, table in enumerate(drawn):
        code = draw(_of(*table.codes))
        others = set(table.codes) - {code}
        starts.append(
            draw(_of(set(table.codes), others or {code}, {*table.codes[-2:]}, *[{code}] * (2 * number)))
        )
        wanted.append(code)
    return Asked(
        drawn,
        tuple(tuple(sorted(s)) for s in starts),
        tuple(wanted),
        draw(_of(1, 1, 2)),
        draw(_of(1, 3, 5)),
        draw(_of(6, 9, 14)),
    )


@st.composite
def alike(draw: st.DrawFn) -> Asked:
    """Two count types of almost the same windows: the first ignores what is not in its table, and has gaps in it."""
    codes = draw(st.sets(st.integers(1, 5), min_size=1, max_size=3))
    its_codes = draw(st.sets(st.integers(1, 4), min_size=1, max_size=3))
    wanted, its_wanted = draw(_of(*sorted(codes))), draw(_of(*sorted(its_codes)))
    rides = draw(_of(0, 1, 2))
    pulse = rides + draw(_of(1, 2))
    gap = draw(_of(0, 1))
    gap_end = gap + draw(_of(2, 3))
    first = Table(
        "count",
        tuple(sorted(codes)),
        "ignored",
        "remembered",
        (0, rides),
        (pulse, pulse + 3),
        None,
        (pulse + 4, FOREVER),
        (gap, gap_end),
        gap_end + 1,
        draw(_of(gap, gap, 5)),
    )
    its_rides = rides + draw(_of(0, 0, 1, 2))
    its_pulse = max(its_rides, pulse + draw(_of(0, 0, 1)))
    its_gap = gap + draw(_of(0, 0, 0, 1))
    its_end = max(its_gap + 1, gap_end + draw(_of(0, 0, 1, -1)))
    second = first._replace(
        codes=tuple(sorted(its_codes)),
        overflow=draw(_of("ignored", "unknown")),
        ignored=(0, its_rides),
        pulse=(its_pulse, its_pulse + 3),
        power_down=(its_pulse + 4, FOREVER),
        same_train=(its_gap, its_end),
        settled=its_end + 1,
    )
    starts = tuple(sorted(draw(_of({wanted}, {wanted}, codes)))), tuple(sorted(its_codes))
    return Asked((first, second), starts, (wanted, its_wanted), 1, draw(_of(1, 3)), draw(_of(7, 9, 14)))


def seconds(ticks: tuple[int, int] | int | None) -> Any:
    if isinstance(ticks, tuple):
        return (seconds(ticks[0]), seconds(ticks[1]))
    return ticks if ticks is None else INF if ticks == FOREVER else ticks / 10


def datasheet(table: Table) -> Datasheet:
    counts = table.settled is not None
    return sheet(
        table.selects_by,
        dict.fromkeys(table.codes, "#808080"),
        ignored=seconds(table.ignored),
        pulse=seconds(table.pulse),
        reset=seconds(table.reset),
        power_down=seconds(table.power_down),
        same_train=seconds(table.same_train),
        noticed=(0.0, INF),  # a trial train knows no supply that is missed
        warm_up=(seconds(table.warm_up), INF),
        overflow=table.overflow,
        after_power_down=table.after_power_down,
        **({"settled": (seconds(table.settled), INF)} if counts else {}),
    )


def request(asked: Asked) -> PlanRequest:
    lamps = [
        LampRequest(f"lamp {i}.{known}", f"type-{i}", datasheet(table), wanted, known)
        for i, (table, starts, wanted) in enumerate(
            zip(asked.tables, asked.starts, asked.wanted, strict=True)
        )
        for known in starts
    ]
    flashes = 1 / (asked.cycle * TICK_S)
    return PlanRequest(tuple(lamps), EXACT, asked.margin * TICK_S, flashes, asked.max_dark * TICK_S)


def tried(asked: Asked, longest: int, nodes: int) -> Best:
    readers = [Reader(table, asked.margin) for table in asked.tables]
    return exhaustive(readers, asked.starts, asked.wanted, asked.cycle, asked.max_dark, longest, nodes)


def compared(asked: Asked, nodes: int) -> str:
    """How planner and trial agree; fails where a claim is false."""
    answer = solve(fleet(request(asked)))
    if not answer.proved:
        return "gave up"
    if answer.best is None:
        found = tried(asked, REFUSED_BELOW, nodes)
        assert found.total is None, f"refused, but there is one of {found}: {asked}"
        return "refused" if found.whole else "not tried to the end"
    ours = answer.best.promise[0], answer.best.breaks
    if ours[1] == 0:
        return "nothing to send"
    found = tried(asked, -(-ours[0] // TICK_NS), nodes)
    if not found.whole:
        return "not tried to the end"
    assert found.total is not None, f"{ours} ns holds for nobody else: {asked}"
    assert (found.total * TICK_NS, found.breaks) == ours, f"{ours} is not the best, {found}: {asked}"
    return "alike"


@pytest.mark.parametrize(
    ("fleets", "examples", "nodes", "least_alike", "least_refused"),
    [(fleets(1, 5), 300, 300, 90, 40), (fleets(2, 3), 80, 100, 14, 8), (alike(), 200, 150, 50, 15)],
    ids=["one type", "two types", "two alike"],
)
def test_proved_is_true(
    fleets: st.SearchStrategy[Asked], examples: int, nodes: int, least_alike: int, least_refused: int
) -> None:
    tally: Counter[str] = Counter()

    @settings(max_examples=examples, deadline=None, derandomize=True, database=None)
    @given(asked=fleets)
    def compare(asked: Asked) -> None:
        tally[compared(asked, nodes)] += 1

    compare()
    assert tally["alike"] >= least_alike, tally
    assert tally["refused"] >= least_refused, tally
