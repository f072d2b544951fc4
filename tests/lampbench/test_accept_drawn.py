"""No sound lamp of any type is ever turned away: drawn datasheets, and lamps that use all the room these leave."""

from __future__ import annotations

import math
from random import Random

from hypothesis import assume, given, settings
from hypothesis import strategies as st

from sequencer.bench.accept import Course, Options, Run, failures
from sequencer.bench.drive import drive
from sequencer.bench.exercises import Trainer
from sequencer.bench.simulated import EyesThatErr, SimStand
from sequencer.datasheet import Datasheet
from sequencer.errors import InputError
from sequencer.sim.lamp import SimLamp
from sequencer.sim.nature import Nature
from sequencer.sim.relay import Manner
from tests.planner.drawn import RELAYS, small_sheets

COLOURS = ("#0b6672", "#c98d55", "#4f7d2c", "#8a5a9e", "#dfe9ee")
MANNERS: tuple[Manner, ...] = ("mean", "steady", "drawn", "extreme", "long breaks", "short breaks")
NATURES = (
    Nature.steady,
    Nature.corner,
    Nature.contrary,
    lambda chance: Nature.steady(chance, "drifting"),
    lambda chance: Nature.corner(chance, "drifting"),
)


@st.composite
def drawn_sheets(draw: st.DrawFn) -> Datasheet:
    """Those of the planner, and ones whose supply is noticed at once, late, or as same_train says."""
    sheet = draw(small_sheets(most_scenes=5))
    noticed = draw(
        st.sampled_from([None, (0.0, math.inf), (0.05, math.inf), (0.3, math.inf), (1.0, math.inf)])
    )
    return coloured(sheet.model_copy(update={"on": sheet.on.model_copy(update={"noticed": noticed})}))


def coloured(sheet: Datasheet) -> Datasheet:
    scenes = [s.model_copy(update={"colour": c}) for s, c in zip(sheet.scenes, COLOURS, strict=False)]
    return sheet.model_copy(update={"scenes": tuple(scenes)})


@settings(max_examples=60, deadline=None)
@given(
    drawn_sheets(),
    st.sampled_from(RELAYS),
    st.sampled_from(
        (1e-6, 0.01, 0.03)
    ),  # at 0, windows that touch leave a reading to the last digit of a float
    st.sampled_from(MANNERS),
    st.sampled_from(NATURES),
    st.integers(0, 999),
)
def test_a_sound_lamp_of_any_type_passes(
    sheet: Datasheet, delays: object, margin_s: float, manner: Manner, nature: object, seed: int
) -> None:
    chance = Random(seed)
    trainer = Trainer(sheet, delays, margin_s)  # type: ignore[arg-type]
    try:
        course = Course(trainer, Options(tours=2, seed=seed))
        assume(course.tasks)
    except InputError:
        assume(False)
    lamp = SimLamp(sheet, nature(chance), scene=chance.choice([s.code for s in sheet.scenes]))  # type: ignore[operator]
    eyes = EyesThatErr(noise=0.5)
    stand = SimStand(lamp, delays=trainer.delays, eyes=eyes, seed=seed, manner=manner)
    run, verdict = drive(Run(course), stand, lambda _: None, lambda _: None)
    assert verdict.accepted, [(entry.exercise, entry.seen) for entry in failures(run)]
    assert verdict.whole
