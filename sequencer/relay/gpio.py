"""A relay on a pin of the board, through gpiozero.

Which library moves the pin is gpiozero's choice, by its own rules: ``GPIOZERO_PIN_FACTORY`` names one
("mock" in tests), otherwise lgpio, rpigpio, pigpio and native are tried in this order. gpiozero is
imported when a relay is opened and not before.

Not proven here: no real GPIO chip was at hand. What gpiozero and lgpio do is read from their sources
(gpiozero 2.0.1, lgpio 0.2.2); see ``docs/relays.md`` for what to measure on the board.
"""

from __future__ import annotations

import os
import sys
import warnings
from contextlib import contextmanager
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any, Self

from sequencer.errors import HardwareError, InputError
from sequencer.relay.protocol import rests_closed, try_all

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from types import TracebackType


class GpioRelay:
    """A contact whose coil is driven by one pin. The coil is off at rest and when opened.

    :param pin: as gpiozero writes pins: 17, "GPIO17", "BOARD11", ...
    :param rests_closed: True for a normally closed contact.
    :param active_high: the coil is on when the pin is high; False for boards that switch on low.
    :raises InputError: gpiozero knows no such pin.
    :raises HardwareError: no pin library works here, or the pin is not permitted or in use.
    """

    line_delay_s = (0.0, 0.0)
    waited_s = 0.0
    set_takes_s = 0.0

    def __init__(self, pin: int | str, *, rests_closed: bool, active_high: bool) -> None:
        self.rests_closed = rests_closed
        self.notes: tuple[str, ...] = ()
        self._name = f"relay on pin {pin}"
        self._coil: Any = None
        with warnings.catch_warnings(record=True) as caught, _metadata_when_asked():
            warnings.simplefilter("always")
            try:
                import gpiozero  # noqa: PLC0415 - a heavy import, and only a board needs it
            except ImportError as error:
                raise HardwareError(f"{self._name}: gpiozero cannot be imported ({error})") from error
            try:
                _choose_factory(gpiozero.Device)
                _claim_at_level(gpiozero.Device.pin_factory)
                self._coil = gpiozero.DigitalOutputDevice(pin, active_high=active_high, initial_value=False)
            except (gpiozero.PinInvalidPin, gpiozero.GPIOPinMissing) as error:
                raise InputError(
                    f"{self._name}: gpiozero knows no such pin on this board; "
                    'write a number, "GPIO17" or "BOARD11"'
                ) from error
            except gpiozero.BadPinFactory as error:
                raise HardwareError(_no_library(self._name, error, caught)) from error
            except Exception as error:
                raise HardwareError(f"{self._name}: cannot be opened: {_said(error)}") from error
        self.notes = tuple(f"{self._name}: gpiozero: {warning.message}" for warning in caught)

    def set(self, closed: bool) -> None:
        """Switch the coil."""
        coil = self._open_coil()
        try:
            coil.value = closed != self.rests_closed
        except Exception as error:
            raise HardwareError(f"{self._name}: could not be switched: {_said(error)}") from error

    def read(self) -> bool | None:
        """The contact's commanded position, from the level of the pin: a stuck contact does not show."""
        coil = self._open_coil()
        try:
            return bool(coil.value) != self.rests_closed
        except Exception as error:
            raise HardwareError(f"{self._name}: could not be read: {_said(error)}") from error

    def close(self) -> None:
        """Coil off, through the device, else straight on its pin; then the pin is given back.

        gpiozero gives a pin back as an input: from then on the board's pull resistor holds the coil off.
        """
        coil, self._coil = self._coil, None
        if coil is None:
            return
        off = try_all([coil.off])
        if off:
            straight = try_all([lambda: setattr(coil.pin, "state", not coil.active_high)])
            off = off + straight if straight else ()
        release = try_all([coil.close])
        if off:
            raise HardwareError(
                f"{self._name}: could not be told to rest ({'; '.join(map(_said, off))}); "
                + ("nor was the pin given back: cut" if release else "the pin was given back: check")
                + " the supply of the relay and see that the contact falls back"
            )
        if release:
            raise HardwareError(f"{self._name}: at rest, but the pin was not given back: {_said(release[0])}")

    def _open_coil(self) -> Any:
        if self._coil is None:
            raise HardwareError(f"{self._name}: already closed; open it again to use it")
        return self._coil

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open_(spec: Mapping[str, object]) -> GpioRelay:
    """Open from a site file's table: ``pin``, ``contact`` and ``active_high`` (true when left out).

    :raises InputError: a key is missing or wrong.
    :raises HardwareError: the pin cannot be had.
    """
    pin = spec.get("pin")
    if isinstance(pin, bool) or not isinstance(pin, int | str):
        raise InputError(f'relay: pin is {pin!r}; write a number, "GPIO17" or "BOARD11"')
    active_high = spec.get("active_high", True)
    if not isinstance(active_high, bool):
        raise InputError(f"relay: active_high is {active_high!r}; write true or false")
    return GpioRelay(pin, rests_closed=rests_closed(spec), active_high=active_high)


