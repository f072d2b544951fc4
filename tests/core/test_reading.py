"""What levels mean: a table of traces, and what holds whatever the trace."""

from __future__ import annotations

from typing import TYPE_CHECKING, get_args

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from sequencer.core.events import (
    ButtonLong,
    ButtonShort,
    Flicked,
    InputIgnored,
    Occupied,
    SwitchOff,
    SwitchOn,
)
from sequencer.core.reading import (
    CHATTER,
    GAP_S,
    STANDS_S,
    STILL_S,
    Heard,
    Kind,
    next_deadline,
    read,
    unread,
)
from sequencer.sitefile.serve import Serve

if TYPE_CHECKING:
    from collections.abc import Iterable

Trace = list[tuple[int, bool | None]]
"""(milliseconds, level), or None for a tick."""
SERVE = Serve(flick_s=2.0, long_press_s=1.5, stuck_s=60.0)
KINDS: tuple[Kind, ...] = get_args(Kind)
kinds = st.sampled_from(KINDS)


def heard(kind: Kind, trace: Iterable[tuple[int, bool | None]]) -> list[Heard]:
    """What comes of a trace."""
    state, events = unread(kind, SERVE), []
    for ms, level in trace:
        state, more = read(state, level, ms / 1000)
        events += more
    return events


def shaken(start: int, every: int, edges: int, ends: bool) -> str:
    """Edges at equal distances, the last of them to ``ends``."""
    levels = ("-", "#") if ends else ("#", "-")
    return " ".join(f"{start + every * i}{levels[(edges - i) % 2 == 1]}" for i in range(edges))


def pulsed(start: int, end: int, period: int, active: int) -> str:
    """An active pulse in every period: how an optocoupler without a capacitor tells of alternating supply."""
    return " ".join(f"{ms}# {ms + active}-" for ms in range(start, end, period))


