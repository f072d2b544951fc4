"""The simulated contact: commands in, edges out, within the relay's delays."""

from __future__ import annotations

from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.clock import VirtualClock
from sequencer.errors import HardwareError
from sequencer.relay import Relay
from sequencer.sim.relay import Manner, SimContact
from sequencer.train import Delays

DELAYS = Delays(make_s=(0.005, 0.012), break_s=(0.003, 0.008))


def contact(
    clock: VirtualClock,
    manner: Manner = "mean",
    *,
    normally_closed: bool = True,
    seed: int = 0,
    bounce: bool = False,
) -> SimContact:
    return SimContact(clock, DELAYS, normally_closed, Random(seed), manner=manner, bounce=bounce)


def flick(relay: SimContact, clock: VirtualClock, times: int = 1) -> list[tuple[float, float]]:
    """Open and close each second; the delays of both edges."""
    delays = []
    for second in range(times):
        clock.sleep_until(second)
        relay.set(False)
        opened, _ = relay.edges[-1]
        clock.sleep_until(second + 0.5)
        relay.set(True)
        closed, _ = relay.edges[-1]
        delays.append((opened - second, closed - second - 0.5))
    return delays


@pytest.mark.parametrize(
    ("manner", "delays"),
    [("mean", (0.0055, 0.0085)), ("long breaks", (0.003, 0.012)), ("short breaks", (0.008, 0.005))],
)
def test_fixed_delays(manner: Manner, delays: tuple[float, float]) -> None:
    clock = VirtualClock()
    assert flick(contact(clock, manner), clock) == [pytest.approx(delays)]


def test_extreme_delays_reach_all_four_corners_and_nothing_else() -> None:
    clock = VirtualClock()
    seen = {(round(o, 6), round(c, 6)) for o, c in flick(contact(clock, "extreme"), clock, 60)}
    assert seen == {(o, c) for o in (0.003, 0.008) for c in (0.005, 0.012)}


def test_steady_delays_stay() -> None:
    clock = VirtualClock()
    assert len({(round(o, 9), round(c, 9)) for o, c in flick(contact(clock, "steady"), clock, 20)}) == 1


@settings(deadline=None)
@given(seed=st.integers(), manner=st.sampled_from(["steady", "drawn", "extreme"]), bounce=st.booleans())
def test_every_delay_lies_within_the_relays(seed: int, manner: Manner, bounce: bool) -> None:
    clock = VirtualClock()
    relay = contact(clock, manner, seed=seed, bounce=bounce)
    for opened, closed in flick(relay, clock, 10):
        assert DELAYS.break_s[0] - 1e-9 <= opened <= DELAYS.break_s[1] + 1e-9
        assert DELAYS.make_s[0] - 1e-9 <= closed <= DELAYS.make_s[1] + 1e-9
    assert [at for at, _ in relay.edges] == sorted(at for at, _ in relay.edges)
    assert len(relay.edges) == 10 * (4 if bounce else 2)


def test_a_seed_is_a_relay() -> None:
    def run(seed: int) -> tuple[tuple[float, bool], ...]:
        clock = VirtualClock()
        relay = contact(clock, "drawn", seed=seed)
        flick(relay, clock, 5)
        return relay.edges

    assert run(3) == run(3) != run(4)


def test_the_command_can_be_read_at_once_the_contact_follows() -> None:
    clock = VirtualClock()
    relay = contact(clock)
    assert relay.read()
    relay.set(False)
    assert not relay.read()
    clock.sleep_until(0.0054)
    assert relay.stands_closed()
    clock.sleep_until(0.0056)
    assert not relay.stands_closed()


@pytest.mark.parametrize("normally_closed", [True, False])
def test_close_falls_back_to_rest_and_lets_go(normally_closed: bool) -> None:
    clock = VirtualClock()
    with contact(clock, normally_closed=normally_closed) as relay:
        assert relay.rests_closed is relay.stands_closed() is normally_closed
        relay.set(not normally_closed)
        clock.sleep_until(1.0)
        assert relay.stands_closed() is not normally_closed
    relay.close()
    clock.sleep_until(2.0)
    assert relay.stands_closed() is normally_closed
    assert len(relay.edges) == 2
    for late_call in (relay.read, lambda: relay.set(True)):
        with pytest.raises(HardwareError, match="simulated relay: already closed"):
            late_call()


def test_it_has_the_shape_of_a_relay() -> None:
    relay: Relay = contact(VirtualClock())
    public = {name for name in vars(Relay) if not name.startswith("_")} | {"__enter__", "__exit__"}
    assert {name for name in public if not hasattr(relay, name)} == set()


def test_the_same_command_twice_is_one_edge() -> None:
    relay = contact(VirtualClock())
    relay.set(True)
    relay.set(False)
    relay.set(False)
    assert [closed for _, closed in relay.edges] == [False]


def test_a_sticking_edge_is_late_once() -> None:
    clock = VirtualClock()
    relay = contact(clock)
    relay.stick(0.1)
    assert flick(relay, clock, 2) == [pytest.approx((0.1055, 0.0085)), pytest.approx((0.0055, 0.0085))]


def test_an_edge_does_not_overtake_the_one_before() -> None:
    clock = VirtualClock()
    relay = contact(clock, "short breaks")
    relay.set(False)  # lands at 8 ms
    clock.sleep_until(0.001)
    relay.set(True)  # would land at 6 ms
    assert relay.edges == ((0.008, False), (0.008, True))
