"""Acceptance: sound lamps pass, each injected defect is found, and a run can be taken up again anywhere."""

from __future__ import annotations

import math
from dataclasses import replace
from random import Random

import pytest

from sequencer.bench.accept import (
    ENOUGH,
    MAX_SPOILED,
    Course,
    Options,
    Run,
    Seen,
    Verdict,
    failures,
    learn,
    next_question,
    seconds_left,
)
from sequencer.bench.drive import Step, drive
from sequencer.bench.exercises import Exercise, Trainer
from sequencer.bench.simulated import EyesThatErr, SimStand
from sequencer.datasheet import Datasheet
from sequencer.errors import HardwareError, InputError
from sequencer.sim.lamp import SimLamp
from sequencer.sim.nature import Nature
from sequencer.train import Pulse
from tests.lampbench.defects import DEFECTS, VOLTS, Defect, sheet_of, sound, unsound

STEMS = "abcde"
SEEDS = range(5)
_COURSES: dict[tuple[str, int], Course] = {}


def course(stem: str, tours: int = 3) -> Course:
    if (stem, tours) not in _COURSES:
        _COURSES[stem, tours] = Course(Trainer(sheet_of(stem)), Options(tours=tours), VOLTS)
    return _COURSES[stem, tours]


def accept(stand: SimStand, given: Course) -> tuple[Run, Verdict]:
    return drive(Run(given), stand, lambda _: None, lambda _: None)


@pytest.mark.parametrize("stem", STEMS)
def test_sound_lamps_pass(stem: str) -> None:
    """Twenty of each type, a hundred in all, each using all the room that its datasheet leaves."""
    for seed in range(20):
        run, verdict = accept(sound(stem, seed), course(stem, tours=1))
        assert verdict.accepted, (seed, [entry.exercise.what for entry in failures(run)])
        assert verdict.whole
        assert verdict.slips == 0


@pytest.mark.parametrize("defect", DEFECTS, ids=lambda defect: defect.name)
def test_each_defect_is_found(defect: Defect) -> None:
    for seed in SEEDS:
        run, verdict = accept(unsound(defect, seed), course(defect.stem, tours=10))
        assert not verdict.accepted, seed
        assert {entry.exercise.phase for entry in failures(run)} <= defect.found_in


class StartsSlowly(SimLamp):
    """After a break it needs longer than its datasheet says to start; with less, the break and the next are one."""

    def _draw_start_up(self) -> float:
        return self.datasheet.noticed[0] + 0.1


def with_noticed(stem: str, start_s: float | None) -> Datasheet:
    sheet = sheet_of(stem)
    noticed = None if start_s is None else (start_s, math.inf)
    return sheet.model_copy(update={"on": sheet.on.model_copy(update={"noticed": noticed})})


@pytest.mark.parametrize("start_s", [None, 0.03, 0.6])
@pytest.mark.parametrize("stem", STEMS)
def test_a_lamp_that_starts_slower_than_its_datasheet_says_is_found(stem: str, start_s: float | None) -> None:
    """Left out, ``noticed`` begins with same_train; else sooner, or later. A sound lamp passes all the same."""
    sheet = with_noticed(stem, start_s)
    given = Course(Trainer(sheet), Options(tours=1))
    for seed in range(3):
        nature = Nature.steady(Random(seed))
        run, verdict = accept(SimStand(StartsSlowly(sheet, nature, scene=1), seed=seed), given)
        assert not verdict.accepted
        slow = replace(nature, start_up=1.0)
        run, verdict = accept(SimStand(SimLamp(sheet, slow, scene=1), seed=seed), given)
        assert verdict.accepted, [entry.exercise.what for entry in failures(run)]


@pytest.mark.parametrize("stem", STEMS)
def test_the_least_supply_that_is_noticed_is_tried_and_names_all_that_may_follow(stem: str) -> None:
    """Where same_train wants more, a second pulse may be missed: what counts is that the two are not one break."""
    given = Course(Trainer(with_noticed(stem, 0.03)), Options())
    tasks = [
        task for task in given.tasks if task.edge and task.edge.what == "shortest supply that is noticed"
    ]
    assert len(tasks) == Options().repeats
    exercise = given.exercise(tasks[0], 1, cold=False)
    assert exercise is not None
    trainer = given.trainer
    pad_s = trainer.margin_s + trainer.delays.spread_s
    on_s = 0.03 / (1 - trainer.sheet.lamp.clock_tolerance) + pad_s
    pulses = exercise.train.pulses
    least = [place for place, pulse in enumerate(pulses) if pulse.on_s == pytest.approx(on_s)]
    assert least == list(range(least[0], len(pulses) - 1))
    merged_s = sum(pulse.off_s + pulse.on_s for pulse in pulses[least[0] :]) - pulses[-1].on_s
    merged = (*pulses[: least[0]], Pulse(merged_s, pulses[-1].on_s))
    assert not {exercise.expects, *exercise.or_else} & trainer.may_end_on(
        merged, None if trainer.blind else 1
    )


def test_what_failed_says_what_was_seen() -> None:
    defect = next(d for d in DEFECTS if d.name == "swapped scenes")
    run, _ = accept(unsound(defect, 1), course("a"))
    wrong = {(entry.exercise.expects, entry.seen.code) for entry in failures(run)}
    assert wrong == {(2, 4), (4, 2)}


def test_a_broken_lamp_does_not_take_the_whole_run() -> None:
    defect = next(d for d in DEFECTS if d.name == "rides through pulses")
    run, verdict = accept(unsound(defect, 1), course("b", tours=10))
    assert len(failures(run)) == ENOUGH
    assert not verdict.whole
    assert len(run.log) < len(run.course.tasks)