CASES: dict[str, tuple[Kind, str, str]] = {
    # name: (kind, "MS# active, MS- inactive, MS. a tick", "MS event")
    "switch on at the start": ("switch", "0# 29.", ""),
    "switch on at the start has stood": ("switch", "0# 30.", "30 SwitchOn"),
    "switch off at the start": ("switch", "0- 1000.", "30 SwitchOff"),
    "on after off at the start is no flick": ("switch", "0- 500# 900.", "30 SwitchOff, 530 SwitchOn"),
    "bounce at the start": ("switch", "0# 3- 5# 9- 10# 99.", "40 SwitchOn"),
    "off counts at once": ("switch", "0# 5000- 5030.", "30 SwitchOn, 5030 SwitchOff"),
    "off and on in time": ("switch", "0# 5000- 6000# 9999.", "30 SwitchOn, 5030 SwitchOff, 6030 Flicked"),
    "off and on at the last moment": (
        "switch", "0# 5000- 7000# 9999.", "30 SwitchOn, 5030 SwitchOff, 7030 Flicked"),
    "off and on a moment too late": (
        "switch", "0# 5000- 7001# 9999.", "30 SwitchOn, 5030 SwitchOff, 7031 SwitchOn"),
    "a flick's length has no bounce in it": (
        "switch", "0# 5000- 5004# 5006- 7000# 7003- 7006# 9999.", "30 SwitchOn, 5036 SwitchOff, 7036 Flicked"),
    "each flick counts": (
        "switch", "0# 5000- 5200# 5400- 5600# 5800- 6000# 9999.",
        "30 SwitchOn, 5030 SwitchOff, 5230 Flicked, 5430 SwitchOff, 5630 Flicked, 5830 SwitchOff, 6030 Flicked"),
    "a dip shorter than a level has to stand": ("switch", "0# 5000- 5029# 9999.", "30 SwitchOn"),
    "a dip just as long": ("switch", "0# 5000- 5030# 9999.", "30 SwitchOn, 5030 SwitchOff, 5060 Flicked"),
    "a switch left alone for a year": (
        "switch", "0# 31536000000. 31536001000-  63072000000# 63072000999.",
        "30 SwitchOn, 31536001030 SwitchOff, 63072000030 SwitchOn"),
    "the same level again is no edge": ("switch", "0# 20# 29# 31.", "30 SwitchOn"),
    "49 edges": ("switch", f"0# {shaken(5000, 20, 49, False)} 9999.", "30 SwitchOn, 5990 SwitchOff"),
    "50 edges, on again": (
        "switch", f"0# {shaken(5000, 20, 50, True)} 20000.", "30 SwitchOn, 5980 InputIgnored"),
    "50 edges, off at last": (
        "switch", f"0# {shaken(4980, 20, 51, False)} 20000.", "30 SwitchOn, 5960 InputIgnored, 15980 SwitchOff"),
    "50 edges in more than a second": ("switch", f"0# {shaken(5000, 21, 99, False)} 9999.",
        "30 SwitchOn, 7088 SwitchOff"),
    "50 edges a second, for two minutes": (
        "switch", f"0- {shaken(5000, 20, 6000, False)} 125000. 200000# 200100.",
        "30 SwitchOff, 5980 InputIgnored, 200030 SwitchOn"),
    "a flick before, none after chatter": (
        "switch", f"0# 4500- {shaken(5000, 20, 50, False)} 15980# 20000.",
        "30 SwitchOn, 4530 SwitchOff, 5980 InputIgnored, 16010 SwitchOn"),
    "off, and on through chatter, is no flick": (
        "switch",
        f"0# 4500- {shaken(5000, 20, 51, True)} 20000.",
        "30 SwitchOn, 4530 SwitchOff, 5980 InputIgnored, 16000 SwitchOn",
    ),
    "chatter from the start": (
        "switch", f"{shaken(0, 10, 60, True)} 20000.", "500 InputIgnored, 10590 SwitchOn"),
    "chatter a second time is said a second time": (
        "switch", f"0# {shaken(5000, 20, 50, True)} {shaken(30000, 20, 50, True)} 50000.",
        "30 SwitchOn, 5980 InputIgnored, 30980 InputIgnored"),
    "button not pressed": ("button", "0- 99999.", ""),
    "button pressed": ("button", "0- 5000# 5200- 5230.", "5230 ButtonShort"),
    "button let go in the last moment": ("button", "0- 5000# 6499- 9999.", "6529 ButtonShort"),
    "button let go a moment too late": ("button", "0- 5000# 6500- 9999.", "6500 ButtonLong"),
    "button held": ("button", "0- 5000# 6500. 9000- 9999.", "6500 ButtonLong"),
    "button let go for less than has to stand": ("button", "0- 5000# 6490- 6510# 9999.", "6510 ButtonLong"),
    "two presses": ("button", "0- 5000# 5100- 5200# 5300- 9999.", "5130 ButtonShort, 5330 ButtonShort"),
    "a press too short to count": ("button", "0- 5000# 5029- 9999.", ""),
    "button stuck": (
        "button", "0- 5000# 100000- 101000# 101500- 109999.",
        "6500 ButtonLong, 65000 InputIgnored, 101530 ButtonShort"),
    "button let go just before it is stuck": ("button", "0- 5000# 64999- 70000.", "6500 ButtonLong"),
    "button pressed at the start": ("button", "0# 5000- 6000# 6100- 9999.", "6130 ButtonShort"),
    "button stuck at the start": ("button", "0# 99999- 999999.", "60000 InputIgnored"),
    "button chatters": ("button", f"0- {shaken(5000, 20, 50, False)} 30000# 30100- 40000.",
        "5980 InputIgnored, 30130 ButtonShort"),
    "button chatters and stays pressed": (
        "button", f"0- {shaken(4980, 20, 51, True)} 99999- 100500# 100600- 109999.",
        "5960 InputIgnored, 100630 ButtonShort"),
    "button stuck, then chatters": (
        "button", f"0- 5000# {shaken(100000, 20, 52, False)} 130000# 130500- 139999.",
        "6500 ButtonLong, 65000 InputIgnored, 130530 ButtonShort"),
    "supply there at the start": ("sense", "0# 100.", "100 SupplyBack"),
    "no supply at the start": ("sense", "0- 200.", "100 SupplyLost"),
    "supply lost and back": ("sense", "0# 5000- 9000# 9999.", "100 SupplyBack, 5150 SupplyLost, 9100 SupplyBack"),
    "a blip that cannot be seen": ("sense", "0# 5000- 5149# 9999.", "100 SupplyBack"),
    "supply that comes in fits": ("sense", "0- 5000# 5020- 5090# 5189. 5190.", "100 SupplyLost, 5190 SupplyBack"),
    "a spike": ("sense", "0- 5000# 5001- 9999.", "100 SupplyLost"),
    # Half-wave at 50 Hz: one pulse in 20 ms. Full-wave at 60 Hz: active but for 1 ms at each zero, every 8.3 ms.
    "50 Hz, one pulse a period": (
        "sense", f"{pulsed(0, 4000, 20, 7)} 9999.", "100 SupplyBack, 4137 SupplyLost"),
    "60 Hz, a gap at each zero": (
        "sense", f"{pulsed(0, 4000, 8, 7)} 9999.", "100 SupplyBack, 4149 SupplyLost"),
    "50 Hz, one period left out": (
        "sense", f"{pulsed(0, 2000, 20, 7)} {pulsed(2020, 4000, 20, 7)} 3999.", "100 SupplyBack"),
    "sense flaps": (
        "sense", f"0# {pulsed(5000, 9000, 60, 5)} 30000.",
        "100 SupplyBack, 5600 InputIgnored, 5600 SupplyLost, 5600 SupplyBack, 19015 SupplyLost"),
    "sense flaps, and then there is supply: the lamps may have heard it": (
        "sense", f"0# {pulsed(5000, 6000, 60, 5)} 7000# 30000.",
        "100 SupplyBack, 5600 InputIgnored, 5600 SupplyLost, 5600 SupplyBack, 17000 SupplyLost, 17000 SupplyBack"),
    "sense flaps where no supply was": (
        "sense", f"0- 200. {pulsed(5000, 6000, 60, 5)} 30000.", "100 SupplyLost, 5595 InputIgnored"),
    "nobody in the water": ("occupied", "0- 99.", "30 Occupied no"),
    "people come and go": (
        "occupied", "0- 5000# 905000- 905999.", "30 Occupied no, 5030 Occupied yes, 905030 Occupied no"),
    "the occupied sensor flickers": (
        "occupied", f"0- {shaken(5000, 10, 80, True)} 20000.", "30 Occupied no, 5500 InputIgnored, 15790 Occupied yes"),
}  # fmt: skip


