"""Every sequence of events, up to a length, against a contact and lamps that are free to do the worst.

An explicit-state model checker: a state is what the core knows and what is true of the world, and each move is one
thing that may happen next, at a telling moment. States that differ by nothing that can steer anything any more are
merged (:func:`canonical`), so that each is gone on from once. What must hold in every state is :data:`INVARIANTS`.

The world here is written from the promises, with sets of what each lamp may really be on. It shares nothing with the
core but its events and actions.

    python -m tests.core.explore 7
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterator, Mapping
from typing import NamedTuple

from sequencer.core import events as on
from sequencer.core.actions import Action, BreakOff, HoldOpen, LetClose, PlanTrain, SendTrain
from sequencer.core.contact import Bounds, Contact
from sequencer.core.state import CircuitState, LampRules, Question, Rules, Wish
from sequencer.core.status import status
from sequencer.core.step import step

SETTLE_S, POWER_DOWN_S, CYCLE_S, RETRY_S = 4.0, 10.0, 0.5, 5.0
SOON_S, LATER_S = 0.0, 12.0
"""The telling moments from now: at once, and when everything that takes time is over; and when time is due."""
ANYTHING = frozenset({1, 2})


def fleet(*after_power_down: str) -> Rules:
    """Two lamps of two scenes each, wanted on different codes."""
    lamps = tuple(
        LampRules(name, after, (1, 2)) for name, after in zip(("near", "far"), after_power_down, strict=True)
    )  # type: ignore[arg-type]
    return Rules(
        "pool",
        lamps,
        {"evening": {"near": 1, "far": 2}, "quiet": {"near": 2, "far": 2}},
        ("evening", "quiet"),
        SETTLE_S,
        POWER_DOWN_S,
        CYCLE_S,
        make_s=(0.0, 0.03125),
        break_s=(0.0, 0.03125),
        has_switch=True,
        has_sense=True,
        steady_s=0.0,
        max_cycles_per_h=10**9,
    )


FLEETS = {"memories": fleet("remembered", "remembered"), "forgetful": fleet("first", "next")}


class World(NamedTuple):
    """What is true. ``dark_since``: None while the lamps are lit. ``may_be``: what each lamp may really be on."""

    closed: bool = True
    supply: bool = True
    held: bool = False
    """The daemon holds the contact open."""
    playing: Question | None = None
    """What the train was planned for that a player is sending."""
    good: bool = False
    """Whether that train's conditions were true when it began, and nothing befell the lamps since."""
    opened_at: float = -math.inf
    lit_since: float = 0.0
    dark_since: float | None = None
    may_be: tuple[frozenset[int], ...] = (ANYTHING, ANYTHING)

    def move(
        self, rules: Rules, at: float, *, closed: bool | None = None, supply: bool | None = None
    ) -> World:
        """The contact or the supply changes, and the lamps take it as they take a break of that length."""
        closed, supply = self.closed if closed is None else closed, self.supply if supply is None else supply
        after = self._replace(closed=closed, supply=supply)
        if self.closed and not closed:
            after = after._replace(opened_at=at)
        was, lit = self.dark_since is None, closed and supply
        if was and not lit:
            return after._replace(dark_since=at, good=False)
        if not was and lit:
            dark_s = at - (self.dark_since or 0.0)
            may_be = tuple(map(_after_dark(dark_s), rules.lamps, self.may_be))
            return after._replace(dark_since=None, lit_since=at, may_be=may_be)
        return after


def _after_dark(dark_s: float) -> Callable[[LampRules, frozenset[int]], frozenset[int]]:
    def memory(lamp: LampRules, may_be: frozenset[int]) -> frozenset[int]:
        if dark_s < POWER_DOWN_S:
            return ANYTHING
        if lamp.after_power_down == "first":
            return frozenset({1})
        return may_be if lamp.after_power_down == "remembered" else frozenset(3 - code for code in may_be)

    return memory


class Node(NamedTuple):
    """The core and the world, at ``core.at``."""

    core: CircuitState
    world: World


class Broken(AssertionError):  # noqa: N818 - a finding
    """An invariant does not hold."""


# -- what can happen -------------------------------------------------------------------------------

Moves = Iterator[tuple[str, Node]]


