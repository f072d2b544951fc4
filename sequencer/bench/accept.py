"""Acceptance: a step machine from one exercise to the next, and to the verdict.

==========  ===================================================================================
phase       what a sound lamp does
==========  ===================================================================================
reach       every scene is reached and seen, from a state that nobody knows
edges       lengths at the edges of the datasheet's windows are read as it says
memory      after a power-down it shows what the datasheet says, from several scenes
low volts   it follows at the lowest rated volts (where the supply can be set)
tours       full tours of all scenes in chance order, without a slip
==========  ===================================================================================

What is seen otherwise than expected is looked at once more: eyes lapse too. Only what is seen wrong twice is
a slip. All is a function of datasheet, options and the answers so far, so a run can be taken up again.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from random import Random
from typing import NamedTuple

from sequencer.bench.binomial import slip_bound
from sequencer.bench.exercises import Edge, Exercise, Phase, Trainer, look_s
from sequencer.errors import HardwareError
from sequencer.train import Train

ENOUGH = 6
"""Slips after which the run ends early: the verdict stands."""
MAX_SPOILED = 5
"""Trains spoiled by the relay or the board after which nothing more is learned of the lamp."""
MEMORIES = 3
"""Scenes from which the memory after a power-down is tried."""


DARK = "shortest power-down"
AT_LOW_VOLTS = frozenset({"shortest pulse", "longest break ridden through"})
"""Edges by name: those where a lamp's capacitor counts are tried again at the lowest volts."""


class Options(NamedTuple):
    """How thorough a run is. ``confidence`` is of the bound on the rate of slips."""

    tours: int = 10
    repeats: int = 2
    seed: int = 1
    confidence: float = 0.95


class Seen(NamedTuple):
    """The answer to one exercise: the scene that was seen, None where it was none of the datasheet's.

    ``colour``, ``period_s`` and ``watts`` are the sighting's; ``difference`` as in
    :class:`~sequencer.bench.colours.Match`. ``spoiled``: an edge came too late, and nothing was looked at.
    """

    code: int | None
    difference: float | None = None
    colour: str | None = None
    period_s: float | None = None
    watts: float | None = None
    spoiled: bool = False


class Entry(NamedTuple):
    """One exercise and what was seen: a line of the run's log."""

    exercise: Exercise
    seen: Seen

    @property
    def right(self) -> bool:
        """Whether what was seen is what was to be seen; for a mere look, whether it was any scene."""
        if self.exercise.expects is None:
            return self.seen.code is not None
        return self.seen.code in (self.exercise.expects, *self.exercise.or_else)


class Verdict(NamedTuple):
    """The end of a run. ``rate_bound`` is the greatest rate of slips that may still be, at ``confidence``."""

    accepted: bool
    whole: bool
    trials: int
    slips: int
    rate_bound: float
    confidence: float
    failures: tuple[Entry, ...]
    lapses: int
    spoiled: int


class Task(NamedTuple):
    """What an exercise is made of once it is known what the lamp shows."""

    phase: Phase
    code: int
    edge: Edge | None = None
    volts: float | None = None
    scrambled: int | None = None


