"""Inputs and the indicator on pins of the board, through gpiozero, which is imported when one is opened.

An input's times are those at which gpiozero's thread called, not those at which the kernel saw the edge: when
the board is busy they come late, and edges that waited together come close together.

Not proven here: no real GPIO chip was at hand. What gpiozero and lgpio do is read from their sources
(gpiozero 2.0.1, lgpio 0.2.2).
"""

from __future__ import annotations

import warnings
from contextlib import contextmanager
from functools import partial
from typing import TYPE_CHECKING, Any, Self

from sequencer.errors import HardwareError, InputError
from sequencer.inputs.indicator import BLINK_S

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from types import TracebackType

    from sequencer.inputs.indicator import Pattern
    from sequencer.inputs.protocol import Changed
    from sequencer.sitefile.serve import Line


class _Pin:
    """What an input and an output on a pin have in common: how they open, fail and close."""

    def __init__(self, name: str, line: Line) -> None:
        self._name = f"{name}: pin {line.pin}"
        self._device: Any = None
        self.notes: tuple[str, ...] = ()

    @contextmanager
    def _opening(self) -> Iterator[Any]:
        """gpiozero, with whatever it raises or warns of put into words."""
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            try:
                import gpiozero  # noqa: PLC0415 - a heavy import, and only a board needs it
            except ImportError as error:
                raise HardwareError(f"{self._name}: gpiozero cannot be imported ({error})") from error
            try:
                yield gpiozero
            except (gpiozero.PinInvalidPin, gpiozero.GPIOPinMissing) as error:
                raise InputError(
                    f'{self._name}: gpiozero knows no such pin on this board; write a number, "GPIO17" or "BOARD11"'
                ) from error
            except gpiozero.PinFixedPull as error:
                raise InputError(
                    f"{self._name}: the board pulls this pin one way ({_said(error)}); "
                    "close it to ground without active_high = true, or take another pin"
                ) from error
            except gpiozero.BadPinFactory as error:
                tried = "; ".join(str(warning.message) for warning in caught) or _said(error)
                raise HardwareError(
                    f"{self._name}: no pin library works here ({tried}). On a board, install lampstep[board]; "
                    'without one, write driver = "simulated", or set GPIOZERO_PIN_FACTORY=mock to try'
                ) from error
            except Exception as error:
                raise HardwareError(f"{self._name}: cannot be opened: {_said(error)}") from error
        self.notes = tuple(f"{self._name}: gpiozero: {warning.message}" for warning in caught)

    @contextmanager
    def _doing(self, what: str) -> Iterator[Any]:
        """The device, with whatever it raises put into words."""
        if self._device is None:
            raise HardwareError(f"{self._name}: already closed; open it again to use it")
        try:
            yield self._device
        except Exception as error:
            raise HardwareError(f"{self._name}: could not be {what}: {_said(error)}") from error

    def close(self) -> None:
        """Let the pin go."""
        if self._device is not None:
            with self._doing("let go") as device:
                self._device = None
                device.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class GpioLine(_Pin):
    """A wire on a pin. Between pin and ground and pulled up inside the board, or active high and pulled down.

    :raises InputError: gpiozero knows no such pin, or its pull is fixed the other way.
    :raises HardwareError: no pin library works here, or the pin is not permitted or in use.
    """

    def __init__(self, name: str, line: Line, changed: Changed, now: Callable[[], float]) -> None:
        super().__init__(name, line)
        with self._opening() as gpiozero:
            # No bounce_time: it would hide the edges by which bounce and chatter are told.
            device = gpiozero.DigitalInputDevice(line.pin, pull_up=not line.active_high, bounce_time=None)
            device.when_activated = partial(_tell, changed, True, now)
            device.when_deactivated = partial(_tell, changed, False, now)
            self._device = device

    def read(self) -> bool:
        """The level of the pin, now."""
        with self._doing("read") as device:
            return bool(device.value)


class GpioIndicator(_Pin):
    """A small lamp on a pin, blinking in gpiozero's background thread.

    :raises InputError: gpiozero knows no such pin.
    :raises HardwareError: no pin library works here, or the pin is not permitted or in use.
    """

    def __init__(self, name: str, line: Line) -> None:
        super().__init__(name, line)
        self._shown: Pattern | None = "dark"
        with self._opening() as gpiozero:
            self._device = gpiozero.LED(line.pin, active_high=line.active_high)

    def show(self, pattern: Pattern) -> None:
        """Show it from now on."""
        with self._doing(f"set to {pattern}") as device:
            if pattern == self._shown:
                return
            self._shown = None
            if pattern in BLINK_S:
                device.blink(*BLINK_S[pattern])
            else:
                device.value = pattern == "steady"
            self._shown = pattern

    def close(self) -> None:
        """Dark, as far as the pin can be told; then let the pin go whatever came of it."""
        if self._device is not None:
            try:
                self.show("dark")
            finally:
                super().close()


def _tell(changed: Changed, active: bool, now: Callable[[], float]) -> None:
    changed(active, now())


def _said(error: Exception) -> str:
    return str(error) or type(error).__name__


def open_(name: str, _role: str, line: Line, changed: Changed, now: Callable[[], float]) -> GpioLine:
    """Open an input from a site file's table."""
    return GpioLine(name, line, changed, now)


def open_indicator(name: str, line: Line) -> GpioIndicator:
    """Open the indicator from a site file's table."""
    return GpioIndicator(name, line)
