"""What a story is made of: frozen values, so that a test can look at them and two renderers can show them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from sequencer.datasheet import Datasheet, LampScene
from sequencer.planner import LampProof, Plan, Refusal
from sequencer.words import tightest_words


class Lane(NamedTuple):
    """What one lamp showed over a strip: (seconds, code or None for dark) at each change, the first at 0.

    ``wanted`` is the code of the scene that it is to be on.
    """

    lamp: str
    sheet: Datasheet
    shown: tuple[tuple[float, int | None], ...]
    wanted: int

    def scene_at(self, at_s: float) -> LampScene | None:
        """What it shows at that moment; None when it is dark."""
        code = next(code for since, code in reversed(self.shown) if since <= at_s)
        return None if code is None else self.sheet.scene_by_code(code)

    @property
    def matched(self) -> bool:
        """Whether that is the scene it is to be on."""
        return self.shown[-1][1] == self.wanted


class Strip(NamedTuple):
    """A stretch of time on a circuit: when there was supply, from its beginning, and what each lamp showed."""

    length_s: float
    supply: tuple[tuple[float, float], ...]
    lanes: tuple[Lane, ...]

    @property
    def matched(self) -> int:
        """How many lamps are on their scene at its end."""
        return sum(lane.matched for lane in self.lanes)


class Heard(NamedTuple):
    """One break of a train, and what each type of lamp makes of it, by datasheet stem."""

    off_s: float
    on_s: float
    by: Mapping[str, str]


class Step(NamedTuple):
    """One step: what is said, the train with its proof if one is sent, what happened, what is said after.

    ``heard`` is empty where the train is the one that was sent before.
    """

    title: str
    words: str
    circuit: str
    sheets: Mapping[str, Datasheet]
    plan: Plan | None = None
    heard: tuple[Heard, ...] = ()
    strip: Strip | None = None
    refusal: Refusal | None = None
    after: str = ""


class Summary(NamedTuple):
    """All trains together: lamps brought onto their scene, of how many, and where it was tightest."""

    trains: int
    matched: int
    lamps: int
    circuit: str
    tightest: LampProof
    where: str


def summed(steps: tuple[Step, ...]) -> Summary:
    """The sums over all steps that sent a train; ValueError when none did."""
    sent = [
        (step, step.plan, step.strip) for step in steps if step.plan is not None and step.strip is not None
    ]
    proofs = [
        (proof.slack_s, number, proof)
        for number, (_, plan, _) in enumerate(sent)
        for proof in plan.lamps
        if proof.slack_s is not None
    ]
    _, number, tightest = min(proofs, key=lambda slack: slack[:2])
    step = sent[number][0]
    return Summary(
        trains=len(sent),
        matched=sum(strip.matched for _, _, strip in sent),
        lamps=sum(len(strip.lanes) for _, _, strip in sent),
        circuit=step.circuit,
        tightest=tightest,
        where=tightest_words(tightest, step.sheets[tightest.stem]),
    )