@dataclass(frozen=True)
class Course:
    """All tasks of a run, in order, as they follow from datasheet, rig and options."""

    trainer: Trainer
    options: Options
    volts_range: tuple[float, float] | None = None

    @cached_property
    def nominal_v(self) -> float | None:
        """The middle of what lamp and supply both stand; None where the supply is fixed."""
        both = self._both
        return None if both is None else (both[0] + both[1]) / 2

    @cached_property
    def lowest_v(self) -> float | None:
        """The lowest rated volts; None where the supply cannot be set to them."""
        electrical = self.trainer.sheet.electrical
        if self._both is None or electrical is None or self._both[0] > electrical.volts[0]:
            return None
        return electrical.volts[0]

    @cached_property
    def _both(self) -> tuple[float, float] | None:
        electrical = self.trainer.sheet.electrical
        if self.volts_range is None or electrical is None:
            return None
        low = max(self.volts_range[0], electrical.volts[0])
        high = min(self.volts_range[1], electrical.volts[1])
        return (low, high) if low <= high else None

    @cached_property
    def tasks(self) -> tuple[Task, ...]:
        """Every task whose end is certain for this type, relay and margin."""
        first = self.trainer.acts.codes[0]
        tasks = [task for task in self._tasks() if self.exercise(task, first, cold=False) is not None]
        return tuple(tasks)

    def _tasks(self) -> Iterator[Task]:
        chance = Random(self.options.seed)  # noqa: S311 - the same order again, from a seed
        codes, normal = self.trainer.acts.codes, self.nominal_v
        for code in _shuffled(codes, chance):
            seed = chance.getrandbits(31) if self.trainer.blind else None
            yield Task("reach", code, volts=normal, scrambled=seed)
        edges = list(self.trainer.edges())
        for edge in edges:
            if edge.what != DARK:
                yield from [Task("edges", edge.base, edge, normal)] * self.options.repeats
        for edge in (edge for edge in edges if edge.what == DARK):
            apart = [code for code in _shuffled(codes, chance) if code != codes[0]] or list(codes)
            for code in apart[:MEMORIES]:
                words = f"power-down of {edge.pulses[0].off_s:.2f} s"
                yield Task("memory", code, edge._replace(what=words), normal)
        if self.lowest_v is not None:
            for code in _shuffled(codes, chance):
                yield Task("low volts", code, volts=self.lowest_v)
            for edge in edges:
                if edge.what in AT_LOW_VOLTS:
                    yield Task("low volts", edge.base, edge, self.lowest_v)
        yield from self._tours(chance)

    def _tours(self, chance: Random) -> Iterator[Task]:
        last: int | None = None
        for _ in range(self.options.tours):
            order = _shuffled(self.trainer.acts.codes, chance)
            if len(order) > 1 and order[0] == last:  # a train to where it is already would show nothing
                order.append(order.pop(0))
            last = order[-1]
            for code in order:
                yield Task("tours", code, volts=self.nominal_v)

    def exercise(self, task: Task, shows: int | None, *, cold: bool) -> Exercise | None:
        """The exercise of a task for a lamp that shows ``shows``; None where it leaves the lamp a choice.

        ``cold``: what the lamp is counting is not known, so the train begins with a lead-in.
        """
        key = (task, None if self.trainer.blind else shows, cold)
        if key not in self._made:
            self._made[key] = self._make(task, shows, cold=cold)
        return self._made[key]

    @cached_property
    def _made(self) -> dict[tuple[Task, int | None, bool], Exercise | None]:
        return {}

    def _make(self, task: Task, shows: int | None, *, cold: bool) -> Exercise | None:
        trainer = self.trainer
        known = None if trainer.blind else shows
        before = () if task.scrambled is None else trainer.scramble(Random(task.scrambled))  # noqa: S311
        to = trainer.to(task.code, known)
        pulses = (*before, *to, *(() if task.edge is None else task.edge.pulses))
        may = trainer.may_end_on(pulses, known) if pulses else frozenset(() if known is None else (known,))
        ends = sorted(may)
        if not ends or (len(ends) > 1 and not (task.edge is not None and task.edge.open_end)):
            return None
        expects, *or_else = ends
        name = " or ".join(_name(trainer, code) for code in ends)
        what = f"to {name}" if task.edge is None else f"{task.edge.what}, then {name}"
        train = Train(pulses, trainer.lead_in_s if cold else 0.0)
        seconds = train.lead_in_s + train.total_s + look_s(trainer.sheet, expects)
        return Exercise(task.phase, what, train, expects, task.volts, seconds, or_else=tuple(or_else))


