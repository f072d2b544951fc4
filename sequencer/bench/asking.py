"""Questions put to a lamp that nobody knows: a train, and which scene is seen after it.

Every answer is kept, so that a run that was broken off can be taken up again: the same questions are then
answered from the record, as far as it goes, and only what is new is put to the lamp.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, NamedTuple

from sequencer.bench.gallery import Gallery, Met
from sequencer.bench.stand import Spent, Spoiled
from sequencer.errors import HardwareError, InputError
from sequencer.instruments.eyes import Sighting
from sequencer.train import Pulse, Train

if TYPE_CHECKING:
    from sequencer.bench.stand import Stand

MAX_LOOKS = 40
"""Looks after one train without one scene in the lead: the light is not steady, or the eyes are not right."""
MAX_SPOILED = 3
"""Times that one train may be spoiled by the relay."""
BACK = "back to where it was"
"""Why a train was sent that answers no question: a later run need not ask it again."""

Breaks = tuple[tuple[float, float], ...]


class Assumed(NamedTuple):
    """What discovery takes for granted, and what it may cost. The report says all of it.

    ``settled_s`` of supply leave the lamp settled and warm; a break of ``longest_s`` is a power-down; one of
    ``shortest_s`` is ridden through, or too short for a relay to make. It has at most ``most_scenes`` scenes.
    A window of breaks whose end is less than ``narrowest`` times its start may be missed. The lamp's clock
    differs by at most ``clock`` from one time to the next. A look is wrong with at most the chance ``lapse``,
    each by itself; ``error`` is then the greatest chance that any of ``looks`` answers is. There are at most
    ``max_flashes_per_s``: what would take more is not tried.
    """

    settled_s: float = 12.0
    longest_s: float = 60.0
    shortest_s: float = 0.02
    most_scenes: int = 20
    narrowest: float = 1.2
    clock: float = 0.03
    lapse: float = 0.02
    error: float = 0.01
    looks: int = 1000
    budget_cycles: int = 5000
    budget_s: float = 6 * 3600.0
    seed: int = 1
    max_flashes_per_s: float = 3.0

    @property
    def pitch_s(self) -> float:
        """A break and the supply after it are together no shorter: WCAG 2.3.1, three flashes a second, or less."""
        return 1 / self.max_flashes_per_s

    @property
    def lead(self) -> int:
        """By how many looks one scene must lead to be taken for seen.

        Looks that are wrong with chance q make a wrong scene lead by k first with at most ``(q/(1-q))^k`` (the
        gambler's ruin, as in Wald's sequential test, 1945); spread over all looks by Boole's inequality.

        >>> Assumed().lead, Assumed(lapse=0.0).lead
        (3, 1)
        """
        if self.lapse <= 0:
            return 1
        return max(1, math.ceil(math.log(self.error / self.looks) / math.log(self.lapse / (1 - self.lapse))))


class Asked(NamedTuple):
    """One question and its answer: a line of the run's log."""

    pulses: Breaks
    saw: int
    looks: int
    why: str
    relay_cycles: int
    seconds: float


class OverBudget(Exception):  # noqa: N818 - an end, not an error
    """So many relay cycles or so much time is spent that no further question is put."""


class Unclear(Exception):  # noqa: N818 - an end, not an error
    """What was seen fits no lamp that a datasheet can describe, or too little was seen to say."""


