"""What a bench run needs of the table: send, supply, look. Nothing here knows what the lamp should do."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple, Protocol

from sequencer.errors import HardwareError
from sequencer.instruments.eyes import Sighting

if TYPE_CHECKING:
    from sequencer.train import Train

__all__ = ["Sighting", "Spent", "Spoiled", "Stand"]


class Spent(NamedTuple):
    """What a run has cost so far."""

    relay_cycles: int = 0
    seconds: float = 0.0

    def and_then(self, more: Spent) -> Spent:
        """With what was spent after it."""
        return Spent(self.relay_cycles + more.relay_cycles, self.seconds + more.seconds)


class Spoiled(HardwareError):  # noqa: N818 - the design's word
    """An edge came too late or too early: the lamp may have read something else than was sent.

    It stands with its supply on; what it shows is unknown until it is brought to a known state again.
    """


class Stand(Protocol):
    """One lamp on a table, its supply switched by a relay, watched by eyes.

    Lengths are seconds at the contact, mean delays compensated, and follow each other without a gap: a
    ``dark(0.2)``, a ``supply(1.5)`` and a ``dark(0.2)`` give the lamp 1.5 s of supply in between, within the
    relay's spread. Supply goes on after each of them, and while looking or thinking; so the first supply after
    a look is at least as long as told.
    """

    threshold: float
    """CIEDE2000: two sightings nearer than this are one light to these eyes."""
    volts_range: tuple[float, float] | None
    """What :meth:`volts` takes; None where the supply cannot be set."""

    @property
    def spent(self) -> Spent:
        """Relay cycles and seconds so far."""

    def send(self, train: Train) -> None:
        """Play a train, lead-in and last supply included. Raises HardwareError, or :class:`Spoiled`."""

    def supply(self, seconds: float) -> None:
        """Let the lamp have supply for so long."""

    def dark(self, seconds: float) -> None:
        """One break of that length, then supply again. Raises as :meth:`send` does."""

    def look(self) -> Sighting:
        """The settled light, which may take some seconds of supply. Raises HardwareError."""

    def volts(self, volts: float) -> None:
        """Set the supply, RMS at the lamp; it is left on. HardwareError where it cannot be."""