FACTORIES = {
    "lgpio": "LGPIOFactory",
    "mock": "MockFactory",
    "native": "NativeFactory",
    "pigpio": "PiGPIOFactory",
    "rpigpio": "RPiGPIOFactory",
}
"""gpiozero's own entry points "gpiozero_pin_factories", each in ``gpiozero.pins.NAME``."""


@contextmanager
def _metadata_when_asked() -> Iterator[None]:
    """Let gpiozero be imported without ``importlib.metadata``, a sixth of the player's start.

    gpiozero takes ``entry_points`` from the backport ``importlib_metadata`` where there is one. In here
    there is one, and it fetches the real function once it is called.
    """

    def entry_points(**wanted: object) -> object:
        return import_module("importlib.metadata").entry_points(**wanted)

    name = "importlib_metadata"
    stand_in: Any = ModuleType(name)
    stand_in.entry_points = entry_points
    backport = sys.modules.get(name)
    sys.modules[name] = stand_in
    try:
        yield
    finally:
        del sys.modules[name]
        if backport is not None:
            sys.modules[name] = backport


def _choose_factory(device: Any) -> None:
    """As gpiozero would; but its own factories it finds by name without reading all packages' metadata."""
    named = os.environ.get("GPIOZERO_PIN_FACTORY", "").lower()
    if device.pin_factory is None and named in FACTORIES:
        device.pin_factory = getattr(import_module(f"gpiozero.pins.{named}"), FACTORIES[named])()
    device.ensure_pin_factory()


def _claim_at_level(factory: Any) -> None:
    """Have lgpio claim an output at its first level, and let the line go when the pin is closed.

    gpiozero 2.0.1 leaves ``output_with_state`` of its lgpio pins as it inherits it: output, low, and
    only then the level asked for. On a coil that is on when low that is a blip. gpiozero documents
    ``output_with_state`` as the place to avoid it. And it keeps a closed pin's line as an input until its
    process ends, so that no other process could have it: the daemon's player is one.
    """
    if type(factory).__module__ != "gpiozero.pins.lgpio":
        return
    import lgpio  # noqa: PLC0415 - gpiozero has just chosen and imported it
    from gpiozero.pins.lgpio import LGPIOPin  # noqa: PLC0415

    class SteadyPin(LGPIOPin):  # type: ignore[misc] # gpiozero has no types
        def output_with_state(self, state: bool) -> None:
            lgpio.gpio_claim_output(self.factory._handle, self._number, int(state))  # noqa: SLF001

        def close(self) -> None:
            super().close()
            if self.factory._handle is not None:  # noqa: SLF001
                lgpio.gpio_free(self.factory._handle, self._number)  # noqa: SLF001

    factory.pin_class = SteadyPin


def _no_library(name: str, error: Exception, caught: list[warnings.WarningMessage]) -> str:
    tried = "; ".join(str(warning.message) for warning in caught) or _said(error)
    return (
        f"{name}: no pin library works here ({tried}). On a board, install lampstep[board]; "
        "without one, use a simulated relay, or GPIOZERO_PIN_FACTORY=mock to try"
    )


def _said(error: Exception) -> str:
    return str(error) or type(error).__name__
