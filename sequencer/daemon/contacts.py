"""The contacts that the daemon itself holds open while the lamps are to be dark.

A relay is opened only for as long as it is held: at all other times it belongs to the player, or to nobody and
so at rest. Should the daemon die, the contact goes to its rest and the lamps light; ``docs/relays.md`` says
where a driver cannot promise that.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Protocol

from sequencer.relay.registry import open_relay

if TYPE_CHECKING:
    from sequencer.relay.protocol import Relay


UNTIMED_S = (0.0, 10.0)
"""What a command may take on its way to a relay."""


class Contacts(Protocol):
    """Who holds contacts open; by circuit."""

    def rest(self, circuit: str) -> None:
        """Send a contact that nobody holds to its rest, wherever it was left. Raises HardwareError."""

    def hold_open(self, circuit: str) -> None:
        """Open the contact and keep it so; again does nothing. Raises HardwareError."""

    def let_close(self, circuit: str) -> None:
        """Let the contact go to its rest; again does nothing. Raises HardwareError."""

    def close(self) -> None:
        """Let all go, at the end."""


class RelayContacts:
    """Contacts through the relay drivers; ``specs`` holds each circuit's table of the site file."""

    def __init__(
        self,
        specs: Mapping[str, Mapping[str, object]],
        open_: Callable[[Mapping[str, object]], Relay] = open_relay,
    ) -> None:
        # Nothing is timed here, so that no line need be measured, nor be punctual.
        self._specs = {circuit: {**spec, "line_delay_s": UNTIMED_S} for circuit, spec in specs.items()}
        self._open = open_
        self._held: dict[str, Relay] = {}

    def rest(self, circuit: str) -> None:
        """See :class:`Contacts`."""
        self._open(self._specs[circuit]).close()

    def hold_open(self, circuit: str) -> None:
        """See :class:`Contacts`."""
        if circuit in self._held:
            return
        relay = self._open(self._specs[circuit])
        try:
            relay.set(False)
        except BaseException:
            relay.close()
            raise
        self._held[circuit] = relay

    def let_close(self, circuit: str) -> None:
        """See :class:`Contacts`."""
        relay = self._held.pop(circuit, None)
        if relay is not None:
            relay.close()

    def close(self) -> None:
        """See :class:`Contacts`."""
        for circuit in tuple(self._held):
            self.let_close(circuit)
