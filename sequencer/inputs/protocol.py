"""What every input line can do: tell of its level when asked, and of each change at once.

A line says active or not, never high or low: ``active_high`` of the site file is the driver's business. It
takes nothing out, no bounce and no chatter.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Protocol, Self

if TYPE_CHECKING:
    from types import TracebackType

Changed = Callable[[bool, float], None]
"""Called with the new level and the time of the change, monotonic seconds.

It may come from a thread of the driver's own, and before the line's opening has returned: put the two in a
queue and return at once. What it raises may end the driver's thread.
"""


class InputLine(Protocol):
    """One wire that the board listens to, from its opening on.

    A change that happens during the opening may not be told: ask for the level once the line is open. To ask
    again now and then does no harm, and finds a change that the hardware has failed to tell.
    """

    @property
    def notes(self) -> tuple[str, ...]:
        """What the user should know about how this line was opened, a sentence each."""

    def read(self) -> bool:
        """Whether the line is active now.

        :raises HardwareError: it could not be read, or the line is already closed.
        """

    def close(self) -> None:
        """Tell of no more changes, and let the hardware go; again does nothing.

        :raises HardwareError: the hardware was not let go.
        """

    def __enter__(self) -> Self: ...

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...
