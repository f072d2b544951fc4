"""The belief about all lamps of one type, condensed, and how one break changes it.

A belief is a tuple of :class:`Element`, each a lamp state and how long ago its supply clock was set to 0:
``age`` 0 is the latest break that this type may have noticed, 1 the one before, ``SETTLED_AGE`` long ago.
Ages are ranks, not times; the times are kept by :mod:`~sequencer.planner.zone`.

Condensing loses no plan and no proof, because it only joins states which nothing but a common settling,
reset or power-down could ever make one again:

* The scene of a count lamp is either the wanted one or not known to be (``ANY_SCENE``); its scene never
  steers what it does next.
* Counts pending since the same break hear the same supply from then on. All that matters of them together is
  after how many more pulses all of them would settle on the wanted scene, and whether all of them remember it
  already (a power-down may come before they settle): counts alike in that are kept as the same few. Where no
  number of pulses does it, as for two different counts of a table that chooses a scene for each, they are
  ``SOME_COUNT``.
* Two ring places of a step lamp stay different: it is then lost altogether until a reset.
* States older than a ``SOME_COUNT`` have had more supply, so whenever that one is certainly settled they
  are too; until then it covers all that they may do. They are dropped.
* Of two states alike with nothing pending, the older has had more supply: what it does, the newer may do.
  It is dropped.
* Counts pending since different breaks are ``SOME_COUNT``, too, where they can never settle well together
  (:meth:`LampType._lost_between`); those of a table that wraps, once there are more than two.

One thing may lose a train: a lamp that ignores counts that are not in its table may have counts pending since more
than two breaks and still bring them all together on the scene that it remembers. That is too much to follow. Such a
belief is widened to ``SOME_COUNT`` and kept in :attr:`LampType.wider`, and what comes after it is not claimed.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import product
from typing import Literal, NamedTuple

from sequencer.automaton.behaviour import ANY_SCENE, LONG_LIT, SOME_COUNT, Behaviour, State, Supply
from sequencer.automaton.guards import Effect
from sequencer.planner.intervals import Piece, pieces
from sequencer.units import FOREVER_NS

SETTLED_AGE = 1 << 16
NEW = -1
"""In a move's ``left``: this very break."""
_PENDING_APART = 2

_TOO_MANY = State(ANY_SCENE, SOME_COUNT, resting=True)
"""Some count, where more had been known but was too much to follow (see :attr:`LampType.wider`)."""


class Element(NamedTuple):
    """One state in a belief and the rank of the break its supply clock counts from."""

    age: int
    state: State


Belief = tuple[Element, ...]


class Move(NamedTuple):
    """How a belief goes on over one break: supply wanted since each age's break (ns), and what follows.

    ``left`` lists, newest first, which break each age of the new belief counts from: ``NEW`` this one,
    otherwise the age it had in the old belief.
    """

    least_ns: tuple[int, ...]
    most_ns: tuple[int, ...]
    belief: int
    left: tuple[int, ...]


Missing = Literal["never", "once", "lost"]


class Shadow(NamedTuple):
    """What lamps may have been in before the latest break, and the least that it was to one that noticed it.

    ``least``: a place among the type's off windows. What a state needs of supply is taken as had, but for whether a
    pending train was over.
    """

    least: int
    states: frozenset[tuple[State, Supply]]


class Needs(NamedTuple):
    """For one belief to serve for another: this age's clock there, and its own (``alike``: equal; else no less)."""

    age: int
    its_age: int
    alike: bool


class Had(NamedTuple):
    """Supply before a break, and whether it was certainly noticed."""

    supply: Supply
    noticed: bool


_LONG_HAD = Had(LONG_LIT, noticed=True)

NOTHING = Needs(SETTLED_AGE, SETTLED_AGE, alike=False)
"""Nothing is needed of any clock."""


