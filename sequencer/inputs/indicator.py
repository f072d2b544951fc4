"""The lamp on the box that says how a circuit is.

=========  ======================  ======================================
pattern    looks                   means
=========  ======================  ======================================
dark       off                     nobody is at home: the daemon is down
steady     on                      matched: every lamp on its scene
slow       a blink in two seconds  busy: a train is planned, due or sent
fast       two blinks a second     failed: see ``lampstep status``
=========  ======================  ======================================

Fast is under the three flashes a second of WCAG 2.2, success criterion 2.3.1, small as the lamp is.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, Protocol, Self

if TYPE_CHECKING:
    from types import TracebackType

Pattern = Literal["dark", "steady", "slow", "fast"]

BLINK_S: dict[Pattern, tuple[float, float]] = {"slow": (1.0, 1.0), "fast": (0.25, 0.25)}
"""Seconds on, seconds off."""


class Indicator(Protocol):
    """An indicator lamp; dark when opened, and when closed."""

    @property
    def notes(self) -> tuple[str, ...]:
        """What the user should know about how it was opened, a sentence each."""

    def show(self, pattern: Pattern) -> None:
        """Show it from now on and return at once. The pattern that is shown already goes on undisturbed.

        :raises HardwareError: the hardware refused, or the indicator is already closed.
        """

    def close(self) -> None:
        """Dark, and the hardware let go; again does nothing.

        :raises HardwareError: the hardware refused.
        """

    def __enter__(self) -> Self: ...

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...