@dataclass(frozen=True)
class Run:
    """A run so far: its course and its log. Times and counts only; the stand is the loop's."""

    course: Course
    log: tuple[Entry, ...] = ()
    resumed_at: int = 0
    """Entries that were there when it was last taken up: what the lamp shows and counts after them is unknown."""

    @property
    def done(self) -> int:
        """Tasks behind it: those whose exercise was seen right, or wrong twice."""
        return sum(_closes(entry) for entry in self.log)

    @property
    def shows(self) -> int | None:
        """The scene last seen, if it still counts."""
        last = self.log[-1] if len(self.log) > self.resumed_at else None
        return None if last is None else last.seen.code

    @property
    def cold(self) -> bool:
        """Whether what the lamp counts is unknown: at the start, and after a spoiled train."""
        return len(self.log) == self.resumed_at or self.log[-1].seen.spoiled


def next_question(run: Run) -> Exercise | Verdict:
    """The next exercise, or the verdict. HardwareError when too many trains were spoiled."""
    spoiled = sum(entry.seen.spoiled for entry in run.log)
    if spoiled > MAX_SPOILED:
        words = "edges come too late: mend the relay's make_s and break_s, or let the board be idle"
        raise HardwareError(f"{spoiled} trains were spoiled on their way to the lamp: {words}")
    if len(failures(run)) >= ENOUGH:
        return verdict(run, whole=False)
    if len(run.log) > run.resumed_at and _wants_second_look(run.log[-1]):
        first = run.log[-1].exercise
        return first._replace(train=Train(()), seconds=look_s(run.course.trainer.sheet, None), again=True)
    if not run.course.trainer.blind and run.shows is None:
        return _first_look(run)
    for task in run.course.tasks[run.done :]:
        exercise = run.course.exercise(task, run.shows, cold=run.cold)
        assert exercise is not None
        return exercise
    return verdict(run, whole=True)


def _first_look(run: Run) -> Exercise:
    """What it shows now, for a lamp that no train brings to a known scene."""
    trainer = run.course.trainer
    train = Train((), trainer.lead_in_s if run.cold else 0.0)
    seconds = train.lead_in_s + look_s(trainer.sheet, None)
    again = bool(run.log) and run.log[-1].exercise.phase == "look"
    return Exercise("look", "what it shows now", train, None, run.course.nominal_v, seconds, again)


def learn(run: Run, exercise: Exercise, seen: Seen) -> Run:
    """The run with one answer more."""
    return replace(run, log=(*run.log, Entry(exercise, seen)))


def failures(run: Run) -> tuple[Entry, ...]:
    """What was seen wrong twice."""
    return tuple(entry for entry in run.log if entry.exercise.again and not entry.right)


def verdict(run: Run, *, whole: bool) -> Verdict:
    """What the log comes to: accepted when it is whole and nothing failed."""
    failed = failures(run)
    counted = [entry for entry in run.log if entry.exercise.phase in {"reach", "tours"} and _closes(entry)]
    slips = sum(not entry.right for entry in counted)
    bound = slip_bound(slips, len(counted), run.course.options.confidence) if counted else 1.0
    lapses = sum(entry.exercise.again and entry.right for entry in run.log)
    spoiled = sum(entry.seen.spoiled for entry in run.log)
    confidence = run.course.options.confidence
    accepted = whole and not failed
    return Verdict(accepted, whole, len(counted), slips, bound, confidence, failed, lapses, spoiled)


def seconds_left(run: Run) -> float:
    """What the tasks ahead are reckoned to take, if all goes well."""
    shows = run.shows
    total = 0.0
    for task in run.course.tasks[run.done :]:
        if shows is None and not run.course.trainer.blind:
            shows = run.course.trainer.acts.codes[0]
        exercise = run.course.exercise(task, shows, cold=False)
        if exercise is not None:
            total += exercise.seconds
            shows = exercise.expects
    return total


def _closes(entry: Entry) -> bool:
    if entry.exercise.phase == "look" or entry.seen.spoiled:
        return False
    return entry.right or entry.exercise.again


def _wants_second_look(entry: Entry) -> bool:
    return not (entry.right or entry.exercise.again or entry.seen.spoiled or entry.exercise.phase == "look")


def _name(trainer: Trainer, code: int) -> str:
    scene = trainer.sheet.scene_by_code(code)
    return str(code) if scene is None else scene.name


def _shuffled(codes: Sequence[int], chance: Random) -> list[int]:
    return chance.sample(list(codes), len(codes))
