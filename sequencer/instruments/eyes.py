"""What watches the lamp: the protocol that an operator, a colour sensor and a current meter all keep to."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple, Protocol, Self

if TYPE_CHECKING:
    from types import TracebackType


class Sighting(NamedTuple):
    """What the eyes saw in one look.

    ``colour`` is the mean light as sRGB ``"#rrggbb"``, as bright against ``"#ffffff"`` as it was against the
    white that the eyes were calibrated on; None when dark, or when the eyes see no colour. A moving scene has
    ``period_s``, and ``colours`` in the order seen if the eyes can tell them. ``watts`` is what a current meter
    sees instead of a colour.
    """

    colour: str | None
    period_s: float | None = None
    colours: tuple[str, ...] = ()
    watts: float | None = None

    @property
    def dark(self) -> bool:
        """No light at all; a meter cannot tell a dark lamp from one that is cut off."""
        return self.colour is None and not self.watts


class Eyes(Protocol):
    """One driver of eyes, opened by its ``open_`` function."""

    threshold: float
    """CIEDE2000: a sighting nearer to a scene's colour than this may be that scene."""

    @property
    def notes(self) -> tuple[str, ...]:
        """What the user should know about these eyes, a sentence each."""

    def look(self) -> Sighting:
        """The light now, once it is steady or its period is known. HardwareError, in bounded time."""

    def close(self) -> None:
        """Let the line go; again does nothing."""

    def __enter__(self) -> Self: ...

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...
