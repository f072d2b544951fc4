"""What the core keeps of one circuit: a frozen value, with the questions that its decisions ask of it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Literal, NamedTuple

from sequencer.core.contact import Contact

Phase = Literal["lit", "waiting", "planning", "sending", "ending", "dark", "unpowered"]

HOUR_S = 3600.0
MOST_STEADY_S = 900.0
"""The longest that repeated outages can make the supply's trial."""
RETRY_S = 5.0
MOST_RETRY_S = 300.0
"""After a failure the next try comes later each time, from the one to the other; our choice."""

PLANNER_LIMIT_S = 180.0
PLAYER_LIMIT_S = 120.0
"""What a planner may take, and a player beyond its train: more than their own limits, which they keep themselves."""


class LampRules(NamedTuple):
    """One lamp: what its memory does after a certain power-down, and its codes in order."""

    name: str
    after_power_down: Literal["remembered", "first", "next"]
    codes: tuple[int, ...]


class Rules(NamedTuple):
    """What does not change while the daemon runs; seconds.

    ``wanted``: for each scene that every lamp has, the code each lamp is to rest on. ``make_s``, ``break_s``:
    from a command to the contact closed or open, (least, greatest). ``settle_s``: of supply, after which every
    lamp is settled and warm; ``power_down_s``: of darkness, after which every lamp has
    certainly powered down; ``cycle_s``: from one opening to the next, the flash limit. ``in_step_s``: how long
    a moving scene stays in step to the eye; still ones are left out.
    """

    circuit: str
    lamps: tuple[LampRules, ...]
    wanted: Mapping[str, Mapping[str, int]]
    favourites: tuple[str, ...]
    settle_s: float
    power_down_s: float
    cycle_s: float
    make_s: tuple[float, float] = (0.0, 0.0)
    break_s: tuple[float, float] = (0.0, 0.0)
    in_step_s: Mapping[str, float] = {}
    has_switch: bool = False
    has_sense: bool = False
    between_dark: bool = False
    steady_s: float = 20.0
    max_cycles_per_h: int = 120
    resync_s: float = math.inf
    rephase_per_h: float = 1.0
    wish_s: float = 12 * HOUR_S


class Belief(NamedTuple):
    """The scene a lamp certainly rests on, and who says so: the proof of a train, or a person."""

    code: int
    by: Literal["train", "person"]


class Wish(NamedTuple):
    """A scene that a person chose, and when."""

    scene: str
    since: float


class Question(NamedTuple):
    """What the planner was asked. Two that are equal get the same answer."""

    scene: str
    start: Literal["rest", "cut"]
    known: Mapping[str, int]


class Answer(NamedTuple):
    """A train that the planner found: relay cycles, and seconds in all and of darkness."""

    cycles: int
    length_s: float
    dark_s: float


