"""Measurement: a step machine from one presentation to the next, and to what was found.

=========  =====================================================================================
stage      what is asked
=========  =====================================================================================
look       which scene it shows, before anything is sent and whenever that was lost
footing    a train that only works if the lengths that serve while others are varied do work
edges      each edge in turn, the lengths shown being those that are expected to tell most
=========  =====================================================================================

All is a function of the course (datasheet, rig, options) and the answers so far: a run is kept as its answers and
taken up again by giving them to it anew.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import combinations
from typing import TYPE_CHECKING, Literal, NamedTuple

from sequencer.bench.colours import WATTS_WITHIN, alike, match
from sequencer.bench.presentations import most_lengths, present, stand_on
from sequencer.bench.stand import Spoiled
from sequencer.bench.subject import EdgeName, Footing, Subject, footings, prior_of
from sequencer.bench.threshold import Belief, Prior, Shown, belief, choose
from sequencer.bench.threshold import learn as taught
from sequencer.train import Train

if TYPE_CHECKING:
    from sequencer.bench.stand import Stand
    from sequencer.datasheet import Datasheet

MAX_UNSEEN = 6
"""Looks in a row that show none of the datasheet's scenes, after which the run ends."""
MAX_SPOILED = 5
"""Trains spoiled on their way to the lamp, after which the run ends."""
OUTSIDE = 0.98
"""So sure that an edge is out of reach is sure enough."""
NEARLY = 0.998
FAR = 4
"""An edge is done only when the interval at this level, too, is so many times as wide as wanted at most: two answers
may make a narrow interval, and one of them may have been a lapse."""
FINEST = 4.0
FINE = 2.0
"""No interval need be narrower than so many standard deviations of the relay; the second is for the capacitor's fit."""
MAX_LOOKS = 5
LOOK_S = 1.0
ROUNDS = 2.5
"""How long a look is reckoned to take: at a still scene, and in periods of a moving one."""
USUAL = 8
"""Presentations that an edge is reckoned to take, for the time left."""


class Options(NamedTuple):
    """How thorough a run is.

    An edge is done when its interval at ``level`` is no wider than ``precision`` of it or four standard deviations
    of the relay, or after ``most`` presentations. ``trust`` is put in the datasheet's own windows; no break is longer
    than ``longest_s``. ``volts``: at how many volts ride-through is measured, where the supply can be set.
    """

    precision: float = 0.05
    level: float = 0.95
    most: int = 40
    trust: float = 0.8
    longest_s: float = 20.0
    volts: int = 4


class Task(NamedTuple):
    """One edge, at these volts (None: as the supply is)."""

    edge: EdgeName
    volts: float | None = None


class Question(NamedTuple):
    """What to do with the lamp next: send the train and look. ``what`` says it for people.

    So many ``looks`` in succession must agree. A count lamp's scene follows from the train alone, and a wrong look
    spoils one answer; a step lamp's follows from the scene before, and would spoil two in a row that agree.
    """

    stage: Literal["look", "footing", "edges"]
    what: str
    train: Train
    task: Task | None = None
    lengths_s: tuple[float, ...] = ()
    reads: Mapping[int, int] = {}
    otherwise: int | None = None
    volts: float | None = None
    seconds: float = 0.0
    looks: int = 1


class Answer(NamedTuple):
    """What came of a question: the code seen (None: no scene of the datasheet), the lengths found long.

    ``found_long`` None: it tells nothing. ``spoiled``: an edge came too late, and nothing was looked at.
    """

    stage: Literal["look", "footing", "edges"]
    code: int | None
    task: Task | None = None
    lengths_s: tuple[float, ...] = ()
    found_long: int | None = None
    spoiled: bool = False


class Measurement(NamedTuple):
    """One edge as it was found.

    ``estimate_s`` (median) and ``interval_s`` are of the edge itself, at the contact; ``certain_s`` is up to which
    length the lamp takes all as short and from which all as long, its own spread counted in. ``claimed_s`` is where
    the datasheet has it. ``shown`` is every presentation; ``wasted`` those that told nothing. Where ``outcome`` is
    "below" every length was long, where "above" every one short; "unsure": ``most`` presentations were not enough;
    "hidden": no eye can tell, and ``note`` says why.
    """

    name: EdgeName
    volts: float | None
    watts: float | None
    outcome: Literal["found", "below", "above", "unsure", "hidden"]
    estimate_s: float | None
    interval_s: tuple[float, float] | None
    certain_s: tuple[float, float] | None
    spread: float
    claimed_s: tuple[float, float]
    presentations: int
    wasted: int
    shown: tuple[Shown, ...]
    note: str = ""


class Findings(NamedTuple):
    """The end of a run. ``stuck`` says why it ended early, None when every edge was seen to."""

    measured: tuple[Measurement, ...]
    presentations: int
    stuck: str | None = None


