"""What a story is made of: frozen values, so that a test can look at them and two renderers can show them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from sequencer.datasheet import LampScene
from sequencer.planner import LampProof, Plan, Refusal


class Lane(NamedTuple):
    """What one lamp showed over a strip: (seconds, code or None for dark) at each change, the first at 0.

    ``scenes`` are those of its type, by code; ``wanted`` is the code of the one it is to be on.
    """

    lamp: str
    stem: str
    shown: tuple[tuple[float, int | None], ...]
    wanted: int
    scenes: Mapping[int, LampScene]

    @property
    def last(self) -> LampScene | None:
        """What it shows at the end of the strip; None when it is dark."""
        code = self.shown[-1][1]
        return None if code is None else self.scenes[code]

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
    """One step: what is said, the train with its proof if one is sent, what happened, what is said after."""

    title: str
    words: str
    circuit: str
    plan: Plan | None = None
    heard: tuple[Heard, ...] = ()
    strip: Strip | None = None
    refusal: Refusal | None = None
    after: str = ""


class Tightest(NamedTuple):
    """The least slack of all trains sent: whose it is, and where."""

    circuit: str
    step: str
    proof: LampProof
    where: str


class Summary(NamedTuple):
    """All trains together: lamps brought onto their scene, of how many, and where it was tightest."""

    trains: int
    matched: int
    lamps: int
    tightest: Tightest