class CircuitState(NamedTuple):
    """One circuit as the core knows it. Times are on the daemon's own axis; see the events."""

    rules: Rules
    scene: str
    """The remembered scene: what the circuit was last brought onto."""
    remembered: bool = True
    """False: it was never brought onto any, and ``scene`` is the first favourite."""
    at: float = 0.0
    phase: Phase = "lit"
    switch: bool = True
    supply: bool = True
    occupied: bool = False
    quiet: bool = False
    clock: bool = False
    show: str | None = None
    slot: str = ""
    hand: Wish | None = None
    """What was chosen at the switch or the button."""
    request: Wish | None = None
    """What was asked of the daemon."""
    steady: bool = False
    known: Mapping[str, Belief] = {}
    contact: Contact = Contact()
    """Where the contact stands, and when it last opened and closed."""
    supply_since: float = -math.inf
    """Since when supply has certainly been at the contact, where something cut it."""
    may_open_at: float = -math.inf
    """Not before then may the contact open, by the flash limit."""
    resync: str = ""
    """Why a full train is to be sent whatever is known; empty: it is not."""
    synced_at: float = -math.inf
    """When the last full train was done: one that holds from any belief."""
    phased_at: float = -math.inf
    """When the last train was done, after which moving scenes are in step."""
    marred: bool = False
    """Something befell the lamps during the train that is being sent, so that its proof does not count."""
    number: int = 0
    asked: Question | None = None
    """What the planner was asked last, under ``number``."""
    answer: Answer | None = None
    overdue_at: float = math.inf
    """When an answer that has not come, the planner's or the player's, is taken to be lost."""
    refused: Mapping[str, str] = {}
    """Scenes for which the planner has no train from what is known, and why not."""
    trouble: str = ""
    """What failed last, until something succeeds."""
    failures: int = 0
    retry_at: float = -math.inf
    steady_until: float = -math.inf
    """Not before then does a train follow an outage."""
    outages: tuple[float, ...] = ()
    cycles: tuple[tuple[float, int], ...] = ()
    """Relay cycles of the last hour."""
    full_cycles: Mapping[str, int] = {}
    """Relay cycles of the last full train to each scene."""

    @property
    def rank(self) -> str:
        """Whose word counts now: the first of :data:`PRECEDENCE` that has something to say."""
        return next(name for name, speaks, _ in PRECEDENCE if speaks(self))

    @property
    def wanted(self) -> str:
        """The scene that the lamps are to show when they are lit."""
        return next(scene(self) for _, speaks, scene in PRECEDENCE if scene(self) and speaks(self))

    @property
    def off(self) -> bool:
        """Whether the lamps are to be dark. That nothing is due is known only by a clock that is trusted."""
        return self.rank == "off" or (self.rank == "memory" and self.rules.between_dark and self.clock)

    @property
    def with_player(self) -> bool:
        """Whether the contact is a player's, or waits for one."""
        return self.phase in {"sending", "ending"}

    @property
    def lit_since(self) -> float:
        """Since when supply has certainly been at the lamps without a break; ``inf`` while that is not certain."""
        lit = self.supply and self.contact.stands == "closed"
        return max(self.contact.closed.last, self.supply_since) if lit else math.inf

    @property
    def settles_at(self) -> float:
        """When every lamp is settled and warm."""
        return self.lit_since + self.rules.settle_s

    @property
    def settled(self) -> bool:
        """Whether every lamp is at rest."""
        return self.at >= self.settles_at

    def certain(self, scene: str) -> bool:
        """Whether every lamp certainly rests on its part of a scene."""
        codes = self.rules.wanted.get(scene)
        if codes is None:
            return False
        return all(lamp in self.known and self.known[lamp].code == code for lamp, code in codes.items())

    @property
    def matched(self) -> bool:
        """Lit, and every lamp certainly on the scene wanted."""
        return self.phase in {"lit", "waiting", "planning"} and self.settled and self.certain(self.wanted)

    @property
    def hears_of_lamps(self) -> bool:
        """Whether what a person sees now can be what a lamp rests on."""
        return self.settled and self.phase in {"lit", "waiting", "planning"}

    @property
    def recent_cycles(self) -> int:
        """Relay cycles of the last hour."""
        return sum(count for _, count in self.cycles)

    @property
    def rephase_at(self) -> float:
        """When the lamps of a moving scene are out of step to the eye, or as soon after as is allowed."""
        in_step_s = self.rules.in_step_s.get(self.wanted, math.inf)
        per_h = self.rules.rephase_per_h
        return self.phased_at + max(in_step_s, HOUR_S / per_h) if per_h else math.inf

    @property
    def full_at(self) -> float:
        """When the next full train is due by time alone."""
        return min(self.synced_at + self.rules.resync_s, self.rephase_at)

    @property
    def due(self) -> str:
        """Why a train is to be sent; empty: none is."""
        scene = self.wanted
        if self.steady or scene not in self.rules.wanted or scene in self.refused:
            return ""
        if self.resync:
            return self.resync
        if not self.certain(scene):
            return "not every lamp is certainly on the scene"
        if self.at >= self.rephase_at:
            return "its moving lamps drift out of step"
        return "the re-sync schedule" if self.at >= self.full_at else ""

    @property
    def question(self) -> Question:
        """What to ask the planner for the train that is due."""
        full = self.resync or (self.certain(self.wanted) and self.at >= self.full_at)
        known = {} if full else {lamp: belief.code for lamp, belief in self.known.items()}
        return Question(self.wanted, "rest" if self.settled else "cut", known)

    @property
    def serves(self) -> bool:
        """Whether the planner's answer will do: one for lamps in the middle of something also does at rest."""
        return self.asked in (self.question, self.question._replace(start="cut"))

    @property
    def held(self) -> str:
        """Why a train that is due has to wait; empty: it need not."""
        return next((words for holds, words in HELD if holds(self)), "")

    @property
    def deadline(self) -> float:
        """When time alone may next change something; ``inf``: never."""
        times = [
            self.overdue_at,
            self.may_open_at,
            self.steady_until,
            self.retry_at,
            self.settles_at,
            self.full_at,
        ]
        times += [wish.since + self.rules.wish_s for wish in (self.hand, self.request) if wish is not None]
        times += [at + HOUR_S for at, _ in self.cycles]
        return min((at for at in times if at > self.at), default=math.inf)


Speaks = Callable[[CircuitState], bool]
SceneOf = Callable[[CircuitState], str]

PRECEDENCE: tuple[tuple[str, Speaks, SceneOf], ...] = (
    ("off", lambda s: s.rules.has_switch and not s.switch, lambda _: ""),
    ("steady", lambda s: s.steady, lambda _: ""),
    ("hand", lambda s: s.hand is not None, lambda s: s.hand.scene if s.hand else ""),
    ("request", lambda s: s.request is not None, lambda s: s.request.scene if s.request else ""),
    ("calendar", lambda s: s.show is not None and s.clock, lambda s: s.show or ""),
    ("memory", lambda _: True, lambda s: s.scene),
)
"""Whose word counts, the first that speaks, and the scene it asks for (none: ask the next, should they be lit).

Off at the switch is always obeyed. Steady is plain light: no trains, whatever comes below. The calendar speaks
only while the clock is to be trusted. What is left is memory: the scene the circuit was last brought onto.
"""

HELD: tuple[tuple[Speaks, str], ...] = (
    (lambda s: s.contact.stands != "closed", "the contact is not confirmed closed"),
    (lambda s: s.occupied, "people may be in the water"),
    (lambda s: s.quiet, "these are quiet hours"),
    (lambda s: s.at < s.steady_until, "the supply has not been steady for long enough"),
    (lambda s: s.at < s.retry_at, "the last try failed"),
    (lambda s: bool(s.known) and not s.settled, "the lamps are still coming up"),
    (
        lambda s: (
            s.recent_cycles + (s.answer.cycles if s.answer and s.serves else 1) > s.rules.max_cycles_per_h
        ),
        "the relay has had its cycles for this hour",
    ),
)
"""What makes a train that is due wait, in plain words, the first that holds."""
