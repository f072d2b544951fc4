"""The simulated driver alone: where its inputs begin, and its inputs read as a loop would read them."""

from __future__ import annotations

from sequencer.clock import VirtualClock
from sequencer.core.events import ButtonShort, Flicked, Occupied, SupplyBack, SwitchOff, SwitchOn
from sequencer.core.reading import next_deadline, read, unread
from sequencer.inputs import open_indicator, open_inputs
from sequencer.inputs.simulated import SimulatedIndicator, SimulatedLine
from sequencer.sitefile.serve import Inputs, Line, Outputs, Serve

SIMULATED = Line(driver="simulated")
ALL = Inputs(switch=SIMULATED, button=SIMULATED, sense=SIMULATED, occupied=SIMULATED)


def test_a_pad_that_nobody_touches_is_switched_on_and_has_its_supply() -> None:
    lines = open_inputs("lap-pool", ALL, lambda *_: None)
    levels = {role: line.read() for role, line in lines.items()}
    assert levels == {"switch": True, "button": False, "sense": True, "occupied": False}


def test_from_a_hand_to_the_cores_events() -> None:
    """The whole way in virtual time: first levels asked for, then changes as they are told, ticks when due."""
    clock, changes = VirtualClock(100.0), []
    lines = open_inputs("lap-pool", ALL, lambda *change: changes.append(change), now=clock.now)
    readings = {role: unread(role, Serve()) for role in lines}
    events = []

    def take(role: str, level: bool | None, at: float) -> None:
        readings[role], more = read(readings[role], level, at)
        events.extend(more)

    def wait_until(end: float) -> None:
        while dues := [
            (due, role) for role, state in readings.items() if (due := next_deadline(state)) is not None
        ]:
            due, role = min(dues)
            if due > end:
                break
            clock.sleep_until(due)
            take(role, None, due)
        clock.sleep_until(end)

    for role, line in lines.items():
        take(role, line.read(), clock.now())
    hand = [
        (108.0, "switch", False),
        (109.0, "switch", True),
        (120.0, "button", True),
        (120.25, "button", False),
    ]
    for at, role, active in hand:
        wait_until(at)
        line = lines[role]
        assert isinstance(line, SimulatedLine)
        line.move(active)
        take(*changes.pop())
    wait_until(200.0)
    assert events == [
        Occupied(100 + 0.03, yes=False), SwitchOn(100 + 0.03), SupplyBack(100 + 0.1),
        SwitchOff(108 + 0.03), Flicked(109 + 0.03), ButtonShort(120.25 + 0.03),
    ]  # fmt: skip
    assert not changes


def test_what_an_indicator_showed() -> None:
    with open_indicator("lap-pool", Outputs(indicator=SIMULATED)) as indicator:
        assert isinstance(indicator, SimulatedIndicator)
        for pattern in ("dark", "slow", "slow", "steady", "fast"):
            indicator.show(pattern)
    assert indicator.shown == ["dark", "slow", "steady", "fast", "dark"]
