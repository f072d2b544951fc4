"""What one lamp makes of a train, as a distribution over what it shows; the steps are the automaton's.

The automaton says what is possible; here the possible is weighed. A lamp has limits of its own that lie
somewhere between the windows of its datasheet, anywhere as likely: a length a third of the way through a gap
is on the far side of one lamp's limit in three.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from sequencer.automaton.behaviour import ANY_SCENE, Behaviour, State, Supply
from sequencer.units import FOREVER_NS, at_least_ns

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from sequencer.automaton.guards import Effect, Window
    from sequencer.train import Train

_LEAST = 1e-5  # a way this unlikely is not followed


class Hearing(NamedTuple):
    """How a lamp hears, where it departs from its datasheet.

    ``misses``: the chance that a pulse it should take is not taken. ``rides_s``: it rides through every break up
    to this. ``holds_s``: and notices every break that is longer than this, if given. ``pace``: ticks of its clock
    a second. ``needs``: of the supply that makes a pulse certain to be taken, the part that this lamp wants; None:
    any. ``pending``: pulses it had counted when the train began, with ``had_s`` of supply since. ``stuck``:
    it stays on its scene; ``dark``: it shows nothing.
    """

    misses: float = 0.0
    rides_s: float = 0.0
    holds_s: float | None = None
    pace: float = 1.0
    needs: float | None = None
    pending: int = 0
    had_s: float | None = None
    stuck: bool = False
    dark: bool = False


SOUND = Hearing()


class Parting(NamedTuple):
    """A contact that, at some closings (from 0), touches for ``touch_s`` and parts for ``gap_s`` once more."""

    closings: tuple[int, ...] = ()
    touch_s: float = 0.0
    gap_s: float = 0.0


CLEAN = Parting()


class _Way(NamedTuple):
    """One state, the supply since the last break it noticed, and how many pulses it missed so far."""

    state: State
    supply_ns: int
    missed: int = 0


def read(
    act: Behaviour,
    train: Train,
    start: int = ANY_SCENE,
    hearing: Hearing = SOUND,
    parting: Parting = CLEAN,
    *,
    dark_before: bool = False,
) -> dict[tuple[int | None, int], float]:
    """How likely each (code shown, pulses missed) is at the end; None is dark.

    ``start``: the code it was on, ANY_SCENE for each as likely. ``dark_before``: it comes from a power-down.
    """
    if hearing.dark:
        return {(None, 0): 1.0}
    if hearing.stuck:
        kept = act.codes if start == ANY_SCENE else (start,)
        return {(code, 0): 1 / len(kept) for code in kept}
    ways = {_beginning(act, train, start, hearing, dark_before=dark_before): 1.0}
    for closing, pulse in enumerate(train.pulses):
        ways = _through(act, ways, pulse.off_s, hearing)
        if closing in parting.closings:
            ways = _lit(ways, parting.touch_s, hearing)
            ways = _through(act, ways, parting.gap_s, hearing)
        ways = _lit(ways, pulse.on_s, hearing)
    shown: dict[tuple[int | None, int], float] = {}
    for way, chance in ways.items():
        after = act.settle(way.state) if act.counts else (way.state,)
        codes = [
            code for state in after for code in (act.codes if state.scene == ANY_SCENE else (state.scene,))
        ]
        for code in codes:
            key = (code, way.missed)
            shown[key] = shown.get(key, 0.0) + chance / len(codes)
    return shown


def _beginning(act: Behaviour, train: Train, start: int, hearing: Hearing, *, dark_before: bool) -> _Way:
    if hearing.had_s is not None and act.counts:
        return _Way(State(start, hearing.pending), at_least_ns(hearing.had_s))
    rest = act.rest(start)
    if not dark_before:
        return _Way(rest, FOREVER_NS)
    woken = act.notice(rest, "power_down", Supply(True, "yes", True), sure=True)[0]
    return _Way(woken, at_least_ns(train.lead_in_s * hearing.pace))


def _lit(ways: Mapping[_Way, float], seconds: float, hearing: Hearing) -> dict[_Way, float]:
    """Supply for so long, as the lamp's clock has it."""
    more = at_least_ns(seconds * hearing.pace)
    return {way._replace(supply_ns=min(way.supply_ns + more, FOREVER_NS)): c for way, c in ways.items()}


