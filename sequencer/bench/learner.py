"""What the lamp does, learned as a Mealy machine by active automata learning.

The letters are breaks and supplies whose lengths the scan found to be sure:

=====  ==============================================================  ===============
letter what is sent                                                    what comes out
=====  ==============================================================  ===============
pulse  a pulse; count: the next one continues the train                count: nothing
look   count: supply until the train is over                           the scene
reset  a break in the reset window, if there is one, then a settling   the scene
down   a settling, a power-down, a settling                            the scene
=====  ==============================================================  ===============

The learner is L# (Vaandrager, Garhewal, Rot and Wissmann, TACAS 2022) as AALpy has it (Muškardin, Aichernig,
Pill, Pferscher and Tappler, ISSE 2022; titles from memory). Whether its machine is the lamp is tested by every
transition with a distinguishing word after it, and by longer words drawn by chance; that is a proof only for lamps
with no more states than the machine has, and is said so.

How a count beyond the table is taken may be chance, which no such learner knows: that is asked apart, with repeats.
"""

from __future__ import annotations

import math
from random import Random
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from sequencer.automaton.behaviour import LONG_LIT, Behaviour, State, Supply, behaviour
from sequencer.bench.asking import Asking, Unclear

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from sequencer.bench.scan import Lengths
    from sequencer.datasheet import Datasheet

Letter = Literal["pulse", "look", "reset", "down"]
Word = tuple[Letter, ...]
NOTHING = -2
"""The output of a pulse within a train: nobody looks."""
BEYOND = -3
"""The output of any letter once a train is longer than the table, where that is not learned."""
DRAWN = 8
"""Words drawn by chance for each test of a machine."""
DRAWN_LETTERS = 8
IN_TRAIN = Supply(continues=True, over="no", warm=True)


class Table(NamedTuple):
    """Count: the scene of each count from 1, and what a count beyond them does."""

    scenes: tuple[int, ...]
    overflow: Literal["unknown", "ignored", "wraps"]
    unsure: tuple[str, ...] = ()


def count_table(ask: Asking, known: Lengths) -> Table:
    """How many scenes can be chosen, and what one count too many does.

    A count whose scene was met before is beyond the table, or looks like another: it is sent again from two
    scenes, so often that a scene chosen by chance would show with the assumed ``error`` at most left over.
    Codes without gaps are assumed. Unclear where the table is longer than assumed.
    """
    found: list[int] = []
    most = ask.assumed.most_scenes

    def send(count: int, why: str) -> int:
        train = [(known.pulse, known.gap)] * (count - 1)
        return ask.see(*train, (known.pulse, known.settle), why=why)

    while len(found) <= 2 * most:
        count = len(found) + 1
        seen = send(count, f"a count of {count}")
        if seen in found:
            told = _beyond(ask, send, found, count, seen)
            if told == "by chance":
                return Table(tuple(found), "unknown")
            if told == "ignored":
                return Table(tuple(found), "ignored")
            wrapped = _wrapped([*found, seen])
            if wrapped is not None:
                return Table(tuple(found[:wrapped]), "wraps")
        elif count > most:
            raise Unclear(f"a count of {count} chose a scene of its own: name more with --most-scenes")
        found.append(seen)
    raise Unclear(f"no end of the table within {most} scenes")


def _beyond(
    ask: Asking, send: Callable[[int, str], int], found: Sequence[int], count: int, seen: int
) -> Literal["by chance", "ignored", "always"]:
    kinds = len(set(found))
    chance = math.log(ask.assumed.error / 2) / math.log(1 / kinds) if kinds > 1 else 1.0
    repeats = max(2, math.ceil(chance / 2) + 1)
    results: list[tuple[int, int]] = []
    starts = [found.index(scene) + 1 for scene in dict.fromkeys(found)][:2]
    for start in starts:
        for _ in range(repeats):
            before = send(start, "to a scene to start from")
            results.append((before, send(count, f"a count of {count} again: is it beyond the table?")))
    if all(before == after for before, after in results) and len(starts) > 1:
        return "ignored"
    return "always" if {after for _, after in results} == {seen} else "by chance"