def trace_of(words: str) -> Trace:
    meaning = {"#": True, "-": False, ".": None}
    return [(int(word[:-1]), meaning[word[-1]]) for word in words.split()]


def said(events: list[Heard]) -> str:
    def name(event: Heard) -> str:
        yes = {True: " yes", False: " no"}[event.yes] if isinstance(event, Occupied) else ""
        return f"{round(event.at * 1000)} {type(event).__name__}{yes}"

    return ", ".join(name(event) for event in events)


@pytest.mark.parametrize(("kind", "trace", "events"), CASES.values(), ids=CASES)
def test_what_comes_of_a_trace(kind: Kind, trace: str, events: str) -> None:
    assert said(heard(kind, trace_of(trace))) == events


def test_a_warning_says_which_input_why_and_until_when() -> None:
    (stuck,) = heard("button", trace_of("0# 60000."))
    (shaking,) = heard("sense", trace_of(f"{pulsed(0, 700, 60, 5)}"))
    assert isinstance(stuck, InputIgnored)
    assert isinstance(shaking, InputIgnored)
    assert stuck.why == "the button has been held for 60 s: ignored until let go"
    assert shaking.why == "the sense input chatters (20 edges in a second): ignored until still for 10 s"


def test_the_loop_is_told_when_to_come_back() -> None:
    state = unread("button", SERVE)
    assert next_deadline(state) is None
    dues = []
    for level, at in ((False, 0.0), (None, 1.0), (True, 2.0), (None, 3.0), (None, 4.0), (None, 70.0)):
        state, _ = read(state, level, at)
        dues.append(next_deadline(state))
    assert dues == [0.03, None, 2.03, 3.5, 62.0, None]