@dataclass(frozen=True)
class Course:
    """What is to be measured, and how; ``jitter_s`` is the relay's standard deviation of a length."""

    subject: Subject
    jitter_s: float
    options: Options
    volts_range: tuple[float, float] | None = None

    @cached_property
    def volts(self) -> tuple[float, ...]:
        """The volts at which ride-through is measured, least first, evenly in their squares; () if fixed."""
        electrical = self.subject.sheet.electrical
        if self.volts_range is None or electrical is None:
            return ()
        low = max(self.volts_range[0], electrical.volts[0])
        high = min(self.volts_range[1], electrical.volts[1])
        if low >= high:
            return ()
        steps = max(self.options.volts, 2) - 1
        return tuple(
            round(math.sqrt(low**2 + (high**2 - low**2) * i / steps), 3)
            if 0 < i < steps
            else (low, high)[i > 0]
            for i in range(steps + 1)
        )

    @property
    def usual_v(self) -> float | None:
        """The volts at which all else is measured: the highest, which charges the capacitor most."""
        return self.volts[-1] if self.volts else None

    @cached_property
    def tasks(self) -> tuple[Task, ...]:
        """Every edge that can be seen, in order."""
        found: list[Task] = []
        for edge in self.subject.edges:
            if edge == "ride-through" and self.volts:
                found += [Task(edge, volts) for volts in self.volts]
            elif self.subject.hidden(edge) is None:
                found.append(Task(edge, self.usual_v))
        return tuple(found)

    @cached_property
    def footings(self) -> tuple[Footing, ...]:
        """Lengths to stand on, in the order in which they are tried."""
        return tuple(footings(self.subject.sheet))


@dataclass(frozen=True)
class Run:
    """A run so far: its answers, and what follows from them."""

    course: Course
    answers: tuple[Answer, ...] = ()
    seen: int | None = None
    warm: bool = False
    tried: int = 0
    footing: Footing | None = None
    beliefs: Mapping[Task, Belief] = field(default_factory=dict)
    wasted: Mapping[Task, int] = field(default_factory=dict)

    @property
    def current(self) -> Task | None:
        """The edge in hand; None when all are done."""
        return next((task for task in self.course.tasks if not self._done(task)), None)

    def _done(self, task: Task) -> bool:
        return task in self.beliefs and outcome(self, task) is not None


def course_for(
    sheet: Datasheet,
    threshold: float,
    jitter_s: float,
    options: Options = Options(),  # noqa: B008 - a plain value
    volts_range: tuple[float, float] | None = None,
    *,
    by_watts: bool = False,
) -> Course:
    """What is to be measured of a lamp with this rough datasheet.

    ``threshold`` (CIEDE2000) is the eyes'; ``by_watts``: they see watts, not colours. InputError when they cannot tell
    enough of its scenes apart.
    """
    names = {scene.name: scene.code for scene in sheet.scenes}
    if by_watts:
        draws = [(scene.code, scene.watts or 0.0) for scene in sheet.scenes]
        near = [
            (a, b) for (a, p), (b, q) in combinations(draws, 2) if abs(p - q) <= 2 * WATTS_WITHIN * max(p, q)
        ]
    else:
        near = [(names[a], names[b]) for a, b in alike(sheet, threshold)]
    subject = Subject(sheet, frozenset(map(frozenset, near)))
    if subject.counts:
        assert subject.run
    return Course(subject, jitter_s, options, volts_range)


def next_question(run: Run) -> Question | Findings:
    """The next thing to ask of the lamp, or what was found."""
    question = _next(run)
    if isinstance(question, Findings) or run.course.subject.counts:
        return question
    return question._replace(looks=2, seconds=question.seconds + LOOK_S)


def _next(run: Run) -> Question | Findings:
    if reason := _stuck(run):
        return findings(run, reason)
    volts = run.course.usual_v
    if run.seen is None:
        lead_in_s = 0.0 if run.warm else max(f.rest_s for f in run.course.footings[:1])
        return Question(
            "look", "what it shows now", Train((), lead_in_s), volts=volts, seconds=lead_in_s + LOOK_S
        )
    subject = run.course.subject
    if run.footing is None:
        footing = run.course.footings[run.tried]
        pulses, code = stand_on(subject, footing, run.seen)
        what = f"does it take breaks of {footing.pulse_s:.2f} s, {footing.gap_s:.2f} s apart"
        train = Train(pulses)
        return Question("footing", what, train, reads={code: 1}, volts=volts, seconds=train.total_s + LOOK_S)
    task = run.current
    if task is None:
        return findings(run)
    known = run.beliefs.get(task) or _prior(run, task)
    most = most_lengths(subject, task.edge, run.footing, known.interval(0.99)[0])
    lengths = choose(known, most)
    shown = present(subject, task.edge, lengths, run.footing, run.seen)
    train = Train(shown.pulses)
    seconds = train.total_s + _look_s(subject, shown.reads)
    words = ", ".join(f"{s:.3f}" for s in lengths)
    at = "" if task.volts is None else f" at {task.volts:g} V"
    what = f"{task.edge}{at}: {words} s"
    return Question("edges", what, train, task, lengths, shown.reads, shown.otherwise, task.volts, seconds)