def _wrapped(seen: Sequence[int]) -> int | None:
    """After how many counts it began anew, once it has gone round twice or nearly so."""
    for period in range(1, len(seen)):
        again = len(seen) - period
        # Where the scenes of one round all differ, three of the next are enough; else a whole round.
        enough = min(period, 3) if len(set(seen[:period])) == period else period
        if again >= enough and all(seen[i] == seen[i + period] for i in range(again)):
            return period
    return None


class Learned(NamedTuple):
    """The machine that was learned: AALpy's, its letters, and how it was tested."""

    machine: Any
    letters: tuple[Letter, ...]
    states: int
    words: int
    tested: int


class LampAsked:
    """The lamp as a system under learning: a word is played up to its last letter that is looked at."""

    def __init__(self, ask: Asking, known: Lengths, limit: int | None, go_home: Callable[[], None]) -> None:
        self._ask = ask
        self._known = known
        self._limit = limit  # of a train; a longer one is not sent
        self._go_home = go_home
        self._answers: dict[Word, int] = {}
        self.words = 0

    def query(self, word: Word) -> list[int]:
        """The outputs, one a letter."""
        outputs: list[int] = []
        plain: list[Letter] = []  # the word without what changes nothing
        pending = 0
        beyond = False
        due: list[tuple[int, Word]] = []
        for letter in word:
            if beyond:
                outputs.append(BEYOND)
                continue
            if letter == "pulse" and self._known.counts:
                pending += 1
                beyond = self._limit is not None and pending > self._limit
                outputs.append(BEYOND if beyond else NOTHING)
                plain.append(letter)
                continue
            if letter == "down" and pending:
                plain.append("look")
            if not (letter == "look" and plain and plain[-1] != "pulse"):
                plain.append(letter)
            pending = 0
            due.append((len(outputs), tuple(plain)))
            outputs.append(NOTHING)
        if any(prefix not in self._answers for _, prefix in due):
            self._play(due[-1][1])
        for place, prefix in due:
            outputs[place] = self._answers[prefix]
        return outputs

    def _play(self, word: Word) -> None:
        self.words += 1
        self._go_home()
        known, why = self._known, "a word: " + " ".join(word)
        train: list[tuple[float, float]] = []
        for place, letter in enumerate(word):
            if letter == "pulse" and known.counts:
                train.append((known.pulse, known.gap))
                continue
            if letter == "look":
                saw = self._settled(train, why) if train else self._shows()
            elif letter == "pulse":
                saw = self._ask.see((known.pulse, known.settle), why=why)
            elif letter == "reset":
                assert known.reset is not None
                saw = self._ask.see(*train, (known.reset, known.settle), why=why)
            else:
                if train:
                    self._settled(train, why)
                saw = self._ask.see((known.power_down, known.settle), why=why)
            train = []
            before = self._answers.setdefault(word[: place + 1], saw)
            if before != saw:
                raise Unclear(f"the same breaks led to two scenes ({' '.join(word[: place + 1])})")

    def _settled(self, train: list[tuple[float, float]], why: str) -> int:
        return self._ask.see(*train[:-1], (self._known.pulse, self._known.settle), why=why)

    def _shows(self) -> int:
        assert self._ask.shows is not None
        return self._ask.shows


def learn(ask: Asking, known: Lengths, limit: int | None, go_home: Callable[[], None]) -> Learned:
    """Learn the machine. ``limit``: no train longer than that is sent. Raises as :meth:`Asking.see`, and Unclear."""
    from aalpy.base import SUL, Oracle  # noqa: PLC0415 - only for this
    from aalpy.learning_algs import run_Lsharp  # noqa: PLC0415

    lamp = LampAsked(ask, known, limit, go_home)
    names: tuple[tuple[Letter, bool], ...] = (
        ("pulse", True),
        ("look", known.counts),
        ("reset", known.reset is not None),
        ("down", True),
    )
    letters = tuple(letter for letter, there in names if there)
    tested: set[Word] = set()
    chance = Random(ask.assumed.seed)  # noqa: S311 - the same words again, from a seed

    class Asks(SUL):  # type: ignore[misc]
        def pre(self) -> None: ...
        def post(self) -> None: ...
        def step(self, letter: Any) -> Any:
            raise AssertionError(letter)

        def query(self, word: Word) -> list[int]:
            return lamp.query(tuple(word))

    class Tests(Oracle):  # type: ignore[misc]
        def find_cex(self, hypothesis: Any) -> Word | None:
            for word in _tests(hypothesis, letters, chance, ask.assumed.most_scenes, counts=known.counts):
                tested.add(word)
                expected = hypothesis.compute_output_seq(hypothesis.initial_state, word)
                for place, (told, seen) in enumerate(zip(expected, lamp.query(word), strict=True)):
                    if told != seen:
                        return word[: place + 1]
            return None

    sul = Asks()
    machine = run_Lsharp(
        list(letters), sul, Tests(list(letters), sul), "mealy", separation_rule="SepSeq",
        cache_and_non_det_check=False, print_level=0,
    )  # fmt: skip
    return Learned(machine, letters, len(machine.states), lamp.words, len(tested))