def _through(
    act: Behaviour, ways: Mapping[_Way, float], seconds: float, hearing: Hearing
) -> dict[_Way, float]:
    """A break of so long, taken every way that is open."""
    off_ns = at_least_ns(seconds * hearing.pace)
    effects = _effects(act, off_ns, seconds, hearing)
    after: dict[_Way, float] = {}
    for way, chance in ways.items():
        for effect, part in effects.items():
            for new, share in _after(act, way, effect, off_ns, hearing, sure=len(effects) == 1):
                if (weight := chance * part * share) > _LEAST:
                    after[new] = after.get(new, 0.0) + weight
    return after


def _effects(act: Behaviour, off_ns: int, seconds: float, hearing: Hearing) -> dict[Effect, float]:
    """What a break may do, weighed by where it lies between the windows."""
    if seconds <= hearing.rides_s:
        return {"ignored": 1.0}
    possible = act.effects(off_ns)
    if hearing.holds_s is not None and possible[0] == "ignored" and seconds > hearing.holds_s:
        possible = possible[1:] or ("pulse",)
    windows = {window.name: window for window in act.guards.breaks}
    if len(possible) == 1:
        return {possible[0]: 1.0}
    past = _share(off_ns, windows[possible[0]].last_ns, windows[possible[-1]].first_ns)
    return {possible[0]: 1 - past, possible[-1]: past}


def _after(
    act: Behaviour, way: _Way, effect: Effect, off_ns: int, hearing: Hearing, *, sure: bool
) -> Iterator[tuple[_Way, float]]:
    """The ways on from one break with one effect."""
    if effect == "ignored":
        yield way._replace(supply_ns=min(way.supply_ns + off_ns, FOREVER_NS)), 1.0
        return
    over = _over(act, way)
    for is_over, part in ((True, over), (False, 1 - over)):
        if part == 0:
            continue
        before = act.settle(way.state) if is_over else (way.state,)
        for state in before:
            share = part / len(before)
            if effect == "pulse":
                taken = _taken(act, state, way.supply_ns, hearing) * (1 - hearing.misses)
                new = act.notice(state, effect, Supply(True, "no", True), sure=sure)
                yield from ((_Way(one, 0, way.missed), share * taken / len(new)) for one in new)
                yield _Way(state, 0, way.missed + 1), share * (1 - taken)
            else:
                new = act.notice(state, effect, Supply(True, "no", True), sure=sure)
                yield from ((_Way(one, 0, way.missed), share / len(new)) for one in new)


def _over(act: Behaviour, way: _Way) -> float:
    """The chance that a pending count is over; 1 where there is none."""
    settled = act.guards.settled
    if settled is None or not way.state.pending:
        return 1.0
    return _share(way.supply_ns, act.guards.same_train.last_ns, settled.first_ns)


def _taken(act: Behaviour, state: State, supply_ns: int, hearing: Hearing) -> float:
    """The chance that a lamp of this type takes a pulse after so much supply."""
    idle = state.pending == 0 if act.counts else state.resting
    need: Window = act.guards.warm_up if idle else act.guards.same_train
    if supply_ns >= need.first_ns:
        return 1.0
    part = supply_ns / need.first_ns
    return part if hearing.needs is None else float(part >= hearing.needs)


def _share(length_ns: int, before_ns: int, after_ns: int) -> float:
    """How far a length is from the end of one window to the start of the next: 0 to 1."""
    if length_ns <= before_ns:
        return 0.0
    return 1.0 if length_ns >= after_ns else (length_ns - before_ns) / (after_ns - before_ns)