def test_eyes_that_lapse_do_not_fail_a_lamp() -> None:
    """One look in twenty names a chance scene; twice in a row for the same wrong thing is one in four hundred."""
    stand = sound("a", 1)
    stand._eyes = EyesThatErr(lapse=0.05)
    _, verdict = accept(stand, course("a"))
    assert verdict.accepted
    assert verdict.lapses > 0


def test_nothing_is_known_at_the_start_and_little_after_a_resume() -> None:
    given = course("a")
    first = next_question(Run(given))
    assert isinstance(first, Exercise)
    assert first.train.lead_in_s == given.trainer.lead_in_s
    second = next_question(learn(Run(given), first, Seen(first.expects)))
    assert isinstance(second, Exercise)
    assert second.train.lead_in_s == 0
    resumed = replace(learn(Run(given), first, Seen(first.expects)), resumed_at=1)
    assert next_question(resumed) == given.exercise(given.tasks[1], None, cold=True)


@pytest.mark.parametrize("stem", ["a", "d"])
def test_broken_off_anywhere_and_taken_up_again(stem: str) -> None:
    """The lamp is left counting, on any scene; the verdict is the same, and nothing is asked twice but looks."""

    given, chance = course(stem), Random(4)
    stand = sound(stem, 3)
    kept = Run(given)
    breaks = 0
    while True:
        left = chance.randint(1, 9)

        def keep(run: Run) -> None:
            nonlocal kept, left
            kept, left = run, left - 1
            if left == 0:
                raise InterruptedError

        try:
            run, verdict = drive(replace(kept, resumed_at=len(kept.log)), stand, keep, lambda _: None)
            break
        except InterruptedError:
            breaks += 1
            stand.dark(0.3)  # somebody's hand, before it is taken up again
    assert verdict.accepted
    assert breaks >= 4
    assert run.done == len(given.tasks)


def test_progress_counts_down_to_nothing() -> None:
    steps: list[Step] = []
    drive(Run(course("c", tours=1)), sound("c", 1), lambda _: None, steps.append)
    assert [step.done for step in steps] == list(range(1, len(steps) + 1))
    assert steps[-1].done == steps[-1].of
    assert steps[-1].left_s == 0
    assert all(later.left_s < earlier.left_s * 1.2 for earlier, later in zip(steps, steps[1:], strict=False))


def test_what_a_run_takes_is_reckoned_within_a_quarter() -> None:
    stand = sound("a", 1)
    reckoned = seconds_left(Run(course("a")))
    accept(stand, course("a"))
    assert stand.spent.seconds == pytest.approx(reckoned, rel=0.25)


def test_a_spoiled_train_is_sent_again_from_a_lead_in_and_not_for_ever() -> None:
    given = course("a")
    run = Run(given)
    for number in range(MAX_SPOILED + 1):
        question = next_question(run)
        assert isinstance(question, Exercise)
        assert question.train.lead_in_s == given.trainer.lead_in_s
        assert run.done == 0, number
        run = learn(run, question, Seen(None, spoiled=True))
    with pytest.raises(HardwareError, match="6 trains were spoiled"):
        next_question(run)


def test_a_lamp_that_shows_nothing_known_is_not_looked_at_for_ever() -> None:
    """Type D is never brought to a known scene: all hangs on what it is seen to show."""
    sheet = sheet_of("d")
    dark = sheet.model_copy(
        update={"scenes": tuple(s.model_copy(update={"colour": "#000000"}) for s in sheet.scenes if s.colour)}
    )
    stand = SimStand(SimLamp(sheet, Nature(), scene=1), dark, volts_range=VOLTS)
    run, verdict = accept(stand, course("d"))
    assert not verdict.accepted
    assert len(run.log) <= ENOUGH + 1


def test_the_volts_are_the_lowest_rated_in_their_phase_and_the_middle_else() -> None:
    run, _ = accept(sound("b", 1), course("b", tours=1))
    volts = {(entry.exercise.phase == "low volts", entry.exercise.volts) for entry in run.log}
    assert volts == {(True, 10.5), (False, 12.25)}


def test_with_a_fixed_supply_the_lowest_volts_are_left_out() -> None:
    given = Course(Trainer(sheet_of("b")), Options(tours=1))
    assert "low volts" not in {task.phase for task in given.tasks}
    assert {task.volts for task in given.tasks} == {None}


def test_every_exercise_is_certain_by_the_planners_own_proof() -> None:
    for stem in STEMS:
        given = course(stem)
        for task in given.tasks:
            shows = None if given.trainer.blind else 1
            exercise = given.exercise(task, shows, cold=False)
            assert exercise is not None
            assert (
                given.trainer.ends_on(exercise.train.pulses, shows) == exercise.expects
                or shows == exercise.expects
            )


def test_no_exercise_flashes_faster_than_the_limit() -> None:
    for stem in STEMS:
        given = course(stem)
        for task in given.tasks:
            exercise = given.exercise(task, None if given.trainer.blind else 1, cold=True)
            assert exercise is not None
            for pulse in exercise.train.pulses:
                assert pulse.off_s + pulse.on_s >= 1 / 3 - 1e-9


def test_a_rig_too_coarse_for_the_lamp_is_said_before_anything_is_sent() -> None:
    with pytest.raises(InputError, match="Bench type A"):
        _ = Course(Trainer(sheet_of("a"), margin_s=0.9), Options()).tasks
