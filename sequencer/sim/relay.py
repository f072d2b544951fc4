"""A relay's contact in virtual time: commands go in, edges come out later.

The delay from command to contact lies within the relay's ``make_s`` and ``break_s`` and is drawn from a
seeded source; ``manner`` says how. It has the shape of the relay protocol, so that whatever plays through
a driver can play through it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, Self

from sequencer.errors import HardwareError

if TYPE_CHECKING:
    from random import Random
    from types import TracebackType

    from sequencer.clock import Clock
    from sequencer.train import Delays

Manner = Literal["mean", "steady", "drawn", "extreme", "long breaks", "short breaks"]
"""``mean``: no spread. ``steady``: one delay each way, drawn once. ``drawn``: anew for each edge.
``extreme``: for each edge the least or the greatest. ``long breaks``: opens at once and closes late, so
that each break is longer by the whole spread; ``short breaks``: the reverse."""

RANDOM_MANNERS: tuple[Manner, ...] = ("steady", "drawn", "extreme")


class SimContact:
    """One contact that moves on command, after a delay within ``delays``.

    It begins in its resting position: closed if ``normally_closed``. With ``bounce`` a closing contact
    may part once more before it is closed for good, within ``make_s`` as the relay's delays are defined.
    """

    notes: tuple[str, ...] = ()
    line_delay_s = (0.0, 0.0)
    waited_s = 0.0
    set_takes_s = 0.0

    def __init__(
        self,
        clock: Clock,
        delays: Delays,
        normally_closed: bool,
        rng: Random,
        *,
        manner: Manner = "drawn",
        bounce: bool = False,
    ) -> None:
        self.delays = delays
        self.rests_closed = normally_closed
        self._clock = clock
        self._rng = rng
        self._manner = manner
        self._bounce = bounce
        self._steady = (self._within(delays.break_s), self._within(delays.make_s))
        self._commanded = normally_closed
        self._shut = False
        self._extra_s = 0.0
        self._chatter: tuple[float, float, float] | None = None
        self._edges: list[tuple[float, bool]] = []

    @property
    def edges(self) -> tuple[tuple[float, bool], ...]:
        """Every edge of the contact so far, those still on their way included: (clock's time, closed)."""
        return tuple(self._edges)

    def edges_from(self, index: int) -> list[tuple[float, bool]]:
        """As :attr:`edges`, without the first ``index``."""
        return self._edges[index:]

    def set(self, closed: bool) -> None:
        """Command the contact now. HardwareError once it is shut."""
        self._must_be_open()
        self._command(closed)

    def read(self) -> bool:
        """Whether the contact is commanded closed; it may still be on its way. HardwareError once shut."""
        self._must_be_open()
        return self._commanded

    def stands_closed(self) -> bool:
        """Whether the contact itself is closed at this moment: what no board can read back."""
        now = self._clock.now()
        landed = (closed for at, closed in reversed(self._edges) if at <= now)
        return next(landed, self.rests_closed)

    def close(self) -> None:
        """Let go of the relay, as a dead board would: it falls back to its resting position."""
        if not self._shut:
            self._command(self.rests_closed)
            self._shut = True

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def stick(self, extra_s: float) -> None:
        """The next edge comes this much later than the relay's delays allow: a worn or dirty relay."""
        self._extra_s = extra_s

    def chatter(self, chance: float, touch_s: float, gap_s: float) -> None:
        """From now on each closing with this chance touches for so long, then parts for so long: a spent contact."""
        self._chatter = (chance, touch_s, gap_s)

    def _command(self, closed: bool) -> None:
        if closed == self._commanded:
            return
        self._commanded = closed
        now = self._clock.now()
        landing = now + self._delay(closed) + self._extra_s
        self._extra_s = 0.0
        if closed and self._bounce:
            touch, parted = sorted(self._rng.uniform(now + self.delays.make_s[0], landing) for _ in range(2))
            self._land(touch, closed=True)
            self._land(parted, closed=False)
        if closed and self._chatter is not None and self._rng.random() < self._chatter[0]:
            _, touch_s, gap_s = self._chatter
            self._land(landing, closed=True)
            self._land(landing + touch_s, closed=False)
            landing += touch_s + gap_s
        self._land(landing, closed)

    def _land(self, at: float, closed: bool) -> None:
        """An edge never overtakes the one before it."""
        self._edges.append((max(at, self._edges[-1][0]) if self._edges else at, closed))

    def _delay(self, closed: bool) -> float:
        least, greatest = self.delays.make_s if closed else self.delays.break_s
        if self._manner == "mean":
            return (least + greatest) / 2
        if self._manner == "steady":
            return self._steady[closed]
        if self._manner == "drawn":
            return self._within((least, greatest))
        if self._manner == "extreme":
            return self._rng.choice((least, greatest))
        return greatest if closed == (self._manner == "long breaks") else least

    def _must_be_open(self) -> None:
        if self._shut:
            raise HardwareError("simulated relay: already closed; open it again to use it")

    def _within(self, limits: tuple[float, float]) -> float:
        return self._rng.uniform(*limits)
