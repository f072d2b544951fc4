"""Stories: what people, mains and faults do, drawn by Hypothesis or written down; and what came of each.

A story is a value that prints as the text that makes it again, so that one that was found can be kept as a test.
"""

from __future__ import annotations

import tempfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Literal, NamedTuple

from hypothesis import strategies as st

from sequencer.core import events as on
from tests.daemon import fault_daemon
from tests.daemon.conftest import SHARED_MEMORY
from tests.daemon.fault_fleets import SCENES
from tests.daemon.fault_points import ACTS, Act, Fault, Point
from tests.daemon.fault_world import World, Wrong

BEGIN_S = 30.0
"""From the daemon's start until a story begins: the first train."""
CALM_S = 60.0
QUIET_S = 600.0
"""Left alone for so long after no more than people did, the circuit is matched."""
LONG_QUIET_S = 3700.0
"""The same after faults and outages: retries and the supply's trial come later each time."""
What = Literal[
    "wait", "on", "off", "flick", "off and on", "ask", "resync", "steady", "taken back", "tell", "replace",
    "outage", "kill", "line", "occupied", "free",
]  # fmt: skip


class Do(NamedTuple):
    """One act, then ``pause_s`` of whatever follows. ``arg``: seconds, or which scene or lamp."""

    what: What
    pause_s: float
    arg: float = 0.0


Deed = Do | Fault
"""A fault is laid down at once, and strikes when its point is passed."""


class Story(NamedTuple):
    """A fleet by its number, the seed of its lamps and contacts, and what happens."""

    fleet: int
    seed: int
    deeds: tuple[Deed, ...]


class Told(NamedTuple):
    """What came of a story."""

    wrong: tuple[Wrong, ...]
    checked: Counter[str]
    struck: Counter[tuple[Point, Act]]
    passed: Counter[Point]

    @property
    def kinds(self) -> frozenset[str]:
        """Which promises were broken."""
        return frozenset(wrong.kind for wrong in self.wrong)


def told(story: Story) -> Told:
    """Let a story happen, then calm return, and take stock."""
    with tempfile.TemporaryDirectory(dir=SHARED_MEMORY if SHARED_MEMORY.is_dir() else None) as folder:
        world = World(Path(folder), story.fleet, story.seed)
        try:
            world.start()
            world.run(BEGIN_S)
            for deed in story.deeds:
                if isinstance(deed, Fault):
                    world.points.lay(deed)
                else:
                    DEEDS[deed.what](world, deed.arg)
                    world.run(deed.pause_s)
            _calm(world, story)
        finally:
            world.close()
        return Told(tuple(world.wrong), world.checked, world.points.struck, world.points.passed)


def _calm(world: World, story: Story) -> None:
    world.points.clear()
    world.run(CALM_S)
    world.truth.down_until = world.clock.now()
    world.level("occupied", False)
    world.level("switch", True)
    world.run(CALM_S)
    world.tell(on.TakenBack(world.clock.now()))
    rough = any(isinstance(deed, Fault) or deed.what in ROUGH for deed in story.deeds)
    until = world.clock.now() + (LONG_QUIET_S if rough else QUIET_S)
    while world.clock.now() < until:
        world.run(CALM_S)
        if world.daemon is not None:
            said = fault_daemon.claims(world.daemon)
            if said.refused or world.over_lost:  # no train, or nobody will ever say that one is over
                return
            if said.matched:
                world.checked["matched"] += 1
                return
    world.say("matched", "left alone for long, and not matched")


ROUGH = frozenset({"outage", "kill", "line", "replace"})


def _off_and_on(world: World, for_s: float) -> None:
    world.level("switch", False)
    world.at(world.clock.now() + for_s, lambda: world.level("switch", True))


def _replace(world: World, which: float) -> None:
    """With the supply off, as it must be; told before the supply is back."""
    lamps = list(world.truth.stems)
    lamp = lamps[int(which) % len(lamps)]
    world.outage(20.0)

    def hang() -> None:
        world.truth.swap(lamp)
        world.tell(on.Replaced(world.clock.now(), lamp))

    world.at(world.clock.now() + 10.0, hang)


def _tell(world: World, which: float) -> None:
    lamps = list(world.truth.stems)
    lamp = lamps[int(which) % len(lamps)]
    code = world.truth.seen(lamp)
    if code is not None:
        world.tell(on.Told(world.clock.now(), lamp, code))


def _kill(world: World, down_s: float) -> None:
    """The daemon; with a whole number of seconds the player too."""
    player = down_s == int(down_s)
    world.at(world.clock.now(), lambda: world.kill(daemon=True, player=player, down_s=down_s))


def _line(world: World, for_s: float) -> None:
    world.truth.down_until = max(world.truth.down_until, world.clock.now() + for_s)
    world.points.seconds += for_s
    if world.player is not None:
        world.player.clean = False


def _say(kind: Callable[[float], on.Event]) -> Callable[[World, float], None]:
    return lambda world, _: world.tell(kind(world.clock.now()))


