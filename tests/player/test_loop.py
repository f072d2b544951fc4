"""The loop in virtual time: exact edges, every way out ends at rest, and the log says what was commanded."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.clock import VirtualClock
from sequencer.errors import HardwareError
from sequencer.player.loop import HEADROOM_S, BrokenOff, EndWhenLit, edges_beyond, play_edges
from sequencer.relay.simulated import SimulatedRelay
from sequencer.train import Delays, Edge, EdgeLog, Pulse, Stamp, Train

DELAYS = Delays((0.25, 0.75), (0.125, 0.375))
TRAIN = Train((Pulse(1.0, 2.0), Pulse(0.5, 1.5), Pulse(3.0, 4.0)), lead_in_s=2.0)
ZERO = 0.5 + HEADROOM_S  # the longer mean delay first, so that the contact can follow


class LateClock(VirtualClock):
    """Wakes ``late`` seconds after every deadline."""

    def __init__(self, late: float) -> None:
        super().__init__()
        self.late = late

    def sleep_until(self, deadline: float) -> None:
        super().sleep_until(deadline + self.late)


class CutClock(VirtualClock):
    """Breaks off in the wait for edge ``number``, at once or ``after`` seconds of it."""

    def __init__(self, number: int, after: float, kind: type[BrokenOff] = BrokenOff) -> None:
        super().__init__()
        self.waits, self.number, self.after, self.kind = 0, number, after, kind

    def sleep_until(self, deadline: float) -> None:
        self.waits += 1
        if self.waits == self.number:
            super().sleep_until(self.now() + self.after)
            raise self.kind("the thumb")
        super().sleep_until(deadline)


def play(clock: VirtualClock, relay: SimulatedRelay, train: Train = TRAIN) -> EdgeLog:
    return play_edges(train.edges(), DELAYS, relay, clock, until_s=train.lead_in_s + train.total_s)


def test_every_command_is_its_mean_delay_before_its_edge() -> None:
    clock = VirtualClock(start=0.0)
    relay = SimulatedRelay(now=clock.now)
    log = play(clock, relay)
    assert log == EdgeLog(
        (
            Stamp(2.0, 1.75, 1.75, False, 1.75),
            Stamp(3.0, 2.5, 2.5, True, 2.5),
            Stamp(5.0, 4.75, 4.75, False, 4.75),
            Stamp(5.5, 5.0, 5.0, True, 5.0),
            Stamp(7.0, 6.75, 6.75, False, 6.75),
            Stamp(10.0, 9.5, 9.5, True, 9.5),
        ),
        "finished",
        rested_s=14.0,
    )
    assert relay.moves == [(0.0, True), *((ZERO + s.commanded_s, s.closed) for s in log.stamps)]


def test_the_first_command_of_a_train_without_lead_in_is_in_time() -> None:
    clock = VirtualClock()
    log = play(clock, SimulatedRelay(now=clock.now), Train((Pulse(1.0, 2.0),)))
    assert log.stamps[0] == Stamp(0.0, -0.25, -0.25, False, -0.25)


def test_the_zero_is_told_before_the_first_edge() -> None:
    clock = VirtualClock(start=100.0)
    told: list[tuple[float, float]] = []
    relay = SimulatedRelay(now=clock.now)
    play_edges(
        (Edge(0.0, False),), DELAYS, relay, clock, on_start=lambda zero: told.append((zero, clock.now()))
    )
    assert told == [(100.0 + ZERO, 100.0)]


@given(late=st.sampled_from([2**-n for n in range(1, 10)]), pulses=st.integers(1, 200))
def test_lateness_does_not_add_up(late: float, pulses: int) -> None:
    clock = LateClock(late)
    log = play(clock, SimulatedRelay(now=clock.now), Train((Pulse(1.0, 1.0),) * pulses))
    assert {stamp.late_s for stamp in log.stamps} == {late}
    assert log.stamps[-1].commanded_s - log.stamps[1].commanded_s == 2.0 * (pulses - 1)


def test_one_late_edge_does_not_make_the_next_late() -> None:
    class Hiccup(VirtualClock):
        def sleep_until(self, deadline: float) -> None:
            late = deadline == ZERO + 2.5
            super().sleep_until(deadline + 0.125 * late)

    clock = Hiccup()
    log = play(clock, SimulatedRelay(now=clock.now))
    assert [stamp.late_s for stamp in log.stamps] == [0.0, 0.125, 0.0, 0.0, 0.0, 0.0]
    assert edges_beyond(log, (0.03,) * 6) == (2,)
    assert edges_beyond(log, (0.125,) * 6) == ()


@pytest.mark.parametrize("number", range(1, 7))
def test_a_relay_that_fails_at_an_edge_is_sent_to_rest(number: int) -> None:
    commands: list[bool] = []

    def fail(closed: bool) -> None:
        commands.append(closed)
        if len(commands) == 1 + number:  # the first command closes, for the lead-in
            raise OSError("the coil is open")

    clock = VirtualClock()
    relay = SimulatedRelay(now=clock.now, before=fail)
    log = play(clock, relay)
    due = TRAIN.edges()[number - 1]
    assert log.outcome == "failed"
    assert log.detail == f"simulated relay: the coil is open after {number - 1} of 6 edges"
    assert [(s.due_s, s.closed) for s in log.stamps] == [
        (e.due_s, e.closed) for e in TRAIN.edges()[: number - 1]
    ]
    assert all(stamp.late_s == 0.0 for stamp in log.stamps)
    assert log.rested_s == due.due_s - (0.5 if due.closed else 0.25)
    assert relay.moves[-1][1] is True
    with pytest.raises(HardwareError, match="already closed"):
        relay.read()


@pytest.mark.parametrize("number", range(1, 8))
@pytest.mark.parametrize("rests_closed", [True, False])
def test_broken_off_in_any_wait_ends_at_rest(number: int, rests_closed: bool) -> None:
    clock = CutClock(number, after=0.125)
    relay = SimulatedRelay(now=clock.now, rests_closed=rests_closed)
    log = play(clock, relay)
    assert (log.outcome, log.detail) == ("broken off", f"the thumb after {number - 1} of 6 edges")
    assert len(log.stamps) == number - 1
    assert log.rests_closed is rests_closed
    assert log.rested_s == clock.now() - ZERO
    assert relay.moves[-1][1] is rests_closed


def test_a_relay_that_rests_open_is_closed_for_the_lead_in_and_held_to_the_end() -> None:
    clock = VirtualClock()
    relay = SimulatedRelay(now=clock.now, rests_closed=False)
    log = play(clock, relay, Train((Pulse(1.0, 2.0),), lead_in_s=4.0))
    assert relay.moves == [
        (0.0, False),
        (0.0, True),
        (ZERO + 3.75, False),
        (ZERO + 4.5, True),
        (ZERO + 7.0, False),
    ]
    assert (log.rested_s, log.rests_closed) == (7.0, False)


def test_nothing_to_send_moves_nothing() -> None:
    clock = VirtualClock()
    relay = SimulatedRelay(now=clock.now, rests_closed=False)
    assert play(clock, relay, Train(())).outcome == "finished"
    assert relay.moves == [(0.0, False)]


class Jammed(SimulatedRelay):
    """Cannot be told to rest."""

    def close(self) -> None:
        super().close()
        raise HardwareError("no way to rest")


def test_rest_that_cannot_be_commanded_is_a_failure_and_said() -> None:
    clock = VirtualClock()
    log = play(clock, Jammed(now=clock.now))
    assert (log.outcome, log.detail, log.rested_s) == ("failed", "no way to rest", None)
    assert len(log.stamps) == 6
    cut = CutClock(2, after=0.0)
    log = play(cut, Jammed(now=cut.now))
    assert (log.outcome, log.detail) == ("failed", "the thumb after 1 of 6 edges; no way to rest")


def test_what_nobody_thought_of_still_ends_at_rest() -> None:
    class Interrupted(VirtualClock):
        def sleep_until(self, _deadline: float) -> None:
            raise KeyboardInterrupt

    relay = SimulatedRelay(rests_closed=False, now=lambda: 0.0)
    with pytest.raises(KeyboardInterrupt):
        play(Interrupted(), relay)
    assert relay.moves == [(0.0, False), (0.0, True), (0.0, False)]


# wait (from 1), commands until the end, when rest is commanded: a break is played out, supply is not
@pytest.mark.parametrize(
    ("wait", "commands", "rested_s"), [(1, 0, 0.5), (2, 2, 2.5), (3, 2, 3.0), (6, 6, 9.5), (7, 6, 10.0)]
)
def test_told_to_end_when_lit_it_plays_out_a_break(wait: int, commands: int, rested_s: float) -> None:
    clock = CutClock(wait, 0.5, EndWhenLit)
    relay = SimulatedRelay(now=clock.now)
    log = play(clock, relay)
    assert (log.outcome, len(log.stamps)) == ("broken off", commands)
    assert log.rested_s == pytest.approx(rested_s - (ZERO if wait == 1 else 0), abs=1e-9)
    assert relay.moves[-1][1]  # lit
    whole = play(VirtualClock(), SimulatedRelay(now=VirtualClock().now))
    assert log.stamps == whole.stamps[:commands]  # no break is cut short