class LampType:
    """One type of lamp with its wanted scene: condensed beliefs, numbered, and memoised steps.

    ``missing``: what is made of supply that may pass unnoticed, so that the breaks around it may be one.

    "never": it is taken as noticed. That leaves out readings, and never a train.
    "once": that one break is reckoned with, as long as would suit the planner best, but no break before it. That
    leaves out fewer readings, and never a train.
    "lost": then nothing is known of the type any more, unless the second break is by itself a power-down to the
    first scene: so is the longer one. That leaves out no reading, but some trains.
    """

    def __init__(self, behaviour: Behaviour, wanted: int, missing: Missing = "never") -> None:
        self.missing = missing
        self.careful = missing != "never"
        self._shadows: list[Shadow | None] = []
        self.behaviour = behaviour
        self.wanted = wanted
        self.beliefs: list[Belief] = []
        self._only = len(behaviour.codes) == 1
        self._remembers = behaviour.overflow == "ignored" and not self._only
        self._wraps = behaviour.overflow == "wraps"
        self.wider: set[int] = set()  # beliefs that hold more than they must, so that a train may be lost
        self._ends_well: dict[tuple[int, bool], int] = {}
        self._alike: dict[tuple[int, bool], set[State]] = {}
        self._serves: dict[tuple[int, int, bool], tuple[Needs, ...] | None] = {}
        self._condensed: dict[
            tuple[frozenset[tuple[int, State]], Shadow | None], tuple[int, tuple[int, ...]]
        ] = {}
        self._regions: dict[frozenset[int], list[Piece[Had]]] = {}
        self._numbers: dict[tuple[Belief, Shadow | None], int] = {}
        self._moves: dict[tuple[int, tuple[Effect, ...]], tuple[Move, ...]] = {}
        self._noticed: dict[tuple[State, Effect, Supply, bool], tuple[tuple[int, State], ...]] = {}
        self._aged: dict[tuple[int, tuple[Had, ...]], tuple[int, tuple[int, ...]]] = {}
        self._finish: dict[int, tuple[int, ...] | None] = {}
        g = behaviour.guards
        self.continues_ns = g.same_train.first_ns
        self.warm_ns = g.warm_up.first_ns
        self.settled_ns = 0 if g.settled is None else g.settled.first_ns
        self.noticed_ns = g.noticed.first_ns

    def lost(self) -> tuple[int, tuple[int, ...]]:
        """The belief that nothing is known after this break, which it may have noticed; and what it counts from."""
        if self.behaviour.counts:
            return self._condense(frozenset({(NEW, State(ANY_SCENE, SOME_COUNT))}))
        return self._condense(frozenset((NEW, self.behaviour.rest(code)) for code in self.behaviour.codes))

    def resting_on(self, scenes: Iterable[int]) -> int:
        """The belief of lamps lit and settled on any of these scenes."""
        number, _ = self._condense(frozenset((SETTLED_AGE, self.behaviour.rest(scene)) for scene in scenes))
        return number

    def ages(self, number: int) -> int:
        """How many different breaks this belief's clocks count from (those long ago left out)."""
        return len({e.age for e in self.beliefs[number] if e.age != SETTLED_AGE})

    def serves(self, mine: int, other: int, *, awake: bool = False) -> tuple[Needs, ...] | None:
        """What it needs of their clocks that lamps of belief ``mine`` can do nothing but what ``other``'s may.

        None where no clocks make it so. ``awake``: those of ``mine`` have noticed their supply.
        """
        try:
            return self._serves[mine, other, awake]
        except KeyError:
            if not awake and not self._within(self._shadows[mine], self._shadows[other]):
                self._serves[mine, other, awake] = None
                return None
            needs = {self._needs(element, self.beliefs[other]) for element in self.beliefs[mine]}
            found = None if None in needs else tuple([n for n in needs if n and n != NOTHING])
            self._serves[mine, other, awake] = found
            return found

    def _within(self, mine: Shadow | None, other: Shadow | None) -> bool:
        """Whether nothing can come of breaks that reach back in the one that cannot in the other."""
        if mine is None:
            return True
        if other is None or mine.least > other.least:
            return False
        return all(
            any(
                had == its_had
                and its.scene in (ANY_SCENE, state.scene)
                and its.pending in (state.pending, SOME_COUNT if state.pending else 0)
                for its, its_had in other.states
            )
            for state, had in mine.states
        )

    def _needs(self, element: Element, belief: Belief) -> Needs | None:
        """What one of ``belief`` needs of their clocks to stand for an element; None if none of them can."""
        age, state = element
        alike = None
        for its_age, its in belief:
            same_state = its.scene in (ANY_SCENE, state.scene) and its[1:] == state[1:]
            lost = its.scene == ANY_SCENE and not self.behaviour.counts
            if lost and not self.careful:
                return NOTHING  # a ring that is lost stays so until a reset
            if lost or its.pending == SOME_COUNT or (same_state and not state.pending):
                if age == SETTLED_AGE:
                    return NOTHING
                if its_age != SETTLED_AGE:
                    return Needs(its_age, age, alike=False)
            elif same_state and alike is None:
                alike = Needs(its_age, age, alike=True)
        return alike

    def moves(self, number: int, effects: tuple[Effect, ...]) -> tuple[Move, ...]:
        """Every way in which a break with these effects can go, by the supply before it.

        Supplies that lead to the same belief are one move.
        """
        key = (number, effects)
        if key not in self._moves:
            regions = [self._regions_of(number, age) for age in range(self.ages(number))]
            moves = []
            for chosen in product(*regions):
                newer_first = zip(chosen, chosen[1:], strict=False)
                if all(newer.first <= older.last for newer, older in newer_first):
                    supplies = [piece.value for piece in chosen]
                    bounds = tuple([p.first for p in chosen]), tuple([p.last for p in chosen])
                    for one in self._as_one(number, effects, supplies):
                        moves.append(Move(*bounds, *self._step(self.beliefs[number], effects, supplies, one)))
            self._moves[key] = _merged(list(dict.fromkeys(moves)), len(regions))
        return self._moves[key]

    def ridden(self, number: int) -> list[Move]:
        """Every way in which a break that this type rides through can go, by the supply before it.

        It changes nothing, where the supply before it is certainly noticed.
        """
        ages = tuple(range(self.ages(number)))
        if not self.careful or not ages:
            return [Move((), (), number, ages)]
        belief, shadow = self.beliefs[number], self._shadows[number]
        same, left = self._condense(frozenset((e.age, e.state) for e in belief))
        moves = [Move((self.noticed_ns,), (FOREVER_NS,), same, left)]
        if self.missing == "lost":
            return [*moves, Move((0,), (self.noticed_ns,), *self.lost())]
        if shadow is None:
            return [Move((), (), number, ages)]
        for one in self._as_one(number, ("ignored",), [Had(LONG_LIT, noticed=False)]):
            after = {(e.age, e.state) for e in belief} | self._reaching_back(one)
            moves.append(Move((0,), (self.noticed_ns,), *self._condense(frozenset(after), shadow)))
        return moves

    def _as_one(
        self, number: int, effects: tuple[Effect, ...], supplies: list[Had]
    ) -> list[tuple[Effect, Shadow] | None]:
        """What a break and the one before it may be together: one entry for each length it might be; else None."""
        shadow = self._shadows[number]
        if shadow is None or not supplies or supplies[0].noticed:
            return [None]
        names: list[Effect] = [window.name for window in self.behaviour.guards.breaks]  # type: ignore[misc]
        return [(name, shadow) for name in names[max(shadow.least, names.index(effects[0])) :]]

    def _reaching_back(self, one: tuple[Effect, Shadow] | None) -> set[tuple[int, State]]:
        if one is None:
            return set()
        effect, shadow = one
        readings = (self.behaviour.notice(s, effect, had, sure=True) for s, had in shadow.states)
        return {(NEW, state) for states in readings for state in states}

    def _step(
        self,
        belief: Belief,
        effects: tuple[Effect, ...],
        supplies: list[Had],
        one: tuple[Effect, Shadow] | None = None,
    ) -> tuple[int, tuple[int, ...]]:
        if self.missing == "lost" and supplies and not supplies[0].noticed and not self._sends_home(effects):
            return self.lost()
        after = self._reaching_back(one)
        sure = len(effects) == 1
        for age, state in belief:
            had = _LONG_HAD if age == SETTLED_AGE else supplies[age]
            supply = had.supply
            for effect in effects:
                if effect == "ignored":
                    after.update(self._later(age, state, had))
                else:
                    key = (state, effect, supply, sure)
                    noticed = self._noticed.get(key)
                    if noticed is None:
                        states = self.behaviour.notice(state, effect, supply, sure=sure)
                        noticed = self._noticed[key] = tuple([(NEW, s) for s in states])
                    after.update(noticed)
        return self._condense(frozenset(after), self._shadow(belief, effects, supplies))

    def _shadow(self, belief: Belief, effects: tuple[Effect, ...], supplies: list[Had]) -> Shadow | None:
        if self.missing != "once":
            return None
        names = [window.name for window in self.behaviour.guards.breaks]
        states = set()
        for age, state in belief:
            over = supplies[age].supply.over if state.pending and age != SETTLED_AGE else "yes"
            states.add((state, Supply(continues=True, over=over, warm=True)))
        return Shadow(max(1, names.index(effects[0])), frozenset(states))

    def aged(self, number: int, supply_ns: tuple[int, ...]) -> tuple[int, tuple[int, ...]]:
        """The belief once each age has certainly had so much supply: settled trains become scenes.

        ``supply_ns`` by age. Returns the belief and which old ages are left, newest first.
        """
        had = tuple(
            [
                Had(
                    Supply(
                        ns >= self.continues_ns, "yes" if ns >= self.settled_ns else "no", ns >= self.warm_ns
                    ),
                    ns >= self.noticed_ns or not self.careful,
                )
                for ns in supply_ns
            ]
        )
        key = (number, had)
        if key not in self._aged:
            after: list[tuple[int, State]] = []
            for age, state in self.beliefs[number]:
                after += self._later(age, state, _LONG_HAD if age == SETTLED_AGE else had[age])
            self._aged[key] = self._condense(frozenset(after), self._shadows[number])
        return self._aged[key]

    def _later(self, age: int, state: State, had: Had) -> list[tuple[int, State]]:
        """A state that has certainly had this supply: a settled train is a scene, a long supply is long ago."""
        supply, noticed = had
        if not self.behaviour.counts:
            enough = supply.warm if state.resting else supply.continues
            return [(SETTLED_AGE if noticed and (enough or state.scene == ANY_SCENE) else age, state)]
        if state.pending and supply.over != "yes":
            return [(age, state)]
        long_ago = SETTLED_AGE if supply.warm and noticed else age
        return [(long_ago, s) for s in self.behaviour.settle(state)]

    def _sends_home(self, effects: tuple[Effect, ...]) -> bool:
        return effects == ("power_down",) and self.behaviour.after_power_down == "first"

    def finish(self, number: int) -> tuple[int, ...] | None:
        """None unless every state ends on the wanted scene; then the ages that must still settle."""
        if number not in self._finish:
            belief = self.beliefs[number]
            ends = {after.scene for e in belief for after in self.behaviour.settle(e.state)}
            waits = tuple(sorted({e.age for e in belief if e.state.pending}))
            self._finish[number] = waits if ends == {self.wanted} else None
        return self._finish[number]

    def _regions_of(self, number: int, age: int) -> list[Piece[Had]]:
        """The supply lengths that differ for the states of this age."""
        g = self.behaviour.guards
        cuts: set[int] = {self.noticed_ns} if self.careful else set()
        for at, state in self.beliefs[number]:
            if at != age:
                continue
            if not self.behaviour.counts:
                if state.scene == ANY_SCENE:
                    continue
                cuts.add(self.warm_ns if state.resting else self.continues_ns)
            elif state.pending == 0:
                cuts.add(self.warm_ns)
            else:
                cuts |= {self.continues_ns, g.same_train.last_ns, self.settled_ns}
                if self.warm_ns > g.same_train.last_ns:
                    cuts.add(self.warm_ns)
        key = frozenset(cuts)
        if key not in self._regions:
            self._regions[key] = pieces(cuts, FOREVER_NS, self._had)
        return self._regions[key]

    def _had(self, on_ns: int) -> Had:
        return Had(self.behaviour.supply(on_ns), on_ns >= self.noticed_ns or not self.careful)

    def _number(self, belief: Belief, shadow: Shadow | None) -> int:
        number = self._numbers.get((belief, shadow))
        if number is None:
            number = self._numbers[belief, shadow] = len(self.beliefs)
            self.beliefs.append(belief)
            self._shadows.append(shadow)
            if any(element.state == _TOO_MANY for element in belief):
                self.wider.add(number)
        return number

    def _condense(
        self, states: frozenset[tuple[int, State]], shadow: Shadow | None = None
    ) -> tuple[int, tuple[int, ...]]:
        found = self._condensed.get((states, shadow))
        if found is None:
            found = self._condensed[states, shadow] = self._joined(states, shadow)
        return found

    def _joined(
        self, states: Iterable[tuple[int, State]], shadow: Shadow | None
    ) -> tuple[int, tuple[int, ...]]:
        by_age: dict[int, set[State]] = {}
        for age, state in states:
            by_age.setdefault(age, set()).add(state)
        join = self._join_counts if self.behaviour.counts else self._join_places
        kept: dict[int, set[State]] = {}
        idle: set[State] = set()
        for age in sorted(by_age):
            joined, covers_older = join(by_age[age])
            if idle:
                joined = {s for s in joined if s not in idle and s._replace(scene=ANY_SCENE) not in idle}
            idle |= {s for s in joined if s.pending == 0}
            if joined:
                kept[age] = joined
            if covers_older:
                if not self.behaviour.counts:
                    kept = {min(by_age) if self.careful else SETTLED_AGE: joined}
                break
        if self._wraps or self._only:
            pending = [age for age, group in kept.items() for s in group if s.pending]
            if len(pending) > _PENDING_APART and pending[0] != pending[-1]:
                kept = {age: group for age, group in kept.items() if age < pending[0]}
                kept[pending[0]] = {self._some_count()}
        elif len(kept) > 1:
            kept = self._lost_between(kept)
            pending = [age for age, group in kept.items() for s in group if s.pending]
            if len(pending) > _PENDING_APART and pending[0] != pending[-1]:
                kept = {age: group for age, group in kept.items() if age < pending[0]}
                kept[pending[0]] = {_TOO_MANY}
        left = [age for age in kept if age != SETTLED_AGE]
        rank = {age: i for i, age in enumerate(left)} | {SETTLED_AGE: SETTLED_AGE}
        belief = tuple(sorted(Element(rank[age], state) for age, group in kept.items() for state in group))
        return self._number(belief, shadow if left and left[0] <= 0 else None), tuple(left)

    def _join_counts(self, states: set[State]) -> tuple[set[State], bool]:
        pending = {(s.pending, self._only or s.scene == self.wanted) for s in states if s.pending}
        idle = [s.scene for s in states if not s.pending]
        joined: set[State] = set()
        if pending:
            ends_well = -1
            for count, known in pending:
                ends_well &= self._after_pulses(count, known)
            if not ends_well:
                return {self._some_count()}, True
            joined |= self._counts(ends_well, all(known for _, known in pending))
        if idle:
            known = self._only or all(scene == self.wanted for scene in idle)
            joined.add(State(self.wanted if known else ANY_SCENE))
        return joined, False

    def _lost_between(self, kept: dict[int, set[State]]) -> dict[int, set[State]]:
        """With ``SOME_COUNT`` for pending counts since different breaks that can never settle well together.

        For those that do not remember the wanted scene, or would not keep it. Each has to settle on its own count,
        so never both at once; and once the older has settled first, on the wanted scene, the newer is so many
        pulses short of it as the older had counted more. These the older takes too, and is off its scene again
        but where it ignores so many. That holds where every break is noticed or ridden through; where breaks may be
        one with supply missed between them, such a belief is only held to be wider than it must be.
        """
        codes = self.behaviour.codes
        older: list[int] = []
        lost: dict[int, set[State]] = {}
        for age in sorted(kept, reverse=True):
            mine = [
                s.pending for s in kept[age] if s.pending and (s.scene == ANY_SCENE or not self._remembers)
            ]
            apart = [(m, n) for m in mine for n in older if m != n]
            if any(not (self._remembers and n > m and n - m not in codes) for m, n in apart):
                lost, older = {age: {_TOO_MANY if self.careful else self._some_count()}}, [SOME_COUNT]
            else:
                lost[age] = kept[age]
                older += mine
        return dict(sorted(lost.items()))

    def _some_count(self) -> State:
        return State(self.wanted if self._only else ANY_SCENE, SOME_COUNT)

    def _after_pulses(self, count: int, known: bool) -> int:
        """Bit ``k``: whether a lamp that has counted so many settles on its scene after ``k`` more pulses.

        ``known``: it remembers the wanted scene. More pulses than the table has codes tell nothing new.
        """
        found = self._ends_well.get((count, known))
        if found is None:
            found, pending = 0, count
            for k in range(self.behaviour.codes[-1] + 1):
                scene = self.wanted if known else ANY_SCENE
                ends = {s.scene for s in self.behaviour.settle(State(scene, pending))}
                found |= (ends == {self.wanted}) << k
                pending = self.behaviour.one_more(pending)
            self._ends_well[count, known] = found
        return found

    def _counts(self, ends_well: int, known: bool) -> set[State]:
        """As few pending counts as settle well after just these pulses, all of them knowing the scene or not."""
        found = self._alike.get((ends_well, known))
        if found is None:
            highest = self.behaviour.codes[-1] + (not self._wraps)
            every = [(count, sure) for sure in (True, False) for count in range(1, highest + 1)]
            kept = [c for c in every if c[1] >= known and not ends_well & ~self._after_pulses(*c)]
            for candidate in tuple(kept):
                fewer = [c for c in kept if c != candidate]
                left = -1
                for c in fewer:
                    left &= self._after_pulses(*c)
                if left == ends_well and all(sure for _, sure in fewer) == known:
                    kept = fewer
            scenes = {True: self.wanted, False: ANY_SCENE}
            found = self._alike[ends_well, known] = {State(scenes[sure], count) for count, sure in kept}
        return found

    def _join_places(self, states: set[State]) -> tuple[set[State], bool]:
        for resting in (False, True):
            places = {s.scene for s in states if s.resting is resting}
            if len(places) > 1 or ANY_SCENE in places:
                return {State(ANY_SCENE)}, True
        return states, False


def _merged(moves: list[Move], ages: int) -> tuple[Move, ...]:
    """Moves to the same belief joined where they differ in one age's supply only, and touch there."""
    for age in range(ages):
        at: dict[tuple[object, ...], Move] = {}
        joined: list[Move] = []
        for move in sorted(moves, key=lambda m: m.least_ns[age]):
            rest = (
                move.least_ns[:age],
                move.least_ns[age + 1 :],
                move.most_ns[:age],
                move.most_ns[age + 1 :],
                move[2:],
            )
            before = at.get(rest)
            if before is not None and before.most_ns[age] == move.least_ns[age]:
                joined.remove(before)
                most = (*before.most_ns[:age], move.most_ns[age], *before.most_ns[age + 1 :])
                at[rest] = before._replace(most_ns=most)
            else:
                at[rest] = move
            joined.append(at[rest])
        moves = joined
    return tuple(moves)