def test_a_moment_before_an_earlier_one_is_that_one() -> None:
    state, _ = read(unread("switch", SERVE), None, 5.0)
    state, _ = read(state, True, 4.9)
    assert next_deadline(state) == 5.03


def test_ignored_is_known_until_it_is_listened_to_again() -> None:
    state = unread("button", SERVE)
    known = []
    for ms, level in trace_of("0- 5000# 64999. 65000. 99000- 99029. 99030."):
        state, _ = read(state, level, ms / 1000)
        known.append(state.ignored)
    assert known == [False, False, False, True, True, True, False]
    for ms, level in trace_of(shaken(100000, 20, 49, True)):
        state, _ = read(state, level, ms / 1000)
    known = []
    for ms, level in trace_of("100980- 100990# 120000. 130000- 130030."):
        state, _ = read(state, level, ms / 1000)
        known.append(state.ignored)
    assert known == [True, True, True, True, False]


traces = st.lists(
    st.tuples(
        st.sampled_from([1, 3, 10, 19, 20, 29, 30, 31, 49, 50, 100, 700, 1999, 2000, 9999, 10_000, 61_000]),
        st.sampled_from([True, False, None]),
    ),
    max_size=80,
).map(lambda steps: [(sum(ms for ms, _ in steps[: i + 1]), level) for i, (_, level) in enumerate(steps)])
calm = st.lists(st.sampled_from([200, 700, 1960, 2040, 9999, 61_000]), max_size=12)


@given(kinds, traces, st.booleans())
@example(
    "switch", trace_of(f"{shaken(0, 10, 200, True)} 15000. {shaken(15000, 10, 200, False)} 99999."), False
)
@example("sense", trace_of(f"{pulsed(0, 2000, 60, 5)} 15000."), False)
def test_no_news_twice(kind: Kind, trace: Trace, active: bool) -> None:
    """On, or flicked on, then off, then on; lost, back, lost; and time never runs back."""
    events = heard(kind, [(0, active), *trace, (10_000_000, None)])
    assert [event.at for event in events] == sorted(event.at for event in events)
    if kind != "button":
        news = [event for event in events if not isinstance(event, InputIgnored)]
        meant = [
            event.yes
            if isinstance(event, Occupied)
            else type(event).__name__ in ("SwitchOn", "Flicked", "SupplyBack")
            for event in news
        ]
        assert all(one != next_ for one, next_ in zip(meant, meant[1:], strict=False))
        assert meant, "an input that has stood says how"
        last = next((level for _, level in reversed(trace) if level is not None), active)
        assert meant[-1] == last, "in the end it is known how it stands"


@given(kinds, traces, st.lists(st.integers(0, 100_000), max_size=30))
def test_more_ticks_change_nothing(kind: Kind, trace: Trace, ticks: list[int]) -> None:
    end = (10_000_000, None)
    more = sorted([*trace, *((ms, None) for ms in ticks)], key=lambda step: step[0])
    assert heard(kind, [*trace, end]) == heard(kind, [*more, end])


@given(kinds, traces)
def test_coming_back_at_each_deadline_misses_nothing(kind: Kind, trace: Trace) -> None:
    """As the loop does: every event is had at the moment it is due."""
    state, events, late = unread(kind, SERVE), [], []
    for ms, level in [*trace, (10_000_000, None)]:
        while (due := next_deadline(state)) is not None and due <= ms / 1000:
            state, more = read(state, None, due)
            events += more
            late += [event for event in more if event.at != due]
        state, more = read(state, level, ms / 1000)
        events += more
        late += [event for event in more if event.at != ms / 1000]
    assert events == heard(kind, [*trace, (10_000_000, None)])
    assert not late