DEEDS: dict[What, Callable[[World, float], None]] = {
    "wait": lambda *_: None,
    "on": lambda world, _: world.level("switch", True),
    "off": lambda world, _: world.level("switch", False),
    "flick": lambda world, _: _off_and_on(world, 1.0),
    "off and on": _off_and_on,
    "ask": lambda world, which: world.tell(on.Asked(world.clock.now(), SCENES[int(which) % len(SCENES)])),
    "resync": _say(on.ResyncAsked),
    "steady": _say(on.Steady),
    "taken back": _say(on.TakenBack),
    "tell": _tell,
    "replace": _replace,
    "outage": lambda world, for_s: world.outage(for_s),
    "kill": _kill,
    "line": _line,
    "occupied": lambda world, _: world.level("occupied", True),
    "free": lambda world, _: world.level("occupied", False),
}

# -- drawn -----------------------------------------------------------------------------------------------------

SECONDS = (0.05, 0.3, 0.6, 1.0, 2.0, 4.0, 6.0, 9.0, 14.0, 25.0)
PAUSES = (0.0, 0.05, 0.3, 0.6, 1.0, 2.0, 3.0, 5.0, 8.0, 13.0, 30.0, 90.0)
ARGS: dict[What, tuple[float, ...]] = {
    "off and on": (0.3, 2.1, 3.0, 6.0, 9.0, 14.0, 25.0),
    "ask": (0, 1),
    "tell": (0, 1, 2),
    "replace": (0, 1, 2),
    "outage": (0.4, 0.6, 1.0, 3.0, 9.0, 20.0),
    "kill": (0.2, 1.0, 2.5, 6.0, 14.5),
    "line": SECONDS,
}
OFTEN: tuple[What, ...] = ("off and on", "off and on", "ask", "ask", "flick", "resync", "off", "on", "tell")
RARELY: tuple[What, ...] = (
    "wait", "steady", "taken back", "replace", "outage", "kill", "line", "occupied", "free",
)  # fmt: skip


@st.composite
def deeds(draw: st.DrawFn) -> Do:
    what = draw(st.sampled_from(OFTEN + RARELY))
    return Do(what, draw(st.sampled_from(PAUSES)), draw(st.sampled_from(ARGS.get(what, (0.0,)))))


@st.composite
def faults(draw: st.DrawFn) -> Fault:
    point = draw(st.sampled_from(tuple(ACTS)))
    act = draw(st.sampled_from(ACTS[point]))
    takes = act in {"stall", "delay", "line"}
    nth = draw(st.sampled_from((1, 1, 2, 2, 3, 4, 5, 6)))
    return Fault(point, act, nth, draw(st.sampled_from(SECONDS)) if takes else 0.0)


SHORT = tuple(pause for pause in PAUSES if 0.3 <= pause <= 8.0)
HANDS: tuple[What, ...] = ("ask", "ask", "off and on", "flick", "resync")
TELLING: tuple[tuple[Point, Act], ...] = (
    ("player driver", "line"),
    ("player driver", "line"),
    ("player driver", "stall"),
    ("player driver", "fail"),
    ("player driver", "die"),
    ("player wake", "stall"),
    ("player wake", "die"),
    ("player end", "stall"),
    ("player end", "die"),
    ("driver", "stall"),
    ("driver", "line"),
    ("driver", "fail done"),
    ("fsync", "stall"),
    ("fsync", "stall"),
    ("fsync", "die done"),
    ("wake", "stall"),
    ("wake", "stall"),
    ("wake", "lose"),
    ("message", "stall"),
    ("message", "lose"),
)
"""Where one fault alone does most."""


@st.composite
def hands(draw: st.DrawFn) -> tuple[Deed, ...]:
    """People only, quickly one after another: no fault is needed for a wrong belief."""
    count = draw(st.integers(2, 4))
    drawn = []
    for _ in range(count):
        what = draw(st.sampled_from(HANDS))
        drawn.append(Do(what, draw(st.sampled_from(SHORT)), draw(st.sampled_from(ARGS.get(what, (0.0,))))))
    return (*drawn, Do("wait", 30.0))


@st.composite
def one_fault(draw: st.DrawFn) -> tuple[Deed, ...]:
    """A fault, and a deed that passes its point; another deed after it, once all may have calmed down."""
    point, act = draw(st.sampled_from(TELLING))
    takes = act in {"stall", "line"}
    fault = Fault(point, act, draw(st.integers(1, 6)), draw(st.sampled_from(SECONDS)) if takes else 0.0)
    whats: tuple[What, ...] = ("resync", "ask", "ask")
    if not point.startswith("player"):
        whats = ("off and on", "off and on", "ask", "outage", "off", "flick")
    what = draw(st.sampled_from(whats))
    first = Do(what, draw(st.sampled_from((8.0, 30.0, 90.0))), draw(st.sampled_from(ARGS.get(what, (0.0,)))))
    return (fault, first, draw(deeds()))


@st.composite
def anything(draw: st.DrawFn, most: int = 6) -> tuple[Deed, ...]:
    """So many deeds at most, each after some faults or none."""
    drawn: list[Deed] = []
    for _ in range(draw(st.integers(2, most))):
        drawn += [*draw(st.lists(faults(), max_size=3)), draw(deeds())]
    return tuple(drawn)


def stories(fleets: int) -> st.SearchStrategy[Story]:
    """Any story on the fleets below a number."""
    told_of = st.one_of(one_fault(), hands(), anything(), one_fault())
    return st.builds(Story, st.integers(0, fleets - 1), st.integers(0, 999), told_of)
