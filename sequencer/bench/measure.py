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
from typing import TYPE_CHECKING, Literal

from sequencer.bench.colours import match
from sequencer.bench.measurement import (
    AS_SAME_TRAIN,
    ROOM,
    Answer,
    Course,
    Findings,
    Measurement,
    Question,
    Task,
    note,
)
from sequencer.bench.presentations import fits, most_lengths, present, stand_on
from sequencer.bench.stand import Spoiled
from sequencer.bench.subject import EdgeName, Footing, Subject, prior_of
from sequencer.bench.threshold import Belief, Prior, belief, choose
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
SURELY = 6.0
"""So many standard deviations of the relay keep a length surely beyond an edge."""
MAX_LOOKS = 5
LOOK_S = 1.0
ROUNDS = 2.5
"""How long a look is reckoned to take: at a still scene, and in periods of a moving one."""
USUAL = 8
"""Presentations that an edge is reckoned to take, for the time left."""


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
        tasks = (task for task in self.course.tasks if not self._done(task))
        return next((task for task in tasks if untold(self, task) is None), None)

    def _done(self, task: Task) -> bool:
        return task in self.beliefs and outcome(self, task) is not None


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
        pulses, code = stand_on(subject, footing, run.seen, run.course.options.limits.cycle_s)
        what = f"does it take breaks of {footing.pulse_s:.2f} s, {footing.gap_s:.2f} s apart"
        train = Train(pulses)
        return Question("footing", what, train, reads={code: 1}, volts=volts, seconds=train.total_s + LOOK_S)
    task = run.current
    if task is None:
        return findings(run)
    known = run.beliefs.get(task) or _prior(run, task)
    cycle_s = run.course.options.limits.cycle_s
    most = most_lengths(subject, task.edge, run.footing, known.interval(0.99)[0])
    lengths = choose(known, most)
    while not fits(subject, task.edge, lengths, run.footing, run.seen, cycle_s):
        lengths = choose(known, most := min(most, len(lengths)) - 1)
    shown = present(subject, task.edge, lengths, run.footing, run.seen, cycle_s)
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


def untold(run: Run, task: Task) -> str | None:
    """Why no train tells this edge of this lamp, as far as it is known by now; None when one does, or may yet."""
    if run.footing is None or task.edge not in ("gap", "noticed"):
        return None
    before: list[EdgeName] = ["pulse's end", "gap"] if task.edge == "noticed" else ["pulse's end"]
    earlier = [one for one in run.course.tasks if one.edge in before]
    if any(not (one in run.beliefs and outcome(run, one)) and not untold(run, one) for one in earlier):
        return None
    on, subject, longest_s = run.footing, run.course.subject, run.footing.gap_s
    if task.edge == "noticed":
        if math.isinf(on.beyond_pulse_s):
            return "where a pulse ends was not found, so no two are surely longer than one"
        longest_s = _missed_s(run)
        if run.course.shortest("noticed") > ROOM * longest_s:
            return "no supply can be shown after which the second pulse is surely missed"
    shown = present(subject, task.edge, (longest_s,), on, subject.codes[0], run.course.options.limits.cycle_s)
    return (
        None if shown.pulses else "no two pulses tell: one break of their length may lead to the same scene"
    )


def _missed_s(run: Run) -> float:
    """Up to which supply the second pulse is surely missed."""
    return max(
        (run.beliefs[one].certain()[0] for one in run.beliefs if one.edge == "gap" and outcome(run, one)),
        default=0.0,
    )


def findings(run: Run, stuck: str | None = None) -> Findings:
    """All that was found so far, an edge each."""
    subject = run.course.subject
    measured = [_measurement(run, task) for task in run.course.tasks if task in run.beliefs]
    for edge in subject.edges:
        if why := run.course.hidden(edge):
            claimed = subject.claimed(edge)
            measured.append(
                Measurement(edge, None, None, "hidden", None, None, None, 0.0, claimed, 0, 0, (), why)
            )
    order = {edge: place for place, edge in enumerate(subject.edges)}
    for task in run.course.tasks:
        if task not in run.beliefs and (why := untold(run, task)):
            claimed = subject.claimed(task.edge)
            blank = Measurement(
                task.edge, task.volts, None, "unsure", None, None, None, 0.0, claimed, 0, 0, ()
            )
            measured.append(blank._replace(note=f"{why}: {AS_SAME_TRAIN}" if task.edge == "noticed" else why))
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
        note(run.course, task.edge, how),
    )


def _prior(run: Run, task: Task) -> Belief:
    assert run.footing is not None
    options, on = run.course.options, run.footing
    serves = {
        "gap": on.gap_s,
        "warm-up": on.rest_s,
        "ride-through": on.pulse_s,
        "dim ride-through": on.pulse_s,
    }
    shortest_s = min(run.course.shortest(task.edge), ROOM * serves.get(task.edge, math.inf))
    prior = prior_of(
        run.course.subject,
        task.edge,
        run.footing,
        run.course.jitter_s,
        _missed_s(run) if task.edge == "noticed" else options.longest_s,
        options.trust,
        shortest_s=shortest_s,
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
    if footing is None:
        return footing
    if outcome(run, task) == "above" and task.edge == "pulse's end":
        return footing._replace(longest_pulse_s=0.95 * short)
    if outcome(run, task) != "found":
        return footing
    changes: dict[str, float] = {}
    if task.edge == "gap":
        changes["gap_s"] = max(footing.gap_s, 1.1 * long)
    elif task.edge in ("ride-through", "dim ride-through"):
        changes["pulse_s"] = max(footing.pulse_s, 1.1 * long)
    elif task.edge == "pulse's end":
        resets = run.course.subject.sheet.off.reset is not None
        changes["pulse_s"] = max(min(footing.pulse_s, 0.95 * short), run.course.options.shortest_s)
        changes["dark_s"] = max(footing.dark_s, 1.1 * long) if resets else 1.1 * long + 0.1
        changes["longest_pulse_s"] = 0.95 * short
        changes["beyond_pulse_s"] = 1.1 * long + SURELY * run.course.jitter_s
    elif task.edge == "reset's end":
        changes["longest_reset_s"] = 0.95 * short
        changes["dark_s"] = 1.1 * long + 0.1
    elif task.edge == "warm-up":
        changes["warm_s"] = 1.1 * long
    elif task.edge == "settling":
        changes["rest_s"] = max(1.1 * long + 0.2, footing.warm_s)
    if "dark_s" in changes:
        changes["dark_s"] = min(changes["dark_s"], run.course.options.limits.max_dark_s)
    return footing._replace(**changes)


def _stuck(run: Run) -> str | None:
    if sum(answer.spoiled for answer in run.answers) > MAX_SPOILED:
        return "edges come too late: mend the relay's make_s and break_s, or let the board be idle"
    last = run.answers[-MAX_UNSEEN:]
    if len(last) == MAX_UNSEEN and all(answer.code is None for answer in last):
        return "what it shows is none of the datasheet's scenes: correct their colours, or the eyes' white"
    if run.footing is None and run.tried >= len(run.course.footings):
        limits = run.course.options.limits
        if sum(run.course.footings[0][:2]) < limits.cycle_s:
            limit = f"max_flashes_per_s = {limits.max_flashes_per_s:g}"
            return f"{limit} keeps two breaks of one train further apart than this lamp's datasheet allows"
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