def moves(node: Node) -> Moves:
    """Everything that may happen next, each at its telling moments."""
    core, rules = node.core, node.core.rules
    for name, wait_s in (("soon", SOON_S), ("later", LATER_S), ("when due", core.deadline - core.at)):
        if not math.isfinite(wait_s) or wait_s > LATER_S * 2:
            continue
        at = core.at + wait_s
        if name == "when due":
            yield from _told(node, on.Tick(at))
            continue
        for event in PEOPLE(at):
            if not (isinstance(event, on.Flicked) and core.switch):
                for what, after in _told(node, event):
                    yield f"{name}: {what}", after
        for what, after in (
            *_supply(node, at),
            *_person_sees(node, at),
            *_planner(node, at),
            *_player(node, at),
            *_contact(node, at),
            *_restart(node, rules, at),
        ):
            yield f"{name}: {what}", after


def PEOPLE(at: float) -> tuple[on.Event, ...]:  # noqa: N802 - a table with a hole for the moment
    """Whatever people, the calendar and the water say."""
    return (
        on.SwitchOff(at),
        on.SwitchOn(at),
        on.Flicked(at),
        on.ButtonShort(at),
        on.ButtonLong(at),
        on.Asked(at, "quiet"),
        on.TakenBack(at),
        on.Steady(at),
        on.Occupied(at, True),
        on.Occupied(at, False),
        on.Tick(at),
    )


def _supply(node: Node, at: float) -> Moves:
    core, world = node
    if world.supply:
        yield from _told(Node(core, world.move(core.rules, at, supply=False)), on.SupplyLost(at))
        hung = world.move(core.rules, at, supply=False)._replace(dark_since=-math.inf)
        hung = hung._replace(may_be=(ANYTHING, *world.may_be[1:])).move(core.rules, at, supply=True)
        if world.dark_since is None:  # to hang it the supply was cut, which no sense need have told
            hung = hung._replace(may_be=(ANYTHING, ANYTHING))
        yield from _told(Node(core, hung), on.Replaced(at, "near"))
    else:
        yield from _told(Node(core, world.move(core.rules, at, supply=True)), on.SupplyBack(at))


def _person_sees(node: Node, at: float) -> Moves:
    core, world = node
    for code in sorted(world.may_be[0]):
        seen = world
        if world.dark_since is None and at - world.lit_since >= SETTLE_S and world.playing is None:
            seen = world._replace(may_be=(frozenset({code}), *world.may_be[1:]))
        yield from _told(Node(core, seen), on.Told(at, "near", code))


def _planner(node: Node, at: float) -> Moves:
    number = node.core.number
    if node.core.phase == "planning":
        yield from _told(node, on.Planned(at, number, 3, 8.0, 2.0))
        yield from _told(node, on.Refused(at, number, "none"))
        yield from _told(node, on.PlanFailed(at, number, "no answer"))
    yield from _told(node, on.Planned(at, number - 1, 3, 8.0, 2.0))  # of an older question


def _player(node: Node, at: float) -> Moves:
    """How a train may end, and what its log then says of the contact."""
    core, world = node
    if world.playing is None:
        return
    rules, since = core.rules, max(core.at, at - SOON_S)
    wanted = tuple(frozenset({rules.wanted[world.playing.scene][lamp.name]}) for lamp in rules.lamps)
    for outcome in ("held", "spoiled", "broken off", "failed", "not confirmed", "opened last", "died"):
        over = world._replace(playing=None, opened_at=since, may_be=(ANYTHING, ANYTHING))
        if outcome == "held" and world.good and world.supply:
            over = over._replace(may_be=wanted)
        if world.supply:
            over = over._replace(lit_since=since, dark_since=None)
        opened = on.ContactOpened(at, since, since, 3)
        closed = on.ContactClosed(at, since, since)
        said: on.Outcome = outcome if outcome in {"held", "spoiled", "broken off"} else "failed"  # type: ignore[assignment]
        told: tuple[on.Event, ...] = (opened, closed, on.TrainEnded(at, said, 3, outcome))
        if outcome in {"not confirmed", "opened last", "died"}:
            told = (on.ContactUnknown(at, outcome, 3), told[-1])
        if outcome == "opened last":
            over = over._replace(
                closed=False, dark_since=since if over.dark_since is None else over.dark_since
            )
        for what, after in _all_told(Node(core, over), told):
            yield f"train {outcome}; {what}", after