def _tests(
    machine: Any, letters: Sequence[Letter], chance: Random, most: int, *, counts: bool
) -> Iterator[Word]:
    """Words that would tell another machine: round the ring, every transition, and some by chance."""
    if not counts:
        once: Word = ("pulse",)
        yield once * (most + len(machine.states))
    for state in machine.states:
        for letter in letters:
            # A train that is over and one that is not look alike until one more pulse.
            more: list[Word] = [("pulse", "look")] if counts else []
            for suffix in dict.fromkeys([*_telling(machine, state.transitions[letter]), *more]):
                yield (*state.prefix, letter, *suffix)
    last: Word = ("look",) if counts else ()
    for _ in range(DRAWN):
        word: list[Letter] = []
        for letter in (chance.choice(letters) for _ in range(DRAWN_LETTERS)):
            # Chance alone would hardly ever send a long train.
            word += [letter] * (chance.randint(1, 3) if counts and letter == "pulse" else 1)
        yield (*word, *last)


def _telling(machine: Any, state: Any) -> list[Word]:
    """Words that together tell a state from all others: the shortest that still tell it from some (Wp's method)."""
    others = [other for other in machine.states if other is not state]
    words: list[Word] = []
    for suffix in sorted(
        (tuple(word) for word in machine.characterization_set or []), key=lambda w: (len(w), w)
    ):
        told = machine.compute_output_seq(state, suffix)
        left = [other for other in others if machine.compute_output_seq(other, suffix) == told]
        if len(left) < len(others):
            words.append(suffix)
            others = left
    return words or [()]


def differs(
    machine: Any, sheet: Datasheet, scene_of: dict[int, int], start: int, letters: Sequence[Letter]
) -> Word | None:
    """The shortest word on which a machine and a datasheet's own automaton differ; None when they are one.

    ``scene_of``: the number of the scene of each code; ``start``: the code at which the machine begins. A walk
    over the product of both.
    """
    acts = behaviour(sheet, 0.0)
    first = (machine.initial_state, acts.rest(start))
    met = {(first[0].state_id, first[1])}
    ahead: list[tuple[Any, State, Word]] = [(*first, ())]
    for state, lamp, word in ahead:
        for letter in letters:
            output = state.output_fun[letter]
            if output == BEYOND:
                continue
            after = sent(acts, lamp, letter)
            shown = NOTHING if letter == "pulse" and acts.counts else scene_of[after.scene]
            if shown != output:
                return (*word, letter)
            pair = (state.transitions[letter], after)
            if (pair[0].state_id, after) not in met:
                met.add((pair[0].state_id, after))
                ahead.append((*pair, (*word, letter)))
    return None


def sent(acts: Behaviour, lamp: State, letter: Letter) -> State:
    """What a lamp of a datasheet is in after a letter; the letters leave it no choice below its overflow."""
    if letter == "look":
        return acts.settle(lamp)[0]
    if letter == "pulse":
        return acts.notice(lamp, "pulse", IN_TRAIN if lamp.pending else LONG_LIT, sure=True)[0]
    if letter == "reset":
        return acts.notice(lamp, "reset", LONG_LIT, sure=True)[0]
    return acts.notice(acts.settle(lamp)[0], "power_down", LONG_LIT, sure=True)[0]
