"""What is doubtful about the supplies of a pad: the findings of ``lampstep supply``, in short."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sequencer.doubts.doubt import Doubt

if TYPE_CHECKING:
    from collections.abc import Iterator

    from sequencer.sitefile import Pad


def supply_doubts(pad: Pad) -> Iterator[Doubt]:
    """Whatever is refused, falls short or is doubtful there; nothing where the site says nothing of a supply."""
    if not pad.supply:
        return
    from sequencer.supply.advise import advise  # noqa: PLC0415 - many sites have no supply
    from sequencer.supply.feed import feed_of  # noqa: PLC0415

    for circuit in pad.supply:
        feed = feed_of(pad, circuit)
        if feed is not None:
            yield from (Doubt(found.where, found.what, found.remedy) for found in advise(feed).findings)