def _contact(node: Node, at: float) -> Moves:
    """The loop brings home what is not confirmed, and reads back what it holds; a relay board may lose its supply."""
    core, world = node
    if core.contact.stands == "unknown" and not core.with_player and core.phase != "dark":
        for really, end in ((at, at), (at, at + LATER_S), (at + LATER_S, at + LATER_S)):
            after = Node(core, world.move(core.rules, really, closed=True)._replace(held=False))
            for what, then in _told(after, on.ContactClosed(end, at, end)):
                yield f"home; {what}", then
    if core.phase == "dark" and world.held:
        yield from _told(node, on.ContactRead(at, None, "no answer"))
        yield from _told(node, on.ContactRead(at, world.closed, "by itself"))
        yield "the board lets go", Node(core._replace(at=at), world.move(core.rules, at, closed=True))


def _restart(node: Node, rules: Rules, at: float) -> Moves:
    """The daemon dies and is started anew; a player goes on."""
    core, world = node
    fresh = CircuitState(rules, core.scene, at=at, switch=core.switch, supply=world.supply)
    if world.playing is not None:
        gone = world._replace(good=False)
        yield from _told(Node(fresh, gone), on.Started(at, playing=True))
        return
    for closed in (True, world.closed):  # a pin that the kernel lets go, a serial relay that stays
        alone = world.move(rules, at, closed=closed)._replace(held=False)
        yield from _told(Node(fresh, alone), on.Started(at))


# -- what follows ----------------------------------------------------------------------------------


def _told(node: Node, event: on.Event) -> Moves:
    core, actions = step(node.core, event)
    for after in _carried_out(Node(core, node.world), actions):
        yield type(event).__name__, after


def _all_told(node: Node, events: tuple[on.Event, ...]) -> Moves:
    if not events:
        yield "", node
        return
    for name, after in _told(node, events[0]):
        for rest, last in _all_told(after, events[1:]):
            yield f"{name} {rest}".strip(), last


def _carried_out(node: Node, actions: tuple[Action, ...]) -> Iterator[Node]:
    if not actions:
        yield node
        return
    first, *rest = actions
    for after in _done(node, first):
        yield from _carried_out(after, tuple(rest))


def _done(node: Node, action: Action) -> Iterator[Node]:
    core, world = node
    match action:
        case HoldOpen():
            _must(world.playing is None, "the contact is commanded by two")
            yield from _opened(node)
        case LetClose():
            _must(world.playing is None and world.held, "the contact is let go by one who does not hold it")
            yield from _let_close(node)
        case SendTrain():
            _must(world.playing is None and not world.held, "the contact is commanded by two")
            asked = core.asked
            assert asked is not None
            _must(core.at - world.opened_at >= CYCLE_S, "two openings within the flash limit")
            rested = world.dark_since is None and core.at - world.lit_since >= SETTLE_S
            places = {lamp.name: n for n, lamp in enumerate(core.rules.lamps)}
            sure = all(world.may_be[places[lamp]] == {code} for lamp, code in asked.known.items())
            good = world.closed and (asked.start == "cut" or rested) and sure
            yield from (
                after
                for _, after in _told(
                    Node(core, world._replace(playing=asked, good=good)), on.TrainBegins(core.at)
                )
            )
        case BreakOff() | PlanTrain() | _:
            yield node


def _stalls(at: float) -> tuple[tuple[float, float, float], ...]:
    """When a command was given, when it was confirmed, and when the contact really moved."""
    late = at + LATER_S
    return ((at, at, at), (late, late, late), (at, late, at), (at, late, late))


def _opened(node: Node) -> Iterator[Node]:
    core, world = node
    for given, confirmed, really in _stalls(core.at):
        _must(really - world.opened_at >= CYCLE_S, "two openings within the flash limit")
        after = world.move(core.rules, really, closed=False)._replace(held=True)
        yield from _after(Node(core, after), on.ContactOpened(confirmed, given, confirmed))
    for moved in (True, False):
        after = world.move(core.rules, core.at, closed=False) if moved else world
        yield from _after(Node(core, after), on.ContactUnknown(core.at, "no pin", 1))


def _let_close(node: Node) -> Iterator[Node]:
    if node.world.closed:  # the loop reads back first
        (node,) = _after(node, on.ContactRead(node.core.at, True, "by itself"))
    core, world = node
    for given, confirmed, really in _stalls(core.at):
        after = world.move(core.rules, really, closed=True)._replace(held=False)
        yield from _after(Node(core, after), on.ContactClosed(confirmed, given, confirmed))
    for moved in (True, False):
        after = (world.move(core.rules, core.at, closed=True) if moved else world)._replace(held=False)
        yield from _after(Node(core, after), on.ContactUnknown(core.at, "no line"))


def _after(node: Node, event: on.Event) -> Iterator[Node]:
    yield from (after for _, after in _told(node, event))