@given(
    st.sampled_from(["switch", "button", "occupied"]),
    calm,
    st.lists(st.lists(st.integers(1, 3), max_size=5).map(lambda gaps: gaps[: len(gaps) // 2 * 2]), min_size=13,
        max_size=13),
)  # fmt: skip
def test_bounce_changes_no_event_but_its_time(
    kind: Kind, lengths: list[int], bounces: list[list[int]]
) -> None:
    """Each edge comes up to 12 ms early, and bounces until the moment at which a clean contact would close."""
    clean: Trace = [(0, False)]
    for length in lengths:
        clean.append((clean[-1][0] + length, not clean[-1][1]))
    bounced: Trace = []
    for (ms, level), gaps in zip(clean, bounces, strict=False):
        bounced += [(ms - sum(gaps[i:]), level != (i % 2 == 1)) for i in range(len(gaps))]
        bounced.append((ms, level))
    end = (10_000_000, None)
    assert heard(kind, [*bounced, end]) == heard(kind, [*clean, end])


@given(kinds, st.booleans(), calm, st.integers(1, 15), st.sampled_from([1, 3]))
def test_noise_shorter_than_has_to_stand_is_nothing(
    kind: Kind, first: bool, lengths: list[int], noise: int, times: int
) -> None:
    clean: Trace = [(0, first)]
    noisy: Trace = [(0, first)]
    for length in lengths:
        ms, level = clean[-1][0] + length, not clean[-1][1]
        clean.append((ms, level))
        noisy.append((ms, level))
        for i in range(times):  # well after the edge, and in a gap of a sense well before the next
            noisy += [(ms + 90 + 33 * i, not level), (ms + 90 + 33 * i + noise, level)]
    if kind == "sense":
        noisy = [*clean, (clean[-1][0] + 300, not clean[-1][1]), (clean[-1][0] + 300 + noise, clean[-1][1])]
    end = (10_000_000, None)
    assert heard(kind, [*noisy, end]) == heard(kind, [*clean, end])


@given(kinds, st.lists(st.tuples(st.integers(1, 70), st.integers(1, 300)), min_size=1, max_size=5))
def test_one_warning_for_one_bad_spell(kind: Kind, bursts: list[tuple[int, int]]) -> None:
    """However it shakes: as long as it has never been still for long enough, and was warned of, no more is said."""
    ms, trace = 0, [(0, False)]
    for every, edges in bursts:
        for _ in range(edges):
            ms += 51 + every % 20 if kind == "sense" else every  # quicker pulses are supply, and still
            trace.append((ms, not trace[-1][1]))
    warnings = [event for event in heard(kind, trace) if isinstance(event, InputIgnored)]
    assert len(warnings) <= 1
    after = [
        event for event in heard(kind, [*trace, (ms + 9999, None)]) if warnings and event.at > warnings[0].at
    ]
    assert not after


@given(traces, st.booleans())
def test_a_button_says_one_thing_for_each_press(trace: Trace, pressed: bool) -> None:
    """Never more than it was pressed; none for one that was pressed already."""
    events = heard("button", [(0, pressed), *trace, (10_000_000, None)])
    levels = [pressed, *(level for _, level in trace if level is not None)]
    presses = sum(not one and two for one, two in zip(levels, levels[1:], strict=False))
    assert sum(isinstance(event, ButtonShort | ButtonLong) for event in events) <= presses


def test_every_kind_has_its_times() -> None:
    assert set(STANDS_S) == set(CHATTER) == set(KINDS)
    assert min(STANDS_S.values()) > 3 * 0.005, (
        "bounce of relay contacts: 1 to 5 ms (IEC 61810-1 terms, from memory)"
    )
    assert GAP_S > 2 / 50, "one pulse may be missed at the lower standard frequency (IEC 60038: 50 and 60 Hz)"
    assert STANDS_S["sense"] > GAP_S, "otherwise one spike would be supply"
    assert CHATTER["sense"] < 2 / GAP_S, "otherwise a sense could never chatter"
    assert Serve.model_fields["flick_s"].default < STILL_S
    assert {SwitchOn, SwitchOff, Flicked} <= set(get_args(Heard))