def answered(question: Question, code: int | None, *, spoiled: bool = False) -> Answer:
    """The answer to a question when this scene was seen after it."""
    found = None if spoiled or code is None else question.reads.get(code, question.otherwise)
    return Answer(question.stage, code, question.task, question.lengths_s, found, spoiled)


def learn(run: Run, answer: Answer) -> Run:
    """The run with one answer more."""
    run = replace(run, answers=(*run.answers, answer), seen=answer.code, warm=not answer.spoiled)
    if answer.stage == "footing" and not answer.spoiled and answer.code is not None:
        if answer.found_long:
            return replace(run, footing=run.course.footings[run.tried])
        return replace(run, tried=run.tried + 1)
    task = answer.task
    if task is None or run.footing is None:
        return run
    known = run.beliefs.get(task) or _prior(run, task)
    if answer.found_long is None:
        run = replace(run, wasted={**run.wasted, task: run.wasted.get(task, 0) + 1})
        return replace(run, beliefs={**run.beliefs, task: known})
    run = replace(run, beliefs={**run.beliefs, task: taught(known, answer.lengths_s, answer.found_long)})
    return replace(run, footing=_firmer(run, task)) if outcome(run, task) else run


def resumed(course: Course, answers: tuple[Answer, ...]) -> Run:
    """A run taken up again: what the lamp shows now is unknown, all else as it was."""
    run = Run(course)
    for answer in answers:
        run = learn(run, answer)
    return replace(run, seen=None, warm=False)


def outcome(run: Run, task: Task) -> Literal["found", "below", "above", "unsure"] | None:
    """How an edge was decided; None while it is not."""
    options, known = run.course.options, run.beliefs[task]
    low, high = known.interval(options.level)
    if known.below > OUTSIDE:
        return "below"
    if known.above > OUTSIDE:
        return "above"
    fine = FINE if task.edge == "ride-through" and task.volts is not None else FINEST
    wide = max(options.precision * known.estimate_s, fine * run.course.jitter_s)
    least, most = known.interval(NEARLY)
    if least > 0 and most < math.inf and high - low <= wide and most - least <= FAR * wide:
        return "found"
    return "unsure" if len(known.shown) + run.wasted.get(task, 0) >= options.most else None


def findings(run: Run, stuck: str | None = None) -> Findings:
    """All that was found so far, an edge each."""
    subject = run.course.subject
    measured = [_measurement(run, task) for task in run.course.tasks if task in run.beliefs]
    for edge in subject.edges:
        if note := subject.hidden(edge):
            claimed = subject.claimed(edge)
            measured.append(
                Measurement(edge, None, None, "hidden", None, None, None, 0.0, claimed, 0, 0, (), note)
            )
    order = {edge: place for place, edge in enumerate(subject.edges)}
    measured.sort(key=lambda m: (order[m.name], m.volts or 0.0))
    return Findings(tuple(measured), len(run.answers), stuck)


def _measurement(run: Run, task: Task) -> Measurement:
    known, subject = run.beliefs[task], run.course.subject
    how = outcome(run, task) or "unsure"
    reached = [length for one in known.shown for length in one.lengths_s] or [known.prior.high_s]
    certain = known.certain()
    if how == "below":
        certain = (0.0, min(reached))
    elif how == "above":
        certain = (max(reached), math.inf)
    bright, dim = subject.bright_and_dim
    home = {"ride-through": bright, "dim ride-through": dim}.get(task.edge)
    watts = subject.watts(home) if task.edge in ("ride-through", "dim ride-through") else None
    found = how in ("found", "unsure")
    wasted = run.wasted.get(task, 0)
    return Measurement(
        task.edge,
        task.volts,
        watts,
        how,
        known.estimate_s if found else None,
        known.interval(run.course.options.level) if found else None,
        certain,
        known.spread(),
        subject.claimed(task.edge),
        len(known.shown) + wasted,
        wasted,
        known.shown,
    )


def _prior(run: Run, task: Task) -> Belief:
    assert run.footing is not None
    options = run.course.options
    prior = prior_of(
        run.course.subject, task.edge, run.footing, run.course.jitter_s, options.longest_s, options.trust
    )
    return belief(_between_volts(run, task, prior))