# -- what must hold --------------------------------------------------------------------------------


def _must(holds: bool, what: str) -> None:
    if not holds:
        raise Broken(what)


def claims_are_right(node: Node) -> bool:
    """A claim may be missing, never wrong."""
    core, world = node
    places = {lamp.name: n for n, lamp in enumerate(core.rules.lamps)}
    claimed = [lamp for lamp in status(core).lamps if lamp.code is not None]
    return all(world.may_be[places[lamp.lamp]] == {lamp.code} for lamp in claimed) and (
        not claimed or world.dark_since is None
    )


def contact_is_as_said(node: Node) -> bool:
    """Closed where closed is said; open, unless a relay board let go since it was last read; a player's is moving."""
    said = status(node.core).contact
    if node.world.playing is not None:
        return said not in {"closed", "open"}
    return said != "closed" or node.world.closed


def off_is_obeyed(node: Node) -> bool:
    """Within the flash limit, or the retry of a contact that could not be moved."""
    core = node.core
    if not core.off or core.with_player or core.phase == "dark":
        return True
    return core.at < core.may_open_at <= core.at + RETRY_S


def supply_is_not_made_up(node: Node) -> bool:
    """What counts as supply has really been there."""
    core, world = node
    if core.lit_since == math.inf or core.with_player:
        return True
    return world.dark_since is None and world.lit_since <= core.lit_since


def quiet_leads_to_matched(node: Node) -> bool:
    """Left alone, with a planner that answers and trains that hold, the lamps match, within a bound."""
    way = []
    for _ in range(60):
        here = key(node)
        if here in FOUND_MATCHED or (node.core.matched and not node.core.due):
            FOUND_MATCHED.update(way)
            return True
        way.append(here)
        node = canonical(next(_at_best(node)))
    return False


FOUND_MATCHED: set[object] = set()
"""States from which a quiet world has been seen to match."""


def _at_best(node: Node) -> Iterator[Node]:
    """The one thing that a quiet world does next."""
    core, world = node
    at = core.at
    if world.playing is not None:
        later = core.at + SETTLE_S + 1.0
        closing = core.at + 0.5
        lit = world._replace(playing=None, opened_at=core.at, lit_since=closing, dark_since=None)
        held = "held" if world.good and core.number else "broken off"
        if held == "held":
            may_be = tuple(
                frozenset({core.rules.wanted[world.playing.scene][lamp.name]}) for lamp in core.rules.lamps
            )
            lit = lit._replace(may_be=may_be)
        opened = on.ContactOpened(later, core.at, core.at, 3)
        closed = on.ContactClosed(later, closing, closing)
        told = (opened, closed, on.TrainEnded(later, held, 3))  # type: ignore[arg-type]
        yield from (after for _, after in _all_told(Node(core, lit), told))
    if not world.supply:
        yield from (
            after
            for _, after in _told(Node(core, world.move(core.rules, at, supply=True)), on.SupplyBack(at))
        )
    if core.contact.stands == "unknown" and core.phase != "dark" and not core.with_player:
        home = Node(core, world.move(core.rules, at, closed=True)._replace(held=False))
        yield from _after(home, on.ContactClosed(at, at, at))
    if not core.supply:  # the daemon was told before, or is told by the sense's level at its start
        yield from _after(node, on.SupplyBack(at))
    for holds, event in (
        (not core.switch, on.SwitchOn(at)),
        (core.steady, on.TakenBack(at)),
        (core.occupied, on.Occupied(at, False)),
        (bool(core.refused), on.ResyncAsked(at)),
        (core.phase == "planning" and core.answer is None, on.Planned(at, core.number, 3, 8.0, 2.0)),
    ):
        if holds:
            yield from _after(node, event)
    due = core.deadline if math.isfinite(core.deadline) else core.at + LATER_S
    yield from _after(node, on.Tick(due))


INVARIANTS: Mapping[str, Callable[[Node], bool]] = {
    "a claim is never wrong": claims_are_right,
    "the contact stands where it is said to": contact_is_as_said,
    "off is obeyed within a bound": off_is_obeyed,
    "no supply is made up": supply_is_not_made_up,
    "left alone, the lamps match within a bound": quiet_leads_to_matched,
}
"""With these, held where they arise: the contact is never commanded by two; the flash limit."""


# -- the search ------------------------------------------------------------------------------------


