"""The GPIO driver alone: pulls, pins and libraries that are not there, and a lamp that blinks."""

from __future__ import annotations

import subprocess
import sys
import warnings
from threading import Event
from typing import TYPE_CHECKING

import gpiozero
import pytest
from gpiozero.pins.mock import MockFactory, MockPin

from sequencer.errors import HardwareError, InputError
from sequencer.inputs import Pattern, open_indicator, open_inputs
from sequencer.inputs.indicator import BLINK_S
from sequencer.sitefile.serve import Inputs, Line, Outputs

if TYPE_CHECKING:
    from pytest_mock import MockerFixture


def ignore(_role: str, _active: bool, _at: float) -> None:
    """Listens to nothing."""


@pytest.mark.parametrize(("active_high", "pull"), [(False, "up"), (True, "down")])
def test_an_open_wire_is_pulled_to_where_it_is_not_active(active_high: bool, pull: str) -> None:
    lines = open_inputs("lap-pool", Inputs(switch=Line(pin=5, active_high=active_high)), ignore)
    assert gpiozero.Device.pin_factory.pin(5).pull == pull
    assert gpiozero.Device.pin_factory.pin(5).bounce is None
    assert lines["switch"].read() is False


def test_a_pin_that_the_board_pulls_up() -> None:
    with pytest.raises(
        InputError, match=r"lap-pool: sense: pin 2: the board pulls this pin one way .*; close it"
    ):
        open_inputs("lap-pool", Inputs(sense=Line(pin=2, active_high=True)), ignore)
    open_inputs("lap-pool", Inputs(sense=Line(pin=2)), ignore)["sense"].close()


@pytest.mark.parametrize("pin", [99, "GPIO99", "BOARD1"])
def test_no_such_pin(pin: int | str) -> None:
    with pytest.raises(InputError, match=f"lap-pool: button: pin {pin}: gpiozero knows no such pin"):
        open_inputs("lap-pool", Inputs(button=Line(pin=pin)), ignore)
    with pytest.raises(InputError, match=f"lap-pool: indicator: pin {pin}: gpiozero knows no such pin"):
        open_indicator("lap-pool", Outputs(indicator=Line(pin=pin)))


def test_one_that_cannot_be_had_leaves_none_open() -> None:
    with pytest.raises(InputError, match="sense: pin 99"):
        open_inputs("lap-pool", Inputs(switch=Line(pin=5), sense=Line(pin=99)), ignore)
    open_inputs("lap-pool", Inputs(switch=Line(pin=5)), ignore)["switch"].close()


def test_a_pin_in_use() -> None:
    with (
        open_inputs("lap-pool", Inputs(switch=Line(pin=5)), ignore)["switch"],
        pytest.raises(HardwareError, match=r"plunge-pool: switch: pin 5: cannot be opened: .*in use"),
    ):
        open_inputs("plunge-pool", Inputs(switch=Line(pin=5)), ignore)


def test_no_pin_library_works_here(mocker: MockerFixture, monkeypatch: pytest.MonkeyPatch) -> None:
    """As on a machine that is no board: gpiozero falls back from each of its libraries, and then gives up."""

    def give_up() -> None:
        warnings.warn(gpiozero.PinFactoryFallback("Falling back from lgpio: no chip"), stacklevel=1)
        raise gpiozero.BadPinFactory("Unable to load any default pin factory!")

    monkeypatch.delenv("GPIOZERO_PIN_FACTORY")
    mocker.patch.object(gpiozero.Device, "_default_pin_factory", give_up)
    with pytest.raises(
        HardwareError,
        match=r"lap-pool: switch: pin 5: no pin library works here \(Falling back from lgpio: no chip\)\. .*simulated",
    ):
        open_inputs("lap-pool", Inputs(switch=Line(pin=5)), ignore)


def test_what_gpiozero_fell_back_from_is_told(mocker: MockerFixture, monkeypatch: pytest.MonkeyPatch) -> None:
    def fall_back() -> MockFactory:
        warnings.warn(gpiozero.PinFactoryFallback("Falling back from lgpio: no chip"), stacklevel=1)
        return MockFactory()

    monkeypatch.delenv("GPIOZERO_PIN_FACTORY")
    mocker.patch.object(gpiozero.Device, "_default_pin_factory", fall_back)
    with open_inputs("lap-pool", Inputs(switch=Line(pin=5)), ignore)["switch"] as line:
        assert line.notes == ("lap-pool: switch: pin 5: gpiozero: Falling back from lgpio: no chip",)