class Asking:
    """Puts trains to the lamp on a stand, and says which scene was seen.

    ``keep`` gets the record after every answer. ``go_to`` brings the lamp to a scene once it is known how.
    """

    def __init__(
        self,
        stand: Stand,
        assumed: Assumed = Assumed(),  # noqa: B008 - a plain value
        *,
        record: dict[str, Any] | None = None,
        keep: Callable[[Asking], None] = lambda _: None,
    ) -> None:
        self.assumed = assumed
        self.gallery = Gallery(stand.threshold)
        self.log: list[Asked] = []
        self.go_to: Callable[[int], None] | None = None
        self.shows: int | None = None
        self._stand = stand
        self._keep = keep
        self._kept = _kept(record) if record else []
        self._before = Spent()
        self._lookback = False
        self._restoring = False
        if record:
            self.gallery.scenes = _met(record)
            self._lookback = True

    @property
    def spent(self) -> Spent:
        """Relay cycles and seconds of all answers so far, those of an earlier run included."""
        return self._before.and_then(self._stand.spent)

    def see(self, *pulses: tuple[float, float], why: str) -> int:
        """Send breaks, each with the supply after it, (s), and look: the number of the scene.

        OverBudget before a question that would cost too much; HardwareError as the stand raises it.
        """
        if self._kept and not self._restoring:
            if (answer := self._kept[0]).pulses == self._paced(pulses):
                self._kept.pop(0)
                self._before = Spent(answer.relay_cycles, answer.seconds)
                self.log.append(answer)
                self.shows = answer.saw
                return answer.saw
            self._kept.clear()  # the questions have changed since; what follows is not theirs
        if self._lookback and self.log and not self._restoring:
            self._lookback = False
            self._restore(self.log[-1].saw)
        spent = self.spent
        pulses = self._paced(pulses)
        ahead = sum(off + on for off, on in pulses)
        if spent.relay_cycles + len(pulses) > self.assumed.budget_cycles:
            raise OverBudget(f"{self.assumed.budget_cycles} relay cycles are spent")
        if spent.seconds + ahead > self.assumed.budget_s:
            raise OverBudget(f"{self.assumed.budget_s / 3600:.1f} h are spent")
        saw, looks = self._put(pulses)
        self.shows = saw
        self.log.append(Asked(pulses, saw, looks, why, *self.spent))
        if not self._restoring:
            self._keep(self)
        return saw

    def _paced(self, pulses: Breaks) -> Breaks:
        """With the last supply so long that the next break, whatever it is for, does not come too soon."""
        if not pulses:
            return pulses
        *first, (off, on) = pulses
        return (*first, (off, max(on, self.assumed.pitch_s - off)))

    def _put(self, pulses: Breaks) -> tuple[int, int]:
        """Send and look; a stand that gathers its trains says only at the look that an edge came too late."""
        for again in range(MAX_SPOILED + 1):
            try:
                if pulses:
                    self._stand.send(Train(tuple(Pulse(off, on) for off, on in pulses)))
                else:
                    self._stand.supply(self.assumed.settled_s)
                return self._look()
            except Spoiled:
                if again == MAX_SPOILED or self.shows is None or self.go_to is None:
                    raise
                self._restore(self.shows)
        raise AssertionError

    def _look(self) -> tuple[int, int]:
        tally: Counter[int] = Counter()
        before = len(self.gallery.scenes)
        for looks in range(1, MAX_LOOKS + 1):
            tally[self.gallery.number(self._stand.look())] += 1
            ranked = [*tally.most_common(2), (0, 0)]
            if ranked[0][1] - ranked[1][1] >= self.assumed.lead:
                self._forget_lapses(before, ranked[0][0])
                return ranked[0][0], looks
        words = "hold the eyes still and away from other light, and calibrate them again"
        raise HardwareError(f"eyes: {MAX_LOOKS} looks at one light did not agree: {words}")

    def _forget_lapses(self, before: int, saw: int) -> None:
        """A scene that was met in these looks only, and lost, was none."""
        scenes = self.gallery.scenes
        while len(scenes) > before and len(scenes) - 1 != saw:
            scenes.pop()

    def _restore(self, wanted: int) -> None:
        """Nobody knows what the lamp shows by now: look, and bring it back to what it showed."""
        self._stand.supply(self.assumed.settled_s)
        self.shows, _ = self._look()
        if self.shows != wanted:
            self._back_to(wanted)

    def _back_to(self, scene: int) -> None:
        if self.go_to is None:
            words = "the lamp does not show what it showed: begin anew, without the record"
            raise InputError(f"{words} (so early in a run little is lost)")
        outer, self._restoring = self._restoring, True
        try:
            self.go_to(scene)
        finally:
            self._restoring = outer

    def record(self) -> dict[str, Any]:
        """All that a later run needs, as plain values."""
        return {
            "assumed": self.assumed._asdict(),
            "scenes": [[list(met.mean), met.times] for met in self.gallery.scenes],
            "asked": [list(asked) for asked in self.log],
        }


NO_RECORD = "this is no record of a discovery: name the file that an earlier run kept"


def assumed_of(record: dict[str, Any]) -> Assumed:
    """What the recorded run took for granted. InputError where the record is none."""
    try:
        return Assumed(**record["assumed"])
    except (KeyError, TypeError):
        raise InputError(NO_RECORD) from None


def _kept(record: dict[str, Any]) -> list[Asked]:
    """The answers; the way back to a scene is not among them, for the lamp is now somewhere else."""
    try:
        asked = [Asked(tuple((off, on) for off, on in pulses), *rest) for pulses, *rest in record["asked"]]
    except (KeyError, TypeError, ValueError):
        raise InputError(NO_RECORD) from None
    return [answer for answer in asked if answer.why != BACK]


def _met(record: dict[str, Any]) -> list[Met]:
    try:
        return [
            Met(Sighting(colour, period_s, tuple(colours), watts), times)
            for (colour, period_s, colours, watts), times in record["scenes"]
        ]
    except (KeyError, TypeError, ValueError):
        raise InputError(NO_RECORD) from None
