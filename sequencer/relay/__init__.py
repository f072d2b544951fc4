"""Relays: drivers behind one small protocol.

:func:`open_relay` imports the one driver that is named; nothing else here touches hardware.
"""

from sequencer.relay.protocol import Relay
from sequencer.relay.registry import open_relay

__all__ = ["Relay", "open_relay"]