def canonical(node: Node) -> Node:
    """The same with its clock at 0, and without what steers nothing any more."""
    core, world = node
    now, stands, asking = core.at, core.contact.stands, core.phase == "planning" or core.with_player

    def ago(at: float, matters_s: float) -> float:
        shifted = round(at - now, 6)
        return -math.inf if shifted < -matters_s else shifted

    closed = Bounds(-math.inf, ago(core.contact.closed.last, SETTLE_S) if stands == "closed" else -math.inf)
    opened = Bounds(-math.inf, ago(core.contact.opened.last, POWER_DOWN_S) if stands == "open" else -math.inf)
    core = core._replace(
        at=0.0,
        contact=Contact(stands, opened, closed),
        known={lamp: belief._replace(by="train") for lamp, belief in sorted(core.known.items())},
        hand=core.hand and Wish(core.hand.scene, 0.0),
        request=core.request and Wish(core.request.scene, 0.0),
        supply_since=ago(core.supply_since, SETTLE_S) if core.supply else -math.inf,
        may_open_at=ago(core.may_open_at, 0.0),
        retry_at=ago(core.retry_at, 0.0),
        steady_until=ago(core.steady_until, 0.0),
        synced_at=0.0,
        phased_at=0.0,
        marred=core.marred and core.with_player,
        number=0 if core.phase == "ending" and not core.number else 1,
        asked=core.asked if asking else None,
        answer=core.answer if asking else None,
        overdue_at=ago(core.overdue_at, 0.0) if asking else math.inf,
        cycles=(),
        outages=(),
        full_cycles={},
        failures=0,
        resync="due" if core.resync else "",
        trouble="",
        refused=dict.fromkeys(sorted(core.refused), "none"),
    )
    world = world._replace(
        good=world.good and world.playing is not None,
        opened_at=ago(world.opened_at, CYCLE_S),
        lit_since=ago(world.lit_since, SETTLE_S) if world.dark_since is None else 0.0,
        dark_since=None if world.dark_since is None else ago(world.dark_since, POWER_DOWN_S),
    )
    return Node(core, world)


def key(node: Node) -> object:
    """What tells two nodes apart."""
    core, world = node
    mappings = {"known": tuple(core.known.items()), "refused": tuple(core.refused), "full_cycles": ()}
    plain = core._replace(**mappings, asked=_plain(core.asked))  # type: ignore[arg-type]
    return plain[1:], world._replace(playing=_plain(world.playing))  # type: ignore[arg-type]


def _plain(asked: Question | None) -> object:
    return asked and (asked.scene, asked.start, tuple(sorted(asked.known.items())))


def check(node: Node) -> None:
    """Raises Broken."""
    for words, holds in INVARIANTS.items():
        _must(holds(node), words)


class Explored(NamedTuple):
    """How many states, how many moves between them, and how deep."""

    states: int
    moves: int
    depth: int


def start(rules: Rules) -> Node:
    """A daemon that has just brought its contact to rest."""
    core = CircuitState(rules, "evening")
    for event in (on.Started(0.0), on.ContactClosed(0.0, 0.0, 0.0)):
        core, _ = step(core, event)
    return canonical(Node(core, World()))


def explore(rules: Rules, depth: int) -> Explored:
    """Breadth first; raises Broken with the shortest story that breaks an invariant."""
    begin = start(rules)
    parents: dict[object, tuple[object, str] | None] = {key(begin): None}
    level, tried = [begin], 0
    for _ in range(depth):
        deeper = []
        for node in level:
            here, name = key(node), "the first move"
            try:
                for name, after in moves(node):
                    tried += 1
                    merged = canonical(after)
                    there = key(merged)
                    if there in parents:
                        continue
                    parents[there] = (here, name)
                    try:
                        check(merged)
                    except Broken as broken:
                        raise Broken(f"{broken}: {story(parents, there)}\n{merged}") from None
                    deeper.append(merged)
            except Broken as broken:
                if ":" in str(broken):
                    raise
                raise Broken(f"{broken}: {story(parents, here)} / what follows {name}\n{node}") from None
        level = deeper
    return Explored(len(parents), tried, depth)


def story(parents: Mapping[object, tuple[object, str] | None], at: object) -> str:
    """The moves that led there."""
    said: list[str] = []
    while (step_back := parents[at]) is not None:
        at, name = step_back
        said.append(name)
    return " / ".join(reversed(said)) or "the start"


if __name__ == "__main__":
    for fleet_name, fleet_rules in FLEETS.items():
        print(fleet_name, explore(fleet_rules, int(sys.argv[1]) if len(sys.argv) > 1 else 4), flush=True)
