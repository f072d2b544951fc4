"""What is certain of one contact: where it stands, and within which bounds it last opened and closed.

Everything that the core believes of darkness and supply follows from here, and this follows from what the contact
did: each event says not before which moment a command was given and not after which it was confirmed. Whatever stalls
in between (a process, a disk, a line) widens the bounds and nothing else.

=========  ================================================================  ======================
stands     since                                                             lamps
=========  ================================================================  ======================
closed     a closing was confirmed                                           lit, if there is supply
open       an opening was confirmed                                          dark
moving     a command was given, or a player has the contact                  nobody knows
unknown    a command failed, or nobody knows what an earlier owner left      nobody knows
=========  ================================================================  ======================

An input that senses the contact itself would send the same events with narrower bounds; nothing else would change.
"""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

Stands = Literal["closed", "open", "moving", "unknown"]


class Bounds(NamedTuple):
    """Something happened, not before ``first`` and not after ``last``: seconds on the daemon's own axis."""

    first: float = -math.inf
    last: float = math.inf

    def after(self, delay_s: tuple[float, float]) -> Bounds:
        """What follows from it within (least, greatest) seconds.

        >>> Bounds(1.0, 2.0).after((0.25, 0.5))
        Bounds(first=1.25, last=2.5)
        """
        return Bounds(self.first + delay_s[0], self.last + delay_s[1])


class Contact(NamedTuple):
    """One contact as far as it is certain. ``opened`` and ``closed``: when it last did so."""

    stands: Stands = "unknown"
    opened: Bounds = Bounds()
    closed: Bounds = Bounds()

    @property
    def dark_s(self) -> float:
        """How long the last darkness certainly was, seconds; 0 where nothing is certain.

        >>> Contact("closed", Bounds(1.0, 2.0), Bounds(10.0, 11.0)).dark_s
        8.0
        >>> Contact().dark_s
        0.0
        """
        return max(0.0, self.closed.first - self.opened.last)
