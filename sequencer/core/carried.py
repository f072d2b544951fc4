"""What outlives the daemon: the little that the journal carries from one start to the next, as plain values.

Nothing in here says what a lamp shows. After a start every lamp is unknown, whatever was carried over.
"""

from __future__ import annotations

from typing import Literal, NamedTuple


class CarriedWish(NamedTuple):
    """A scene that a person chose by hand, or asked the daemon for, and how long ago (seconds, never below 0)."""

    kind: Literal["hand", "asked"]
    scene: str
    age_s: float


class Carried(NamedTuple):
    """What is still known of one circuit; as it stands, of one that was never heard of."""

    scene: str | None = None
    """The remembered scene: what the circuit was last brought onto or set to."""
    steady: bool = False
    """Plain light and no trains, until taken back."""
    wishes: tuple[CarriedWish, ...] = ()
    """What a person wants, first the one that counts; at most one by hand and one asked for."""
    cycles: tuple[tuple[float, int], ...] = ()
    """Relay cycles of the last hour, oldest first: how long ago (seconds, never below 0), and how many."""
    open_intent: bool = False
    """A train was begun, and nobody wrote down how it ended."""
    cycles_total: int = 0
    """Relay cycles for ever."""
    open_cycles: int = 0
    """The relay cycles of that train, had it been sent whole."""

    @property
    def wish(self) -> CarriedWish | None:
        """The wish that counts: a hand's before one that was asked for.

        >>> asked, hand = CarriedWish("asked", "quiet", 60.0), CarriedWish("hand", "evening", 3600.0)
        >>> Carried(wishes=(hand, asked)).wish.scene
        'evening'
        """
        return self.wishes[0] if self.wishes else None
