"""The contacts that the daemon itself holds open while the lamps are to be dark.

A relay is opened only for as long as it is held: at all other times it belongs to the player, or to nobody and
so at rest. Should the daemon die, the contact goes to its rest and the lamps light; ``docs/relays.md`` says
where a driver cannot promise that.

Who commands a contact first takes its turn (:class:`Turns`), be it a player, the daemon that holds it open, or the
measuring of a line, which writes the coil too: never two at once.
"""

from __future__ import annotations

import threading
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from functools import partial
from typing import TYPE_CHECKING, Protocol

from sequencer.errors import HardwareError
from sequencer.relay.protocol import try_all
from sequencer.relay.registry import open_relay

if TYPE_CHECKING:
    from sequencer.relay.protocol import Relay


UNTIMED_S = (0.0, 10.0)
"""What a command may take on its way to a relay."""
TURN_S = 5.0
"""How long the loop waits for a line that is being measured; a measurement takes well under a second."""


class Contacts(Protocol):
    """Who holds contacts open; by circuit."""

    def rest(self, circuit: str) -> None:
        """Send a contact to its rest, wherever it was left, and hold it no more. Raises HardwareError."""

    def hold_open(self, circuit: str) -> None:
        """Open the contact and keep it so; again commands it again. Raises HardwareError."""

    def read(self, circuit: str) -> bool | None:
        """Whether a contact that is held open reads closed; None where it cannot be read. Raises HardwareError."""

    def let_close(self, circuit: str) -> None:
        """Let the contact go to its rest; again does nothing. Raises HardwareError."""

    def close(self) -> None:
        """Let all go, at the end."""


class Turns:
    """Whose turn it is to command each contact of a pad; one at a time, from any thread."""

    def __init__(self) -> None:
        self._locks: defaultdict[str, threading.Lock] = defaultdict(threading.Lock)

    def take(self, circuit: str, wait_s: float = TURN_S) -> None:
        """Have the contact until :meth:`give_back`.

        :raises HardwareError: somebody else has it, and has not given it back within ``wait_s``.
        """
        if not self._locks[circuit].acquire(timeout=wait_s):
            raise HardwareError(f"{circuit}: the contact is in use: by a train, or held open")

    def give_back(self, circuit: str) -> None:
        """Let the next have it."""
        self._locks[circuit].release()

    @contextmanager
    def turn(self, circuit: str, wait_s: float = TURN_S) -> Iterator[None]:
        """:meth:`take`, and :meth:`give_back` at the end."""
        self.take(circuit, wait_s)
        try:
            yield
        finally:
            self.give_back(circuit)


class RelayContacts:
    """Contacts through the relay drivers; ``specs`` holds each circuit's table of the site file."""

    def __init__(
        self,
        specs: Mapping[str, Mapping[str, object]],
        open_: Callable[[Mapping[str, object]], Relay] = open_relay,
        turns: Turns | None = None,
    ) -> None:
        # Nothing is timed here, so that no line need be measured, nor be punctual.
        self._specs = {circuit: {**spec, "line_delay_s": UNTIMED_S} for circuit, spec in specs.items()}
        self._open = open_
        self._turns = Turns() if turns is None else turns
        self._held: dict[str, Relay] = {}

    def rest(self, circuit: str) -> None:
        """See :class:`Contacts`."""
        try_all([partial(self.let_close, circuit)])
        with self._turns.turn(circuit):
            self._open(self._specs[circuit]).close()

    def hold_open(self, circuit: str) -> None:
        """See :class:`Contacts`."""
        if circuit in self._held:
            self._held[circuit].set(False)
            return
        self._turns.take(circuit)
        try:
            relay = self._open(self._specs[circuit])
            try:
                relay.set(False)
            except BaseException:
                relay.close()
                raise
        except BaseException:
            self._turns.give_back(circuit)
            raise
        self._held[circuit] = relay

    def read(self, circuit: str) -> bool | None:
        """See :class:`Contacts`."""
        relay = self._held.get(circuit)
        return None if relay is None else relay.read()

    def let_close(self, circuit: str) -> None:
        """See :class:`Contacts`."""
        relay = self._held.pop(circuit, None)
        if relay is None:
            return
        try:
            relay.close()
        finally:
            self._turns.give_back(circuit)

    def close(self) -> None:
        """See :class:`Contacts`. One that fails keeps no other."""
        failures = try_all([partial(self.let_close, circuit) for circuit in tuple(self._held)])
        if failures:
            raise failures[0]
