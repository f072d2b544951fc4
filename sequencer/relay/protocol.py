"""What every relay driver can do, and where its contact rests.

================  =============================  ==================
contact           at rest: coil off, board dead  coil on
================  =============================  ==================
normally_closed   closed: lamps lit              open: lamps dark
normally_open     open: lamps dark               closed: lamps lit
================  =============================  ==================

A driver opens at rest and closes at rest. How long the contact takes (:class:`~sequencer.train.Delays`)
is data of the site file, not of the driver; what a line between board and relay adds, the driver measures.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol, Self

from sequencer.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from types import TracebackType

RESTS_CLOSED: Mapping[str, bool] = {"normally_closed": True, "normally_open": False}


class Relay(Protocol):
    """One contact in the lamps' supply. Opened by a driver's ``open_`` function, at rest."""

    @property
    def rests_closed(self) -> bool:
        """Where the contact stands with the coil off."""

    @property
    def notes(self) -> tuple[str, ...]:
        """What the user should know about how this relay was opened, a sentence each."""

    @property
    def line_delay_s(self) -> tuple[float, float]:
        """What a command takes to reach the relay, (least, greatest) seconds, as measured on opening.

        (0, 0) where nothing lies in between. The relay's own delays come after it
        (:meth:`sequencer.train.Delays.after`).
        """

    @property
    def waited_s(self) -> float:
        """How long the last command waited for its turn, before it was given: 0 where nothing is shared."""

    @property
    def set_takes_s(self) -> float:
        """How long :meth:`set` takes at most, its turn not counted, when nothing holds it up: 0 for a pin."""

    def set(self, closed: bool) -> None:
        """Command the contact and return at once; the contact follows after its own delay.

        :raises HardwareError: it could not be commanded, not for certain or not in the time that the line
            has (``line_delay_s``); or the relay is already shut.
        """

    def read(self) -> bool | None:
        """Whether the contact is commanded closed, read back from the hardware; None where it cannot be.

        :raises HardwareError: it could not be read, or the relay is already shut.
        """

    def close(self) -> None:
        """Command rest by every way that is left, then let the hardware go; again does nothing.

        :raises HardwareError: rest could not be commanded, or the hardware not let go.
        """

    def __enter__(self) -> Self: ...

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...


def rests_closed(spec: Mapping[str, object]) -> bool:
    """Where the contact of a relay's ``spec`` rests.

    >>> rests_closed({"contact": "normally_closed"})
    True

    :raises InputError: ``contact`` is missing or neither of the two.
    """
    contact = spec.get("contact")
    if not isinstance(contact, str) or contact not in RESTS_CLOSED:
        raise InputError(f'relay: contact is {contact!r}; write "normally_closed" or "normally_open"')
    return RESTS_CLOSED[contact]


def try_all(ways: Iterable[Callable[[], object]]) -> tuple[Exception, ...]:
    """Go every way, whatever the others did, and return what went wrong.

    >>> try_all([lambda: 1 / 0, lambda: None])
    (ZeroDivisionError('division by zero'),)
    """
    failures = []
    for way in ways:
        try:
            way()
        except Exception as error:
            failures.append(error)
    return tuple(failures)