def _between_volts(run: Run, task: Task, prior: Prior) -> Prior:
    """Ride-through at some volts, when it is known at less: more, by what C (V1^2 - V2^2) / (2 P) allows.

    From the ratio of the squared volts, when it drops out at none, to what it is when that is at 0.8 of the peak.
    """
    before = [t for t in run.beliefs if t.edge == "ride-through" and t.volts and outcome(run, t) == "found"]
    if task.volts is None or not before or prior.trust <= 0:
        return prior
    last = max(before, key=lambda t: t.volts or 0.0)
    assert last.volts
    held = run.beliefs[last].estimate_s
    if task.edge == "dim ride-through":
        return prior._replace(likely=(held, min(4 * held, prior.high_s)))
    if task.edge != "ride-through":
        return prior
    square = (task.volts / last.volts) ** 2
    likely = (0.95 * held * square, min(1.1 * held * (square - 0.64) / 0.36, prior.high_s))
    return prior._replace(likely=likely) if likely[0] < likely[1] else prior


def _firmer(run: Run, task: Task) -> Footing | None:
    """The lengths to stand on, once an edge is known: longer where it must be, rest no longer than need be."""
    short, long = run.beliefs[task].certain()
    footing = run.footing
    if footing is None or outcome(run, task) != "found":
        return footing
    changes: dict[str, float] = {}
    if task.edge == "gap":
        changes["gap_s"] = max(footing.gap_s, 1.1 * long)
    elif task.edge in ("ride-through", "dim ride-through"):
        changes["pulse_s"] = max(footing.pulse_s, 1.1 * long)
    elif task.edge == "pulse's end":
        resets = run.course.subject.sheet.off.reset is not None
        changes["pulse_s"] = min(footing.pulse_s, 0.95 * short)
        changes["dark_s"] = max(footing.dark_s, 1.1 * long) if resets else 1.1 * long + 0.1
    elif task.edge == "reset's end":
        changes["dark_s"] = 1.1 * long + 0.1
    elif task.edge == "warm-up":
        changes["warm_s"] = 1.1 * long
    else:
        changes["rest_s"] = max(1.1 * long + 0.2, footing.warm_s)
    return footing._replace(**changes)


def _stuck(run: Run) -> str | None:
    if sum(answer.spoiled for answer in run.answers) > MAX_SPOILED:
        return "edges come too late: mend the relay's make_s and break_s, or let the board be idle"
    last = run.answers[-MAX_UNSEEN:]
    if len(last) == MAX_UNSEEN and all(answer.code is None for answer in last):
        return "what it shows is none of the datasheet's scenes: correct their colours, or the eyes' white"
    if run.footing is None and run.tried >= len(run.course.footings):
        return "no breaks that were tried moved it as the datasheet says: try lampstep bench discover"
    return None


def _look_s(subject: Subject, codes: Mapping[int, int]) -> float:
    periods = [s.period_s for code in codes if (s := subject.sheet.scene_by_code(code)) and s.period_s]
    return LOOK_S + ROUNDS * max(periods, default=0.0)


def seconds_left(run: Run, question: Question) -> float:
    """What is still reckoned to come, at the pace of this question: about, not more."""
    left = 0
    for task in run.course.tasks:
        if task not in run.beliefs:
            left += USUAL
        elif outcome(run, task) is None:
            left += max(USUAL - len(run.beliefs[task].shown), 2)
    return left * max(question.seconds, 3.0)


def drive(
    run: Run, stand: Stand, keep: Callable[[Run], None], tell: Callable[[Run, Question], None]
) -> tuple[Run, Findings]:
    """Go on with a run until its end.

    ``keep`` gets the run after every answer, so that breaking off loses at most the train in hand; ``tell`` gets each
    question before it is put. Raises what the stand raises but Spoiled, which is an answer.
    """
    while not isinstance(question := next_question(run), Findings):
        tell(run, question)
        run = learn(run, _put(question, stand, run.course.subject.sheet))
        keep(run)
    return run, question


def _put(question: Question, stand: Stand, sheet: Datasheet) -> Answer:
    try:
        if question.volts is not None:
            stand.volts(question.volts)
        if question.train.pulses:
            stand.send(question.train)
        elif question.train.lead_in_s:
            stand.supply(question.train.lead_in_s)
        return answered(question, _seen(question, stand, sheet))
    except Spoiled:
        return answered(question, None, spoiled=True)


def _seen(question: Question, stand: Stand, sheet: Datasheet) -> int | None:
    """The code on which enough looks in succession agree; None when they do not come to agree."""
    codes: list[int | None] = []
    while len(codes) < MAX_LOOKS:
        codes.append(match(sheet, stand.look(), stand.threshold).code)
        if len(codes) >= question.looks and len(set(codes[-question.looks :])) == 1:
            return codes[-1]
    return None
