"""Whole lamps: the datasheet that is written keeps inside what the lamp does, and plans made from it match."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import NamedTuple

import pytest

from sequencer.bench.exercises import Trainer
from sequencer.bench.held_up import Fitted, fit
from sequencer.bench.kept_answers import load, measured_fields, save
from sequencer.bench.measure import MAX_SPOILED, Run, drive, findings, next_question
from sequencer.bench.measurement import Course, Findings, Measurement, Options, Question, course_for
from sequencer.bench.presentations import PITCH_S
from sequencer.bench.simulated import EyesThatErr, SimStand
from sequencer.bench.stand import Spent, Spoiled
from sequencer.bench.subject import jitter_of
from sequencer.bench.written import datasheet_toml, held_up, points, windows
from sequencer.datasheet import Datasheet, load_datasheet
from sequencer.errors import InputError
from sequencer.sim.lamp import SimLamp
from sequencer.sim.nature import Nature
from sequencer.train import Delays, Pulse, Train
from tests.lampbench.defects import sheet_of
from tests.lampbench.truth import misfits, roughly, shows, ticks

JITTER_S = jitter_of(Delays())


class Case(NamedTuple):
    """A lamp on the table, and the rough datasheet that it is measured with."""

    sheet: Datasheet
    nature: Nature
    stand: SimStand
    rough: Datasheet


def case(seed: int, lapse: float = 0.01, *, rough: bool = True) -> Case:
    """Types A to E in turn, of any nature that a real one may have, or at the worst corner of every gap."""
    rng = Random(seed)
    sheet = sheet_of("abcde"[seed % 5])
    corner = rng.random() < 0.3
    nature = Nature.corner(rng) if corner else Nature.steady(rng, rng.choice(("steady", "drifting")))
    # Otherwise what it takes for certain depends on its datasheet's windows, and not on its own: none could find out.
    nature = replace(nature, wakes_early=True)
    lamp = SimLamp(sheet, nature, scene=rng.choice(sheet.scenes).code)
    stand = SimStand(lamp, seed=seed, eyes=EyesThatErr(lapse=lapse))
    return Case(sheet, nature, stand, roughly(sheet, rng) if rough else sheet)


def measure(given: Case, course: Course | None = None) -> tuple[Run, Findings]:
    begun = Run(course or course_for(given.rough, 5.0, JITTER_S))
    return drive(begun, given.stand, lambda _: None, lambda *_: None)


def wrong_windows(given: Case, found: Findings) -> list[str]:
    hidden = frozenset(one.name for one in found.measured if one.outcome == "hidden")
    return misfits(windows(found, given.rough), given.sheet, given.nature, hidden)


@pytest.mark.parametrize("first", range(0, 100, 20))
def test_the_datasheet_keeps_inside_the_lamp(first: int, tmp_path: Path) -> None:
    """100 lamps of both kinds, datasheets guessed to a fifth: windows inside the truth, and plans that match."""
    for seed in range(first, first + 20):
        given = case(seed)
        _, found = measure(given)
        assert found.stuck is None, seed
        assert wrong_windows(given, found) == [], seed
        path = tmp_path / f"{seed}.toml"
        path.write_text(datasheet_toml(found, given.rough, "2026-01-01"), encoding="utf-8")
        assert plans_match(load_datasheet(path), given, seed), seed


@pytest.mark.parametrize("first", [0, 20])
def test_supply_that_it_notices_is_measured(first: int, tmp_path: Path) -> None:
    """40 lamps that start at once, soon, as late as a second pulse counts, or later: told, or as late as that."""
    told = 0
    for seed in range(first, first + 20):
        rng = Random(seed + 1000)
        drawn = sheet_of("abcde"[seed % 5])
        starts = drawn.on.same_train[0] * rng.choice((0.0, 0.3, 0.7, 1.0, 1.5))
        on = drawn.on.model_copy(update={"noticed": (starts, math.inf)})
        sheet = drawn.model_copy(update={"on": on})
        nature = replace(Nature.steady(rng, rng.choice(("steady", "drifting"))), wakes_early=True)
        stand = SimStand(SimLamp(sheet, nature, scene=1), seed=seed, eyes=EyesThatErr(lapse=0.01))
        given = Case(sheet, nature, stand, roughly(sheet, rng))
        _, found = measure(given)
        assert found.stuck is None, seed
        assert wrong_windows(given, found) == [], seed
        noticed = next(one for one in found.measured if one.name == "noticed")
        at = ticks(sheet, nature)
        written = windows(found, given.rough).on
        if at["noticed"][0] < 0.6 * at["gap"][0] and at["gap"][0] > 0.05:
            told += noticed.outcome in ("found", "below")
            assert written["noticed"].window[0] < written["same_train"].window[0], seed
        else:
            assert written["noticed"].window[0] <= written["same_train"].window[0], seed
        path = tmp_path / f"{seed}.toml"
        path.write_text(datasheet_toml(found, given.rough, "2026-01-01"), encoding="utf-8")
        assert load_datasheet(path).on.noticed == written["noticed"].window
        assert plans_match(load_datasheet(path), given, seed), seed
    assert told >= 5


def test_where_no_two_breaks_tell_noticed_is_as_late_as_same_train_and_that_is_said() -> None:
    """Every break moves this lamp on: as one or as two breaks with the second missed, it shows the same."""
    sheet = sheet_of("d")
    lamp = sheet.lamp.model_copy(update={"after_power_down": "next"})
    on = sheet.on.model_copy(update={"noticed": (0.1, math.inf)})
    moves_on = sheet.model_copy(update={"lamp": lamp, "on": on})
    nature = Nature(start_up=1.0, gap=0.8, wakes_early=True)
    given = Case(moves_on, nature, SimStand(SimLamp(moves_on, nature, scene=1)), moves_on)
    _, found = measure(given)
    noticed = next(one for one in found.measured if one.name == "noticed")
    assert (noticed.outcome, noticed.estimate_s, noticed.presentations) == ("unsure", None, 0)
    assert "noticed is taken to begin where same_train does" in noticed.note
    written = windows(found, moves_on).on
    assert written["noticed"].window == (written["same_train"].window[0], math.inf)
    assert written["same_train"].window[0] >= 0.4


def test_a_long_gap_of_a_lamp_that_starts_slowly_is_not_read_as_a_short_one() -> None:
    """Four pulses with supply that it does not notice are one reset; the scene after that must not look like four."""
    given = case(12)
    assert given.nature.start_up > 0.6
    _, found = measure(given)
    gap = next(one for one in found.measured if one.name == "gap")
    assert gap.interval_s is not None
    low, high = ticks(given.sheet, given.nature)["gap"]
    assert gap.interval_s[0] / 1.05 <= low
    assert high <= gap.interval_s[1] * 1.05


def plans_match(measured: Datasheet, given: Case, seed: int) -> bool:
    """Each scene in turn is planned for from the measured datasheet and played to the lamp itself."""
    trainer = Trainer(measured)
    blind = trainer.blind
    rng = Random(seed)
    lamp = SimLamp(given.sheet, given.nature, scene=rng.choice(given.sheet.scenes).code)
    stand = SimStand(lamp, seed=seed)
    stand.supply(trainer.lead_in_s)
    for scene in measured.scenes[:4]:
        stand.send(Train(trainer.to(scene.code, None if blind else shows(stand))))
        stand.supply(1.0)
        if shows(stand) != scene.code:
            return False
    return True


def test_eyes_that_lapse_more_often_cost_presentations_and_no_truth() -> None:
    usual = often = 0
    for seed in range(10):
        given = case(seed, lapse=0.05)
        _, found = measure(given)
        assert found.stuck is None
        assert wrong_windows(given, found) == [], seed
        often += found.presentations
        usual += measure(case(seed, lapse=0.0))[1].presentations
    assert usual < often


def test_intervals_of_whole_lamps_cover() -> None:
    """What tells the edges of a lamp apart is sound only if the 95 % intervals hold there, too: 200 edges and more."""
    held = of = 0
    for seed in range(60):
        given = case(seed, rough=False)
        _, found = measure(given)
        for one in found.measured:
            if one.interval_s is None or one.name in ("ride-through", "dim ride-through"):
                continue
            rate = 1.0
            if given.nature.temper == "steady":
                rate = 1 + given.nature.clock * given.sheet.lamp.clock_tolerance
            at = ticks(given.sheet, given.nature)[one.name][0] / rate
            held += one.interval_s[0] <= at <= one.interval_s[1]
            of += 1
    assert of > 200
    assert 0.90 <= held / of <= 0.99


def test_every_train_keeps_to_the_limit_of_flashes_and_to_the_longest_dark() -> None:
    for seed in range(5):
        given = case(seed)
        pulses: list[Pulse] = []

        def note(_: Run, question: Question, to: list[Pulse] = pulses) -> None:
            to.extend(question.train.pulses)

        drive(Run(course_for(given.rough, 5.0, JITTER_S)), given.stand, lambda _: None, note)
        assert min(pulse.off_s + pulse.on_s for pulse in pulses) >= PITCH_S - 1e-9
        assert max(pulse.off_s for pulse in pulses) <= Options().longest_s * 1.2


def test_taken_up_again_anywhere_it_is_the_same_run(tmp_path: Path) -> None:
    given = case(0)
    course = course_for(given.rough, 5.0, JITTER_S)
    path = tmp_path / "run.json"
    run, done = Run(course), False
    while not done:
        left = 7

        def keep(now: Run) -> None:
            nonlocal left, run
            run = now
            save(path, now, Spent(3, 4.0))
            left -= 1
            if not left:
                raise KeyboardInterrupt

        try:
            drive(run, given.stand, keep, lambda *_: None)
            done = True
        except KeyboardInterrupt:
            before = run
            run, spent = load(path, course)
            assert spent == Spent(3, 4.0)
            assert run.beliefs == before.beliefs
            assert (run.footing, run.tried, run.answers) == (before.footing, before.tried, before.answers)
            assert run.seen is None
    found = findings(run)
    assert len(run.answers) > 20
    assert wrong_windows(given, found) == []


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda data: data.update(course="0"), "begun with another datasheet, rig or options"),
        (lambda data: data.update(bench="accept"), "no run of lampstep bench measure"),
        (lambda data: data.pop("answers"), "no run of lampstep bench"),
        (lambda data: data["answers"].append({"stage": "edges"}), "no run of lampstep bench"),
        (lambda data: data["answers"].append(7), "no run of lampstep bench"),
        (
            lambda data: data["answers"][-1].update(found_long=99, stage="edges", edge="gap"),
            "no run of lampstep bench",
        ),
    ],
)
def test_a_file_that_is_no_run_is_refused(
    spoil: Callable[[dict[str, object]], object], said: str, tmp_path: Path
) -> None:
    given = case(0)
    run, _ = measure(given)
    path = tmp_path / "run.json"
    save(path, run, Spent())
    data = json.loads(path.read_text())
    spoil(data)
    path.write_text(json.dumps(data))
    with pytest.raises(InputError, match=said):
        load(path, run.course)


class Late(SimStand):
    """Every so many trains, an edge comes too late: nobody knows what the lamp made of it."""

    every = 14
    sent = 0

    def send(self, train: Train) -> None:
        self.sent += 1
        super().send(train)
        if self.sent % self.every == 0:
            self.lamp._scene = self.lamp._ring[0]
            raise Spoiled("edge 2 came 40 ms late")


def test_spoiled_trains_are_no_answers() -> None:
    given = case(1)
    late = Late(given.stand.lamp, seed=1, eyes=EyesThatErr(lapse=0.0))
    run, found = measure(given._replace(stand=late))
    spoiled = sum(answer.spoiled for answer in run.answers)
    assert 2 <= spoiled <= MAX_SPOILED
    assert found.stuck is None
    assert wrong_windows(given, found) == []
    late.every = 2
    late.sent = 0
    _, found = measure(given._replace(stand=late))
    assert found.stuck is not None
    assert "edges come too late" in found.stuck


def test_a_lamp_that_shows_something_else_ends_the_run() -> None:
    given = case(0, rough=False)
    grey = [
        scene.model_copy(update={"colour": f"#{20 * i:02x}0000"})
        for i, scene in enumerate(given.sheet.scenes)
    ]
    stand = SimStand(given.stand.lamp, given.sheet)
    wrong = given.sheet.model_copy(update={"scenes": tuple(grey)})
    course = course_for(given.sheet, 5.0, JITTER_S)
    stand.datasheet = wrong
    _, found = drive(Run(course), stand, lambda _: None, lambda *_: None)
    assert found.stuck is not None
    assert "none of the datasheet's scenes" in found.stuck
    assert found.measured == () or all(one.outcome == "hidden" for one in found.measured)


class Deaf(SimLamp):
    """Notices no break."""

    def supply(self, on: bool, at: float) -> None: ...


@pytest.mark.parametrize("stem", "ac")
def test_a_lamp_that_does_not_answer_ends_the_run(stem: str) -> None:
    sheet = sheet_of(stem)
    stand = SimStand(Deaf(sheet, Nature(), scene=1))
    run, found = drive(Run(course_for(sheet, 5.0, JITTER_S)), stand, lambda _: None, lambda *_: None)
    assert found.stuck is not None
    assert "lampstep bench discover" in found.stuck
    assert len(run.answers) < 60


def test_a_pulse_without_an_end_within_reach() -> None:
    """No break up to 20 s is anything but a pulse: its window ends there, and power-down is not put below."""
    sheet = sheet_of("d")
    off = sheet.off.model_copy(update={"pulse": (0.2, 100.0), "power_down": (150.0, math.inf)})
    lasting = sheet.model_copy(update={"off": off})
    stand = SimStand(SimLamp(lasting, Nature(), scene=2))
    _, found = measure(Case(lasting, Nature(), stand, sheet))
    end = next(one for one in found.measured if one.name == "pulse's end")
    assert end.outcome == "above"
    written = windows(found, sheet).off
    assert 10.0 < written["pulse"].window[1] <= 20.0
    assert written["power_down"].window[0] >= 2 * written["pulse"].window[1]
    assert "no edge found up to" in written["pulse"].comment


def test_the_capacitor_from_a_supply_that_can_be_set() -> None:
    """Types whose simulated lamp follows its ``[hold_up]``; the simulated one loses nothing in a rectifier."""
    seen = 0
    for seed in range(6):
        sheet = sheet_of("a")
        wide = sheet.model_copy(
            update={"off": sheet.off.model_copy(update={"ignored": (0, 0.005), "pulse": (0.2, 1.5)})}
        )
        lamp = SimLamp(wide, Nature(volts=0.5), scene=1)
        stand = SimStand(lamp, seed=seed, volts_range=(11.0, 15.0), eyes=EyesThatErr(lapse=0.01))
        course = course_for(wide, 5.0, JITTER_S, volts_range=stand.volts_range)
        _, found = drive(Run(course), stand, lambda _: None, lambda *_: None)
        fitted = fit(points(found), rectifier_v=0.0)
        assert isinstance(fitted, Fitted)
        assert wide.hold_up is not None
        seen += abs(fitted.capacitance_f - wide.hold_up.capacitance_f) <= 2 * fitted.capacitance_error_f
        seen += abs(fitted.dropout_v - wide.hold_up.dropout_v) <= 2 * fitted.dropout_error_v
        assert isinstance(held_up(found), Fitted)
        assert "[hold_up]  # a line through 5" in datasheet_toml(found, wide, "2026-01-01")
    assert seen >= 10  # of 12: two standard errors hold 95 %


def test_on_dc_the_pulse_begins_no_sooner_than_ac_would_allow() -> None:
    """The pulse begins when 7 mF have fallen from the peak of 15 V RMS, less 1.4 V, to 8.5 V at the dimmest 15 W.

    The line is given: t = C ((V - 1.4)^2 - V2^2) / (2 P), at four DC volts and the 30 W of type A's brightest scene.
    """
    sheet = sheet_of("a")
    one = Measurement(
        "ride-through", 11.0, 30.0, "found", 0.0, (0.0, 0.0), (0.0, 0.001), 0.0, (0.0, 0.1), 3, 0, ()
    )
    measured = []
    for volts in (11.0, 12.5, 14.0, 15.0):
        held = 7e-3 * ((volts - 1.4) ** 2 - 8.5**2) / 60
        span = (held - 1e-5, held + 1e-5)
        measured.append(one._replace(volts=volts, estimate_s=held, interval_s=span, certain_s=span))
    found = Findings(tuple(measured), 12)
    expected = 7e-3 * ((math.sqrt(2) * 15 - 1.4) ** 2 - 8.5**2) / 30 * 1.03
    assert windows(found, sheet, dc=True).off["pulse"].window[0] == pytest.approx(expected, rel=0.01)
    assert windows(found, sheet).off["pulse"].window[0] < expected / 2


def test_fields_are_json() -> None:
    _, found = measure(case(3))
    fields = measured_fields(found)
    assert json.loads(json.dumps(fields, allow_nan=False)) == fields
    assert {field["edge"] for field in fields} == {one.name for one in found.measured}


def test_questions_say_what_is_done() -> None:
    given = case(0)
    first = next_question(Run(course_for(given.rough, 5.0, JITTER_S)))
    assert isinstance(first, Question)
    assert first.what == "what it shows now"
    assert first.train.pulses == ()
