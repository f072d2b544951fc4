"""After a train that held: the circuit's current read once, and what it says. It changes nothing that is believed.

A meter knows a sum, not lamps: it may contradict that all are matched, and never shows which lamp it is for certain.
So what it says is told and written down, for a person to look.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TYPE_CHECKING

from sequencer.daemon.messages import Message, Sensed
from sequencer.errors import HardwareError
from sequencer.relay.meter import open_meter
from sequencer.supply.feed import feed_of

if TYPE_CHECKING:
    from sequencer.sitefile import Pad

Later = Callable[[float, Callable[[], None]], None]
"""Have something done after so many seconds, in a thread that may wait."""


def by_timer(seconds: float, work: Callable[[], None]) -> None:
    """In a thread of its own, which does not keep the daemon from ending."""
    timer = threading.Timer(seconds, work)
    timer.daemon = True
    timer.start()


class Sensing:
    """Reads the meters of a pad, when their lamps have settled; ``Sensed`` follows, where one is fitted."""

    def __init__(self, pad: Pad, post: Callable[[Message], None], later: Later = by_timer) -> None:
        self._pad, self._post, self._later = pad, post, later

    def __call__(self, circuit: str, scene: str) -> None:
        """A train to a scene has held."""
        if (spec := self._pad.sense.get(circuit)) is not None:
            self._later(spec.settle_s, lambda: self._post(Sensed(circuit, scene, self._said(circuit, scene))))

    def _said(self, circuit: str, scene: str) -> str:
        from sequencer.diagnosis.current import Meter, hold, reading_lines  # noqa: PLC0415 - few pads have a meter

        spec, feed = self._pad.sense[circuit], feed_of(self._pad, circuit)
        try:
            amps = open_meter(spec.model_dump()).amps()
        except HardwareError as error:
            return str(error)
        assert feed is not None  # the site file's reading has seen to it
        meant = {lamp: each.name for lamp, each in self._pad.wanted(circuit, scene).items()}
        lines = reading_lines(hold(feed, meant, amps, Meter(spec.error, spec.error_a)))
        return "; ".join(line.strip().rstrip(":.") for line in lines)
