"""The plain values of a measurement: what is to be measured, what is asked and answered, what was found."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from typing import TYPE_CHECKING, Literal, NamedTuple

from sequencer.bench.colours import WATTS_WITHIN, alike
from sequencer.bench.presentations import shortest_shown
from sequencer.bench.subject import SHORTEST_S, EdgeName, Footing, Subject, footings
from sequencer.bench.threshold import Shown
from sequencer.train import Limits, Train

if TYPE_CHECKING:
    from sequencer.datasheet import Datasheet


ROOM = 0.9
"""Where the shortest length that can be shown is more than this part of one that surely serves, there is no edge to
find between them."""
ABOVE = 1.25
"""The lengths to stand on are so many times the shortest that the relay makes: room for an edge below them."""


AS_SAME_TRAIN = "noticed is taken to begin where same_train does"


class Options(NamedTuple):
    """How thorough a run is.

    An edge is done when its interval at ``level`` is no wider than ``precision`` of it or four standard deviations
    of the relay, or after ``most`` presentations. ``trust`` is put in the datasheet's own windows; no break is longer
    than ``longest_s`` or shorter than ``shortest_s``, no supply between two shorter than ``shortest_on_s``. ``volts``:
    at how many volts ride-through is measured, where the supply can be set. ``limits`` are the rig's: every train keeps
    them.
    """

    precision: float = 0.05
    level: float = 0.95
    most: int = 40
    trust: float = 0.8
    longest_s: float = 20.0
    volts: int = 4
    shortest_s: float = SHORTEST_S
    shortest_on_s: float = SHORTEST_S
    limits: Limits = Limits(max_dark_s=60.0)

    def shortest(self, edge: EdgeName) -> float:
        """The least length (s) that can be shown of what is varied for an edge: breaks or supply."""
        return self.shortest_on_s if edge in ("gap", "noticed", "warm-up", "settling") else self.shortest_s


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
    "hidden": no eye can tell. ``note`` says why, and where the relay makes nothing shorter.
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
            elif self.hidden(edge) is None:
                found.append(Task(edge, self.usual_v))
        return tuple(found)

    def hidden(self, edge: EdgeName) -> str | None:
        """Why an edge cannot be seen from outside, or not within the rig's limits; None when it can."""
        dark_s, limits = self.footings[0].dark_s, self.options.limits
        if edge == "warm-up" and dark_s > limits.max_dark_s:
            words = f"a power-down takes {dark_s:.3g} s without supply"
            return f"{words}, and the rig's max_dark_s is {limits.max_dark_s:g} s"
        on = self.footings[0]
        most_s = {"gap": on.gap_s, "noticed": on.gap_s, "warm-up": on.rest_s}
        if self.shortest(edge) > ROOM * most_s.get(
            edge, self.footings[0].pulse_s if "ride" in edge else math.inf
        ):
            words = f"none shorter than {self.shortest(edge):.3g} s keeps the rig's max_flashes_per_s"
            return f"{words} = {limits.max_flashes_per_s:g}"
        return self.subject.hidden(edge)

    def shortest(self, edge: EdgeName) -> float:
        """The least length (s) that is shown of an edge: as short as the relay and the flash limit allow."""
        limits = self.options.limits
        by_limits = shortest_shown(self.subject, edge, limits.cycle_s, limits.max_dark_s)
        return max(self.options.shortest(edge), by_limits)

    @cached_property
    def footings(self) -> tuple[Footing, ...]:
        """Lengths to stand on, in the order in which they are tried; well above the shortest of the relay."""
        pulse_s, gap_s = (ABOVE * s for s in (self.options.shortest_s, self.options.shortest_on_s))
        return tuple(
            each._replace(pulse_s=max(each.pulse_s, pulse_s), gap_s=max(each.gap_s, gap_s))
            for each in footings(self.subject.sheet, self.options.limits.cycle_s)
        )


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


def note(course: Course, edge: EdgeName, how: str) -> str:
    """What a person should know of how an edge was decided."""
    if how == "below":
        return _out_of_reach(course, edge)
    if edge != "noticed" or how == "found":
        return ""
    words = "no shorter supply than the gap is noticed" if how == "above" else "not sure"
    return f"{words}: {AS_SAME_TRAIN}"


def _out_of_reach(course: Course, edge: EdgeName) -> str:
    """Why an edge below all lengths cannot be found, where that is the relay's or the flash limit's doing."""
    shortest_s = course.options.shortest(edge)
    if course.shortest(edge) > shortest_s:
        limits, words = course.options.limits, f"{course.shortest(edge):.3g} s"
        return f"every length was long: none under {words} keeps max_flashes_per_s = {limits.max_flashes_per_s:g}"
    if (
        edge not in ("ride-through", "dim ride-through", "gap", "noticed", "warm-up")
        or shortest_s <= SHORTEST_S
    ):
        return ""
    what = "break" if edge in ("ride-through", "dim ride-through") else "supply"
    return f"every length was long: it lies below the shortest {what} of this relay, {shortest_s:.3g} s"
