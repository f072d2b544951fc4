"""The loop that owns the stand: asks the machine, carries out, looks, keeps the log, tells how far it is."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple

from sequencer.bench.accept import Run, Seen, Verdict, learn, next_question, seconds_left
from sequencer.bench.colours import match
from sequencer.bench.exercises import Exercise
from sequencer.bench.stand import Spoiled

if TYPE_CHECKING:
    from sequencer.bench.stand import Stand


class Step(NamedTuple):
    """How far a run is, after an answer."""

    run: Run
    done: int
    of: int
    left_s: float


def drive(
    run: Run, stand: Stand, keep: Callable[[Run], None], tell: Callable[[Step], None]
) -> tuple[Run, Verdict]:
    """Go on with a run until its verdict.

    ``keep`` gets the run after every answer, so that a break loses at most the exercise in hand; ``tell`` how far
    it is. Raises what the stand raises but :class:`Spoiled`, which is an answer.
    """
    pace = _Pace()
    while not isinstance(question := next_question(run), Verdict):
        before = stand.spent.seconds
        run = learn(run, question, answer(question, stand, run))
        keep(run)
        pace.learn(question.seconds, stand.spent.seconds - before)
        tell(Step(run, run.done, len(run.course.tasks), pace.of(seconds_left(run))))
    return run, question


def answer(exercise: Exercise, stand: Stand, run: Run) -> Seen:
    """Send the train and look."""
    try:
        if exercise.volts is not None and stand.volts_range is not None:
            stand.volts(exercise.volts)
        if exercise.train.pulses:
            stand.send(exercise.train)
        elif exercise.train.lead_in_s:
            stand.supply(exercise.train.lead_in_s)
        seen = stand.look()
    except Spoiled:
        return Seen(None, spoiled=True)
    found = match(run.course.trainer.sheet, seen, stand.threshold)
    return Seen(found.code, found.difference, seen.colour, seen.period_s, seen.watts)


class _Pace:
    """How much longer things take than reckoned: operators take their time."""

    def __init__(self) -> None:
        self._reckoned = self._taken = 1.0

    def learn(self, reckoned_s: float, taken_s: float) -> None:
        self._reckoned += reckoned_s
        self._taken += taken_s

    def of(self, reckoned_s: float) -> float:
        return reckoned_s * self._taken / self._reckoned
