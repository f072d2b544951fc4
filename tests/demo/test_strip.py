"""Columns: all of the time, each break and supply in at least one of them."""

from __future__ import annotations

from itertools import accumulate, groupby, pairwise

from hypothesis import given
from hypothesis import strategies as st

from sequencer.demo.story import Step, Strip
from sequencer.demo.strip import columns

LENGTHS = st.lists(st.floats(0.01, 30.0), min_size=1, max_size=25)


def strip_of(lengths: list[float], first_on: bool) -> Strip:
    """Supply and breaks of these lengths in turn."""
    cuts = [0.0, *accumulate(lengths)]
    parts = list(pairwise(cuts))
    return Strip(cuts[-1], tuple(parts[0 if first_on else 1 :: 2]), ())


@given(LENGTHS, st.booleans(), st.integers(-5, 80))
def test_columns_cover_all_of_it_in_order(lengths: list[float], first_on: bool, width: int) -> None:
    strip = strip_of(lengths, first_on)
    drawn = columns(strip, width)
    assert len(drawn) == max(width, len(lengths))
    assert drawn[0].start_s == 0.0
    assert abs(drawn[-1].end_s - strip.length_s) < 1e-9
    assert all(abs(one.end_s - after.start_s) < 1e-9 for one, after in pairwise(drawn))
    assert all(column.start_s < column.middle_s < column.end_s for column in drawn)
    supplied = [any(start <= c.middle_s < end for start, end in strip.supply) for c in drawn]
    assert supplied == [column.on for column in drawn]
    assert len([on for on, _ in groupby(column.on for column in drawn)]) == len(lengths)


@given(LENGTHS, st.integers(30, 80))
def test_longer_parts_never_get_fewer_columns_by_more_than_rounding(lengths: list[float], width: int) -> None:
    drawn = columns(strip_of(lengths, True), width)
    counts = [len(list(run)) for _, run in groupby(drawn, key=lambda column: column.on)]
    for (one, got), (other, had) in pairwise(sorted(zip(lengths, counts, strict=True))):
        assert one <= other
        assert got <= had + 1


def test_the_last_column_shows_what_each_lamp_ends_on(story: tuple[Step, ...]) -> None:
    for step in story:
        if step.strip is not None:
            last = columns(step.strip, 44)[-1].middle_s
            assert all(lane.scene_at(last) == lane.scene_at(step.strip.length_s) for lane in step.strip.lanes)
