"""From an edge and some lengths to a train, and from the scene seen after it to how many were found long.

Every train begins with the lamp lit and settled and ends so. With several lengths in one train, the order is such
that no answer to one spoils the next: breaks ascending, from rest (ridden-through breaks come first and leave nothing
behind); gaps ascending (a pulse that came too soon leaves the count); settling descending (once a train was over
the shorter gaps count on from there).

Supply that the lamp does not notice makes one long break of the two around it (see :mod:`.subject`). To find a gap,
all of them together are still a pulse (:func:`fits`), or else what the long break may lead to is another scene than
the one that is taken for long. To find ``noticed``, two pulses are together longer than any pulse: as one break they
lead home or leave the scene, as two they count, or move the lamp on.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from sequencer.train import Pulse

if TYPE_CHECKING:
    from sequencer.bench.subject import EdgeName, Footing, Subject

PITCH_S = 1 / 3
"""A break and the supply after it are together no shorter: WCAG 2.3.1, three flashes a second. A rig may want more."""
WITHIN = 0.8
SLOW_LOOK = 40
MOST_PENDING = 4
"""So many pulses at most are counted before two that may be one long break."""
ALIKE = 1000


class Presentation(NamedTuple):
    """Breaks and supply, and what the scene seen after them tells.

    ``reads`` gives, by code, how many of the lengths were found long; any other code means ``otherwise``, None: it
    tells nothing.
    """

    pulses: tuple[Pulse, ...]
    reads: Mapping[int, int]
    otherwise: int | None = None


def most_lengths(subject: Subject, edge: EdgeName, footing: Footing, shortest_s: float) -> int:
    """How many lengths one train may hold; ``shortest_s`` is the least that will be shown."""
    if not subject.counts:
        if edge == "gap" or (edge == "ride-through" and subject.bright_and_dim[0] is None):
            return min(4, len(subject.codes) - 1)
        return 1
    first, last = subject.run
    if edge in ("ride-through", "dim ride-through", "gap"):
        return last - first
    # A gap that ends a train must leave the lamp warm for the next pulse, or that is missed and nothing counts.
    return last - first if edge == "settling" and first == 1 and footing.warm_s < shortest_s else 1


def present(
    subject: Subject,
    edge: EdgeName,
    lengths_s: tuple[float, ...],
    footing: Footing,
    seen: int,
    pitch_s: float = PITCH_S,
) -> Presentation:
    """The train that shows these lengths to a lamp that now shows ``seen``; ``pitch_s`` from break to break.

    Without pulses when no train can tell.
    """
    if edge == "noticed":
        shown = _noticed(subject, lengths_s[0], footing, seen, pitch_s)
    else:
        shown = (_count if subject.counts else _step)(subject, edge, lengths_s, footing, seen, pitch_s)
    lengths = [(pulse.off_s, pulse.on_s) for pulse in shown.pulses]
    return shown._replace(pulses=_spaced(lengths, footing, pitch_s))


def fits(
    subject: Subject,
    edge: EdgeName,
    lengths_s: tuple[float, ...],
    footing: Footing,
    seen: int,
    pitch_s: float = PITCH_S,
) -> bool:
    """Whether one train may hold these lengths: however many supplies go unnoticed, it is read right.

    One length alone always may.
    """
    if edge != "gap" or len(lengths_s) == 1:
        return True
    pulses = present(subject, edge, lengths_s, footing, seen, pitch_s).pulses
    return _as_one(pulses[-len(lengths_s) - 1 :]) <= footing.longest_pulse_s


def stand_on(
    subject: Subject, footing: Footing, seen: int, pitch_s: float = PITCH_S
) -> tuple[tuple[Pulse, ...], int]:
    """A train that only works when the lamp takes these lengths as meant, and the code that it then leads to."""
    if not subject.counts:
        # Two breaks with supply between that it does not notice may be a reset: that must not look like two steps.
        most, homes = len(subject.codes) - 1, _homes(subject)
        steps = next((n for n in (2, 3) if n <= most and subject.after(seen, n) not in homes), min(2, most))
        return _spaced(_pulses(footing, steps), footing, pitch_s), subject.after(seen, steps)
    code = _other(subject, seen)
    return _spaced(_pulses(footing, code), footing, pitch_s), code


def shortest_shown(subject: Subject, edge: EdgeName, pitch_s: float, max_dark_s: float) -> float:
    """The shortest length (s) of an edge that can be shown with so long from break to break.

    A supply may be shorter than the pitch by the longest pulse, a break by the longest supply within a train: as the
    datasheet has them, with a fifth kept off their ends.
    """
    longest_pulse, longest_gap = (
        WITHIN * end for end in (subject.sheet.off.pulse[1], subject.sheet.on.same_train[1])
    )
    if edge in ("gap", "noticed"):
        return max(0.0, pitch_s - min(longest_pulse, max_dark_s))
    if edge == "warm-up":
        return max(0.0, pitch_s - max_dark_s)
    if edge in ("ride-through", "dim ride-through"):
        return max(0.0, pitch_s - longest_gap)
    return 0.0


def _pulses(footing: Footing, number: int) -> list[tuple[float, float]]:
    return [(footing.pulse_s, footing.gap_s)] * number


def _spaced(lengths: list[tuple[float, float]], footing: Footing, pitch_s: float) -> tuple[Pulse, ...]:
    """Rest after the last break; no flash too soon: before a short gap that is varied the pulse is longer."""
    pulses = []
    for place, (off_s, on_s) in enumerate(lengths, start=1):
        if place == len(lengths):
            pulses.append(Pulse(off_s, max(footing.rest_s, on_s, pitch_s - off_s)))
        elif on_s == footing.gap_s or on_s >= footing.rest_s:
            pulses.append(Pulse(off_s, max(on_s, pitch_s - off_s)))
        else:
            pulses.append(Pulse(max(off_s, pitch_s - on_s), on_s))
    return tuple(pulses)


def _as_one(pulses: Sequence[Pulse]) -> float:
    """The length (s) of these breaks and the supply between them, taken together."""
    return sum(pulse.off_s + pulse.on_s for pulse in pulses) - pulses[-1].on_s


def _halves(footing: Footing, supply_s: float, pitch_s: float) -> float | None:
    """A pulse (s), two of which with this supply between are longer than any pulse; None where there is none."""
    half_s = max(footing.beyond_pulse_s / 2, footing.pulse_s, pitch_s - supply_s)
    return half_s if half_s <= footing.longest_pulse_s else None


def _homes(subject: Subject) -> set[int]:
    """The first scene, where a reset or a power-down leads there."""
    sheet = subject.sheet
    leads = sheet.off.reset is not None or sheet.lamp.after_power_down == "first"
    return {subject.codes[0]} if leads else set()


def _after_long(subject: Subject, scene: int, pending: int = 0, *, resets: bool = False) -> set[int]:
    """What it may show after a break longer than a pulse, from this scene and count; ``resets``: surely a reset."""
    sheet, found = subject.sheet, _homes(subject)
    if not resets or sheet.off.reset is None:
        keeps = sheet.lamp.after_power_down
        if keeps == "next":
            found.add(subject.after(scene, 1))
        elif keeps == "remembered":
            found |= {scene, pending} if pending else {scene}
    return found


def _told(subject: Subject, code: int, from_codes: set[int]) -> bool:
    """Whether the eyes tell one scene from each of the others."""
    return code not in from_codes and all(subject.distinct((code, other)) for other in from_codes)


def _other(subject: Subject, seen: int, least: int = 2) -> int:
    """A code of the run that is not the one shown, nor below ``least``; the one shown if there is no other."""
    first, last = subject.run
    codes = range(max(first, least), last + 1)
    return next((code for code in codes if code != seen), codes[0])


def _count(
    subject: Subject,
    edge: EdgeName,
    lengths: tuple[float, ...],
    footing: Footing,
    seen: int,
    pitch_s: float,
) -> Presentation:
    if edge == "gap":
        return _gap_of_count(subject, lengths, footing, seen, pitch_s)
    base, _ = subject.run
    many = len(lengths)
    before: list[tuple[float, float]] = []

    def go_to(code: int) -> None:
        before.extend([*_pulses(footing, code - 1), (footing.pulse_s, footing.rest_s)])

    reads: dict[int, int] = {base + found: found for found in range(many + 1)}
    otherwise: int | None = None
    code = _other(subject, seen)
    if edge in ("ride-through", "dim ride-through"):
        home = subject.bright_and_dim[edge == "dim ride-through"]
        if home not in (None, seen):
            go_to(home)
        body = [*((length, footing.gap_s) for length in lengths), *_pulses(footing, base)]
    elif edge == "settling" and many > 1:
        body = [*((footing.pulse_s, x) for x in reversed(lengths)), *_pulses(footing, 1)]
        reads = {1 + many - found: found for found in range(many + 1)}
    elif edge == "settling":
        body = [*_pulses(footing, code - 2), (footing.pulse_s, lengths[0]), *_pulses(footing, 1)]
        reads, otherwise = {code: 0}, 1
    else:
        if code == seen:  # the only one that can be told: leave it first
            go_to(subject.run[0] if subject.run[0] != code else subject.run[1])
        if edge == "pulse's end":
            body = [*_pulses(footing, code - 1), (lengths[0], footing.rest_s)]
            reads, otherwise = {code: 0}, 1
        elif edge == "warm-up":
            body = [(footing.dark_s, lengths[0]), *_pulses(footing, code)]
            reads, otherwise = {code: 1}, 0
        else:
            before.clear()
            kept = seen
            if seen == subject.codes[0]:
                go_to(kept := _other(subject, seen))
            body = [(lengths[0], footing.rest_s)]
            reads = {subject.codes[0]: 0, kept: 1}
    return Presentation(tuple(Pulse(*each) for each in [*before, *body]), reads, otherwise)


def _gap_of_count(
    subject: Subject, lengths: tuple[float, ...], footing: Footing, seen: int, pitch_s: float
) -> Presentation:
    """As :func:`_count`. Where two pulses may be more than one as one break, from a scene that tells this apart."""
    (base, last), start = subject.run, seen
    pairs = [*((footing.pulse_s, x) for x in lengths), *_pulses(footing, 1)]
    reads: dict[int, int] = {}
    if len(lengths) == 1 and _as_one(_spaced(pairs, footing, pitch_s)) > footing.longest_pulse_s:
        places = ((b, s) for b in range(base, last) for s in (seen, b))
        told = ((b, s) for b, s in places if _told(subject, b + 1, _after_long(subject, s, b - 1)))
        if (place := next(told, None)) is None:
            return Presentation((), {})
        base, start = place
        reads = dict.fromkeys(_after_long(subject, start, base - 1), 0)
    reads |= {base + found: found for found in range(len(lengths) + 1)}
    body = [*_to_scene(footing, start, seen), *_pulses(footing, base - 1), *pairs]
    return Presentation(tuple(Pulse(*each) for each in body), reads)


def _to_scene(footing: Footing, code: int, seen: int) -> list[tuple[float, float]]:
    """Breaks that lead a count lamp from the scene seen to this one; none where it shows it."""
    return [] if code == seen else [*_pulses(footing, code - 1), (footing.pulse_s, footing.rest_s)]


def _noticed(subject: Subject, supply_s: float, footing: Footing, seen: int, pitch_s: float) -> Presentation:
    """Two pulses that are together longer than any, from the scene and the count from which that is soonest told.

    Noticed, the first of them counts or moves it on, and so may the second. Else the lamp does what it does after a
    long break.
    """
    half_s = _halves(footing, supply_s, pitch_s)
    if half_s is None:
        return Presentation((), {})
    pair = [(half_s, supply_s), (half_s, footing.rest_s)]
    resets = _as_one(_spaced(pair, footing, pitch_s)) <= footing.longest_reset_s
    options: list[tuple[int, int, list[tuple[float, float]], dict[int, int]]] = []
    for before, start, pending in _leads(subject, footing, seen):
        if subject.counts:
            one, two = pending + 1, pending + 2
        else:
            one, two = subject.after(start, 1), subject.after(start, 2)
        merged = _after_long(subject, start, pending, resets=resets)
        if one not in subject.codes or not _told(subject, one, merged):
            continue
        reads = {**dict.fromkeys(merged, 0), one: 1}
        if two in subject.codes and _told(subject, two, merged):
            reads[two] = 1
        moving = sum(code not in subject.still for code in reads)
        options.append((len(before) + SLOW_LOOK * moving, len(options), before, reads))
    if not options:
        return Presentation((), {})
    _, _, before, reads = min(options, key=lambda option: option[:2])
    return Presentation(tuple(Pulse(*each) for each in [*before, *pair]), reads)


def _leads(
    subject: Subject, footing: Footing, seen: int
) -> Iterator[tuple[list[tuple[float, float]], int, int]]:
    """Breaks that lead from the scene seen to others, the scene that it then shows, and the pulses then counted."""
    if not subject.counts:
        for steps in range(len(subject.codes)):
            yield _pulses(footing, steps), subject.after(seen, steps), 0
        return
    for start in (seen, *(code for code in subject.codes if code != seen)):
        for pending in range(min(len(subject.codes), MOST_PENDING) + 1):
            yield [*_to_scene(footing, start, seen), *_pulses(footing, pending)], start, pending


def _step(
    subject: Subject,
    edge: EdgeName,
    lengths: tuple[float, ...],
    footing: Footing,
    seen: int,
    pitch_s: float,
) -> Presentation:
    """As :func:`_count`, after so many steps on that the scenes that may follow are soonest told apart."""
    options = []
    for steps in range(len(subject.codes) + 1):
        start = subject.after(seen, steps)
        if edge == "gap" and steps == 0:
            continue
        if (reads := _step_reads(subject, edge, len(lengths), start)) is None:
            continue
        if edge == "gap" and len(lengths) == 1:
            pair = [(footing.pulse_s, lengths[0]), *_pulses(footing, 1)]
            if _as_one(_spaced(pair, footing, pitch_s)) > footing.longest_pulse_s:
                merged = {start, *_after_long(subject, subject.after(seen, steps - 1))}
                if not _told(subject, subject.after(start, 1), merged):
                    continue
                reads = {**dict.fromkeys(merged, 0), **reads}
        moving = sum(code not in subject.still for code in reads)
        cost = steps + SLOW_LOOK * moving + ALIKE * (not subject.distinct(tuple(reads)))
        options.append((cost, steps, start, reads))
    if not options:
        return Presentation((), {})
    _, steps, _, reads = min(options, key=lambda option: option[:2])
    before = _pulses(footing, steps)
    otherwise: int | None = None
    if edge in ("ride-through", "dim ride-through"):
        body = [(length, footing.gap_s) for length in lengths]
    elif edge == "gap":
        before = before[:-1]
        body = [*((footing.pulse_s, length) for length in lengths), *_pulses(footing, 1)]
    elif edge == "warm-up":
        body = [(footing.dark_s, lengths[0]), *_pulses(footing, 1)]
    else:
        body = [(lengths[0], footing.rest_s)]
        if edge == "pulse's end":
            otherwise = 1
            reads = {code: found for code, found in reads.items() if found == 0}
    return Presentation(tuple(Pulse(*each) for each in [*before, *body]), reads, otherwise)


def _step_reads(subject: Subject, edge: EdgeName, many: int, start: int) -> dict[int, int] | None:
    """What each scene means, from this start; None where two answers would lead to one scene."""
    first, on = subject.codes[0], subject.after(start, 1)
    keeps = subject.sheet.lamp.after_power_down
    if edge in ("ride-through", "dim ride-through", "gap"):
        home = None if edge == "gap" else subject.bright_and_dim[edge == "dim ride-through"]
        if home not in (None, start):
            return None
        return {subject.after(start, found): found for found in range(many + 1)}
    after_dark = {"remembered": start, "first": first, "next": on}[keeps]
    if edge == "warm-up":
        return {after_dark: 0, subject.after(after_dark, 1): 1}
    if edge == "reset's end":
        return None if after_dark == first else {first: 0, after_dark: 1}
    # A pulse moves on; what else may follow is the first scene or, after power-down, where that leads.
    return (
        None if on == first else {on: 0, first: 1, after_dark: 1} if after_dark != on else {on: 0, first: 1}
    )
