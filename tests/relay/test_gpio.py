"""The GPIO driver alone: pins that are not there, libraries that are not there, lines that are down."""

from __future__ import annotations

import subprocess
import sys
import warnings
from importlib.metadata import entry_points
from types import ModuleType
from typing import TYPE_CHECKING

import gpiozero
import pytest
from gpiozero.pins.mock import MockFactory, MockPin

from sequencer.errors import HardwareError, InputError
from sequencer.relay.gpio import FACTORIES, GpioRelay, open_

if TYPE_CHECKING:
    from pathlib import Path

    from pytest_mock import MockerFixture

SPEC = {"driver": "gpio", "pin": 17, "contact": "normally_closed"}


@pytest.mark.parametrize("pin", ["GPIO17", "BCM17", "BOARD11", "J8:11", 17, "17"])
def test_a_pin_by_any_of_its_names(pin: int | str) -> None:
    with open_({**SPEC, "pin": pin}) as relay:
        relay.set(False)
        assert gpiozero.Device.pin_factory.pin(17).state is True


@pytest.mark.parametrize("pin", [99, "GPIO99", "BOARD1", "tap"])
def test_no_such_pin(pin: int | str) -> None:
    with pytest.raises(InputError, match=f"relay on pin {pin}: gpiozero knows no such pin"):
        open_({**SPEC, "pin": pin})


@pytest.mark.parametrize("pin", [None, True, 1.5])
def test_not_a_pin(pin: object) -> None:
    with pytest.raises(InputError, match="write a number"):
        open_({**SPEC, "pin": pin})


def test_active_high_in_other_words() -> None:
    with pytest.raises(InputError, match="write true or false"):
        open_({**SPEC, "active_high": "no"})


def test_a_pin_in_use() -> None:
    with open_(SPEC), pytest.raises(HardwareError, match=r"relay on pin 17: cannot be opened: .*in use"):
        open_(SPEC)


def test_a_pin_library_that_is_not_there(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "quill")
    with pytest.raises(
        HardwareError, match=r"no pin library works here \(Unable to find pin factory 'quill'"
    ):
        open_(SPEC)


def test_the_factories_that_are_found_by_name_are_gpiozeros_own() -> None:
    registered = {point.name: point.value for point in entry_points(group="gpiozero_pin_factories")}
    assert {name: f"gpiozero.pins.{name}:{factory}" for name, factory in FACTORIES.items()} == registered