def test_a_pin_that_cannot_be_read_or_let_go(mocker: MockerFixture) -> None:
    line = open_inputs("lap-pool", Inputs(switch=Line(pin=5)), ignore)["switch"]
    mocker.patch.object(MockPin, "_get_state", side_effect=OSError("the chip is gone"))
    with pytest.raises(HardwareError, match="lap-pool: switch: pin 5: could not be read: the chip is gone"):
        line.read()
    mocker.patch.object(MockPin, "close", side_effect=OSError("stuck"))
    with pytest.raises(HardwareError, match="lap-pool: switch: pin 5: could not be let go: stuck"):
        line.close()
    line.close()


@pytest.mark.parametrize("pattern", ["slow", "fast"])
def test_a_lamp_that_blinks_goes_on_blinking_until_told_otherwise(
    pattern: Pattern, mocker: MockerFixture
) -> None:
    """With no time between the edges, so that a thread soon makes many; how many is not asked."""
    edges, enough, write = [], Event(), MockPin._set_state

    def watched(pin: MockPin, level: bool) -> None:
        write(pin, level)
        edges.append(bool(level))
        if len(edges) >= 9:
            enough.set()

    indicator = open_indicator("lap-pool", Outputs(indicator=Line(pin=26, active_high=True)))
    assert indicator is not None
    mocker.patch.object(MockPin, "_set_state", watched)
    mocker.patch.dict(BLINK_S, {pattern: (0.0, 0.0)})
    with indicator:
        indicator.show(pattern)
        assert enough.wait(timeout=60)
        indicator.show("steady")
        assert gpiozero.Device.pin_factory.pin(26).state is True
        blinked = len(edges) - 1
        assert edges[:blinked] == [i % 2 == 0 for i in range(blinked)]
        indicator.show("steady")
        assert len(edges) == blinked + 1
    assert gpiozero.Device.pin_factory.pin(26).function == "input"


def test_how_fast_it_blinks_and_that_it_is_not_begun_anew(mocker: MockerFixture) -> None:
    blink = mocker.spy(gpiozero.LED, "blink")
    indicator = open_indicator("lap-pool", Outputs(indicator=Line(pin=26)))
    assert indicator is not None
    with indicator:
        for pattern in ("slow", "slow", "fast", "steady", "fast"):
            indicator.show(pattern)
    assert [call.args[1:] for call in blink.call_args_list] == [(1.0, 1.0), (0.25, 0.25), (0.25, 0.25)]


def test_no_pattern_flashes_more_than_three_times_a_second() -> None:
    """WCAG 2.2, success criterion 2.3.1."""
    assert all(1 / (on_s + off_s) <= 3 for on_s, off_s in BLINK_S.values())


def test_a_lamp_that_the_hardware_refuses_is_said_tried_again_and_let_go(mocker: MockerFixture) -> None:
    indicator = open_indicator("lap-pool", Outputs(indicator=Line(pin=26)))
    assert indicator is not None
    fault = mocker.patch.object(MockPin, "_set_state", side_effect=OSError("the line is down"))
    with pytest.raises(HardwareError, match="pin 26: could not be set to steady: the line is down"):
        indicator.show("steady")
    with pytest.raises(HardwareError, match="pin 26: could not be set to dark: the line is down"):
        indicator.close()
    mocker.stop(fault)
    again = open_indicator("lap-pool", Outputs(indicator=Line(pin=26)))
    assert again is not None
    again.close()


def test_gpiozero_is_not_imported_before_a_pin_is_opened() -> None:
    code = (
        "import sys, sequencer.inputs.gpio; from sequencer.inputs import open_inputs; "
        "from sequencer.sitefile.serve import Inputs, Line; "
        "open_inputs('lap-pool', Inputs(switch=Line(driver='simulated')), print)['switch'].close(); "
        "assert 'gpiozero' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True, env={"PYTHONPATH": ":".join(sys.path)})
