"""What every driver of inputs and indicators must do, run over every driver."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import gpiozero
import pytest

from sequencer.clock import VirtualClock
from sequencer.errors import HardwareError
from sequencer.inputs import Indicator, InputLine, Pattern, open_indicator, open_inputs
from sequencer.inputs.registry import DRIVERS
from sequencer.inputs.simulated import SimulatedIndicator, SimulatedLine
from sequencer.sitefile.serve import Inputs, Line, Outputs

if TYPE_CHECKING:
    from collections.abc import Callable

LINES = {
    "simulated": Line(driver="simulated"),
    "gpio, closed to ground": Line(pin=5),
    "gpio, active high": Line(pin=5, active_high=True),
}


@pytest.fixture(params=LINES.values(), ids=LINES)
def spec(request: pytest.FixtureRequest) -> Line:
    line: Line = request.param
    return line


def at_pin(spec: Line) -> Any:
    return gpiozero.Device.pin_factory.pin(spec.pin)


class Told:
    """Who listens, and the clock of the times."""

    def __init__(self) -> None:
        self.clock = VirtualClock()
        self.changes: list[tuple[str, bool, float]] = []

    def __call__(self, role: str, active: bool, at: float) -> None:
        self.changes.append((role, active, at))


@pytest.fixture
def told() -> Told:
    return Told()


@pytest.fixture
def opened(spec: Line, told: Told) -> Callable[[], InputLine]:
    """Opens a button, which is at rest until somebody presses it."""
    return lambda: open_inputs("plunge-pool", Inputs(button=spec), told, now=told.clock.now)["button"]


@pytest.fixture
def press(spec: Line) -> Callable[[InputLine, bool], None]:
    """Move the wire from outside, as a hand would."""

    def move(line: InputLine, active: bool) -> None:
        if isinstance(line, SimulatedLine):
            line.move(active)
        elif active == spec.active_high:
            at_pin(spec).drive_high()
        else:
            at_pin(spec).drive_low()

    return move


def test_every_driver_is_here() -> None:
    assert {line.driver for line in LINES.values()} == set(DRIVERS)


def test_an_open_wire_is_not_active_and_no_change(opened: Callable[[], InputLine], told: Told) -> None:
    with opened() as line:
        assert line.read() is False
        assert line.notes == ()
    assert told.changes == []


def test_each_change_is_told_with_its_time(
    opened: Callable[[], InputLine], press: Callable[[InputLine, bool], None], told: Told
) -> None:
    with opened() as line:
        for at, active in ((1.0, True), (1.001, False), (1.002, True), (5.0, True), (9.0, False)):
            told.clock.sleep_until(at)
            press(line, active)
            assert line.read() is active
    assert told.changes == [
        ("button", True, 1.0), ("button", False, 1.001), ("button", True, 1.002), ("button", False, 9.0)
    ]  # fmt: skip


def test_a_closed_line_tells_nothing_more(
    spec: Line, opened: Callable[[], InputLine], press: Callable[[InputLine, bool], None], told: Told
) -> None:
    line = opened()
    press(line, True)
    line.close()
    line.close()
    assert told.changes == [("button", True, 0.0)]
    if spec.driver == "gpio":
        press(line, False)
        press(line, True)
    else:
        with pytest.raises(
            HardwareError, match="plunge-pool: button: already closed; open it again to use it"
        ):
            press(line, False)
    assert told.changes == [("button", True, 0.0)]
    with pytest.raises(HardwareError, match=r"plunge-pool: button: .*already closed"):
        line.read()


def test_what_was_closed_can_be_opened_again(
    opened: Callable[[], InputLine], press: Callable[[InputLine, bool], None], told: Told
) -> None:
    first = opened()
    first.close()
    with opened() as line:
        first.close()
        press(line, True)
    assert told.changes == [("button", True, 0.0)]


def test_inputs_are_told_apart(told: Told) -> None:
    pins = {"switch": 5, "button": 6, "sense": 13, "occupied": 19}
    lines = open_inputs("lap-pool", Inputs(**{role: Line(pin=pin) for role, pin in pins.items()}), told)
    assert list(lines) == list(pins)
    for pin in pins.values():
        gpiozero.Device.pin_factory.pin(pin).drive_low()
    assert [(role, active) for role, active, _ in told.changes] == [(role, True) for role in pins]
    for line in lines.values():
        line.close()


def test_no_inputs(told: Told) -> None:
    assert open_inputs("lap-pool", Inputs(), told) == {}
    assert gpiozero.Device.pin_factory is None, "no pin library for what is not there"


# The indicator.


@pytest.fixture
def indicator(spec: Line) -> Indicator:
    found = open_indicator("lap-pool", Outputs(indicator=spec))
    assert found is not None
    return found


@pytest.fixture
def lit(spec: Line) -> Callable[[Indicator], bool]:
    """Whether it is lit, seen from outside."""

    def seen(indicator: Indicator) -> bool:
        if isinstance(indicator, SimulatedIndicator):
            return indicator.shown[-1] == "steady"
        return bool(at_pin(spec).state) == spec.active_high

    return seen


def test_no_indicator() -> None:
    assert open_indicator("lap-pool", Outputs()) is None


def test_dark_at_first_steady_and_dark(indicator: Indicator, lit: Callable[[Indicator], bool]) -> None:
    with indicator:
        assert not lit(indicator)
        indicator.show("steady")
        assert lit(indicator)
        indicator.show("steady")
        assert lit(indicator)
        indicator.show("dark")
        assert not lit(indicator)
    assert indicator.notes == ()


@pytest.mark.parametrize("pattern", ["slow", "fast", "steady", "dark"])
def test_closed_is_closed(indicator: Indicator, pattern: Pattern) -> None:
    indicator.show(pattern)
    indicator.close()
    indicator.close()
    with pytest.raises(HardwareError, match=r"lap-pool: indicator: .*already closed"):
        indicator.show("steady")