@pytest.mark.parametrize("name", ["mock", "Mock", "MOCK"])
def test_a_factory_by_its_name(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", name)
    with open_(SPEC):
        assert type(gpiozero.Device.pin_factory) is MockFactory


def test_gpiozero_is_imported_as_it_stands_and_leaves_no_stand_in() -> None:
    code = (
        "import sys; from sequencer.relay import open_relay; "
        f"relay = open_relay({SPEC!r}); "
        "assert 'importlib_metadata' not in sys.modules; assert 'importlib.metadata' not in sys.modules; "
        "import gpiozero, importlib.metadata as real; "
        "group = dict(group='gpiozero_pin_factories'); "
        "assert gpiozero.devices.entry_points(**group) == real.entry_points(**group); "
        "relay.close()"
    )
    environment = {"PYTHONPATH": ":".join(sys.path), "GPIOZERO_PIN_FACTORY": "mock"}
    subprocess.run([sys.executable, "-S", "-c", code], check=True, env=environment)


def test_a_backport_that_is_there_is_back_afterwards(monkeypatch: pytest.MonkeyPatch) -> None:
    backport = ModuleType("importlib_metadata")
    monkeypatch.setitem(sys.modules, "importlib_metadata", backport)
    with open_(SPEC):
        assert sys.modules["importlib_metadata"] is backport


def test_what_gpiozero_fell_back_from_is_told(mocker: MockerFixture, monkeypatch: pytest.MonkeyPatch) -> None:
    def fall_back() -> MockFactory:
        warnings.warn(gpiozero.PinFactoryFallback("Falling back from lgpio: no chip"), stacklevel=1)
        return MockFactory()

    monkeypatch.delenv("GPIOZERO_PIN_FACTORY")
    mocker.patch.object(gpiozero.Device, "_default_pin_factory", fall_back)
    with open_(SPEC) as relay:
        assert relay.notes == ("relay on pin 17: gpiozero: Falling back from lgpio: no chip",)


def _refuse(monkeypatch: pytest.MonkeyPatch, times: int) -> None:
    left, before = [times], MockPin._set_state

    def write(pin: MockPin, level: bool) -> None:
        if left[0]:
            left[0] -= 1
            raise OSError("the line is down")
        before(pin, level)

    monkeypatch.setattr(MockPin, "_set_state", write)


def test_close_goes_round_a_device_that_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    relay = open_(SPEC)
    relay.set(False)
    _refuse(monkeypatch, 1)
    relay.close()
    assert gpiozero.Device.pin_factory.pin(17).state is False


def test_close_says_when_no_way_is_left_and_gives_the_pin_back(monkeypatch: pytest.MonkeyPatch) -> None:
    relay = open_(SPEC)
    relay.set(False)
    _refuse(monkeypatch, 99)
    with pytest.raises(HardwareError, match=r"could not be told to rest .* the pin was given back: check"):
        relay.close()
    relay.close()
    assert gpiozero.Device.pin_factory.pin(17).function == "input"


def test_close_says_when_the_pin_cannot_be_given_back(mocker: MockerFixture) -> None:
    relay = open_(SPEC)
    relay.set(False)
    mocker.patch.object(MockPin, "close", side_effect=OSError("stuck"))
    with pytest.raises(HardwareError, match="at rest, but the pin was not given back: stuck"):
        relay.close()
    assert gpiozero.Device.pin_factory.pin(17).state is False


class Chip:
    """Stands for the calls of lgpio that a pin needs, and writes down every level an output was given."""

    def __init__(self) -> None:
        self.output_levels: list[int] = []
        self.is_output = False

    def claim_input(self, _handle: int, _gpio: int, _flags: int) -> None:
        self.is_output, self.claimed = False, True

    def claim_output(self, _handle: int, _gpio: int, level: int = 0, _flags: int = 0) -> None:
        self.is_output = self.claimed = True
        self.output_levels.append(level)

    def free(self, _handle: int, _gpio: int) -> None:
        self.claimed = False

    def write(self, _handle: int, _gpio: int, level: int) -> None:
        self.output_levels.append(int(level))

    def read(self, _handle: int, _gpio: int) -> int:
        return self.output_levels[-1]

    def mode(self, _handle: int, _gpio: int) -> int:
        return 2 * self.is_output  # LGPIOPin.GPIO_IS_OUT


@pytest.mark.parametrize(("active_high", "coil_off"), [(True, 0), (False, 1)])
def test_opening_through_lgpio_never_shows_the_coil_another_level(
    active_high: bool,
    coil_off: int,
    mocker: MockerFixture,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)  # lgpio makes a pipe where it is imported
    import lgpio
    from gpiozero.pins.lgpio import LGPIOFactory

    chip = Chip()
    mocker.patch.object(LGPIOFactory, "_get_revision", return_value=0xC03111)  # some board with 40 pins
    mocker.patch.multiple(
        lgpio,
        gpiochip_open=lambda _chip: 0,
        gpiochip_close=lambda _handle: 0,
        gpio_claim_input=chip.claim_input,
        gpio_claim_output=chip.claim_output,
        gpio_free=chip.free,
        gpio_write=chip.write,
        gpio_read=chip.read,
        gpio_get_mode=chip.mode,
    )
    gpiozero.Device.pin_factory = LGPIOFactory()
    relay = GpioRelay(17, rests_closed=True, active_high=active_high)
    assert chip.output_levels == [coil_off]
    relay.set(False)
    assert relay.read() is False
    relay.set(True)
    assert chip.output_levels == [coil_off, 1 - coil_off, coil_off]
    relay.close()
    assert chip.output_levels == [coil_off, 1 - coil_off, coil_off, coil_off]
    assert not chip.is_output
    assert not chip.claimed  # for another process to have
    gpiozero.Device.pin_factory.close()


def test_gpiozero_is_not_imported_before_a_pin_is_opened() -> None:
    code = (
        "import sys, sequencer.relay.gpio as g; assert 'gpiozero' not in sys.modules; "
        "from sequencer.relay import open_relay; "
        "open_relay({'driver': 'simulated', 'contact': 'normally_closed'}).close(); "
        "assert 'gpiozero' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True, env={"PYTHONPATH": ":".join(sys.path)})
