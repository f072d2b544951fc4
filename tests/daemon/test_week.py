"""A week of whatever may happen, drawn by Hypothesis: no lit circuit is ever believed matched that is not.

After every turn of the loop the belief is held against the simulated lamps (``World.check``); at the end,
left alone, the lamps match.
"""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule

from sequencer.core import events as on
from sequencer.sim.lamp import SimLamp
from sequencer.sim.nature import Nature
from tests.daemon.conftest import SHARED_MEMORY
from tests.daemon.world import WHO_DIE, World

PAUSE = st.one_of(st.floats(0.01, 30.0), st.floats(30.0, 6 * 3600.0))
LAMPS = st.sampled_from(["north", "steps", "south"])


class Week(RuleBasedStateMachine):
    """Each rule does one thing, then lets some time go by."""

    @initialize(seed=st.integers(0, 10_000))
    def begin(self, seed: int) -> None:
        self.folder = Path(tempfile.mkdtemp(dir=SHARED_MEMORY if SHARED_MEMORY.is_dir() else None))
        self.world = World(self.folder, seed)
        self.world.start()

    def wait(self, seconds: float) -> None:
        self.world.run(self.world.clock.now() + seconds)

    @rule(pause=PAUSE)
    def nothing(self, pause: float) -> None:
        self.wait(pause)

    @rule(for_s=st.floats(0.05, 40.0), pause=PAUSE)
    def switch_off_and_on(self, for_s: float, pause: float) -> None:
        now = self.world.clock.now()
        self.world.touch("switch", False, now)
        self.world.touch("switch", True, now + for_s)
        self.wait(pause)

    @rule(line=st.sampled_from(["switch", "occupied"]), active=st.booleans(), pause=PAUSE)
    def leave_it_so(self, line: str, active: bool, pause: float) -> None:
        self.world.touch(line, active, self.world.clock.now())
        self.wait(pause)

    @rule(for_s=st.floats(0.01, 100.0), pause=PAUSE)
    def press(self, for_s: float, pause: float) -> None:
        self.world.press(self.world.clock.now(), for_s)
        self.wait(for_s + pause)

    @rule(for_s=st.floats(0.3, 60.0), board=st.booleans(), pause=PAUSE)
    def outage(self, for_s: float, board: bool, pause: float) -> None:
        self.world.outage(self.world.clock.now(), for_s, board=board)
        self.wait(for_s + 1 + pause)

    @rule(who=st.sampled_from(WHO_DIE), down_s=st.floats(0.1, 60.0), pause=PAUSE)
    def kill(self, who: frozenset[str], down_s: float, pause: float) -> None:
        world = self.world
        if world.daemon is not None:
            world.after(0.0, lambda: world.kill(who, restart_s=down_s))
        self.wait(pause)

    @rule(edge=st.integers(1, 8), who=st.sampled_from(WHO_DIE), pause=PAUSE)
    def kill_at_an_edge(self, edge: int, who: frozenset[str], pause: float) -> None:
        self.world.kill_edge = (edge, who)
        self.wait(pause)

    @rule(write=st.integers(1, 9), after=st.booleans(), pause=PAUSE)
    def kill_at_a_write(self, write: int, after: bool, pause: float) -> None:
        self.world.kill_write = (write, after)
        self.wait(pause)

    @rule(for_s=st.floats(0.1, 100.0), pause=PAUSE)
    def unplug(self, for_s: float, pause: float) -> None:
        self.world.relay_fails = True
        self.world.after(for_s, lambda: setattr(self.world, "relay_fails", False))
        self.wait(pause)

    @rule(scene=st.sampled_from(["evening", "quiet"]), pause=PAUSE)
    def ask(self, scene: str, pause: float) -> None:
        self.world.tell(on.Asked(self.world.clock.now(), scene))
        self.wait(pause)

    @rule(
        kind=st.sampled_from([on.Steady, on.TakenBack, on.ResyncAsked, on.ClockTrusted, on.ShowEnds]),
        pause=PAUSE,
    )
    def say(self, kind: type, pause: float) -> None:
        self.world.tell(kind(self.world.clock.now()))
        self.wait(pause)

    @rule(scene=st.sampled_from(["evening", "quiet"]), pause=PAUSE)
    def show(self, scene: str, pause: float) -> None:
        self.world.tell(on.ShowBegins(self.world.clock.now(), scene, ""))
        self.wait(pause)

    @rule(lamp=LAMPS, pause=PAUSE)
    def tell_the_truth(self, lamp: str, pause: float) -> None:
        code = self.world.pad.showing()[lamp].code
        if code is not None:
            self.world.tell(on.Told(self.world.clock.now(), lamp, code))
        self.wait(pause)

    @rule(lamp=LAMPS, pause=PAUSE)
    def hang_another_lamp(self, lamp: str, pause: float) -> None:
        """With the supply off, as it must be; told before the supply is back."""
        world = self.world
        now = world.clock.now()
        world.outage(now, 60.0)
        self.wait(30.0)
        stem = next(each.stem for each in world.circuit.lamps if each.name == lamp)
        sheet = world.pad_file.datasheets[stem]
        scene = world.rng.choice([each.code for each in sheet.scenes])
        another = SimLamp(
            sheet, Nature.steady(world.rng), scene=scene, at=world.clock.now(), dark_for=float("inf")
        )
        world.pad.swap(lamp, another)
        world.tell(on.Replaced(world.clock.now(), lamp))
        self.wait(30.0 + pause)

    @rule(years=st.integers(-30, 30), pause=PAUSE)
    def clock_step(self, years: int, pause: float) -> None:
        self.world.unix_offset += years * 365.25 * 86400
        self.wait(pause)

    def teardown(self) -> None:
        if not hasattr(self, "world"):
            return
        world = self.world
        world.kill_edge = world.kill_write = None
        world.touch("occupied", False, world.clock.now())
        world.touch("switch", True, world.clock.now())
        self.wait(120)
        world.tell(on.TakenBack(world.clock.now()))
        self.wait(2 * 3600.0)
        assert world.matched(), world.state
        assert world.openings <= world.total_cycles()
        shutil.rmtree(self.folder)


Week.TestCase.settings = settings(
    max_examples=60, stateful_step_count=40, deadline=None, suppress_health_check=list(HealthCheck)
)
TestWeek = Week.TestCase
