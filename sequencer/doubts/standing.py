"""What is doubtful about what the daemon is to do by itself: inputs, re-syncs, moving scenes, quiet hours."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date, datetime
from typing import TYPE_CHECKING

from sequencer.almanac import Row, calendar_of, is_quiet, listing, next_quiet_change
from sequencer.core.state import HOUR_S
from sequencer.doubts.doubt import Doubt
from sequencer.doubts.pad import never_forgets
from sequencer.doubts.upkeep import Upkeep, span_words
from sequencer.sitefile.serve import Inputs, Serve, Span
from sequencer.tomlfile import quoted

if TYPE_CHECKING:
    from sequencer.sitefile import Circuit, Pad
    from sequencer.sitefile.standing import Standing

DAYS = 366
"""So many days of the calendar are held against the quiet hours."""
YEAR_H = 365.25 * 24
EVENING_H = 4.0
"""A moving scene is reckoned to be shown for so long each evening; our choice."""
SOON_YEARS = 5.0
"""A relay that wears out sooner is doubted; our choice. Nobody is to come back for years."""
LEAST_FLICK_S = 0.5
"""Off and on by hand takes a few tenths of a second (common practice, no source)."""


def standing_doubts(
    pad: Pad, kept: Mapping[str, Upkeep], refused: Mapping[str, str], now: datetime
) -> tuple[Doubt, ...]:
    """Everything doubtful about a pad's standing orders, the site first, then each circuit.

    :param pad: loaded with them.
    :param kept: by circuit, what keeping it matched takes.
    :param refused: by circuit, why ``serve`` refuses it. With neither, nothing is doubted.
    :param now: the calendar is looked at from here on.
    """
    standing = pad.standing
    if standing is None or not (kept or refused):
        return ()
    found = [*_of_clock(pad, standing), *_of_quiet(pad, standing.serve.quiet, now)]
    for circuit in pad.circuits:
        if circuit.name in refused:
            found.append(Doubt(circuit.name, "lampstep serve refuses it", refused[circuit.name]))
            continue
        inputs = standing.inputs.get(circuit.name, Inputs())
        found += _of_inputs(circuit.name, inputs, standing.serve)
        found += _of_favourites(inputs, kept[circuit.name])
        found += _of_trains(pad, circuit, kept[circuit.name])
        found += _of_wear(circuit, kept[circuit.name])
    return tuple(found)


def _of_clock(pad: Pad, standing: Standing) -> Iterator[Doubt]:
    wait_s = standing.serve.trust_clock_after_s
    if wait_s is not None and (standing.slots or standing.exceptions or standing.serve.quiet):
        what = f"[serve] trust_clock_after_s = {wait_s:g} believes the clock without word from a time service"
        remedy = "keep it only on a board with a clock chip; any other begins its shows by a wrong time"
        yield Doubt(pad.site.name, what, remedy)


def _of_quiet(pad: Pad, quiet: tuple[Span, ...], now: datetime) -> Iterator[Doubt]:
    """Shows for which no train can be sent, because all the time that they are due is quiet."""
    if not quiet:
        return
    all_days: dict[str, set[date]] = {}
    quiet_days: dict[str, set[date]] = {}
    for row in listing(calendar_of(pad), now, DAYS):
        if row.due:
            all_days.setdefault(row.name, set()).add(row.date)
            if _is_covered(row, quiet):
                quiet_days.setdefault(row.name, set()).add(row.date)
    for name, days in quiet_days.items():
        shown = f"{len(days)} of its {len(all_days[name])} days in the year to come"
        what = f"quiet hours cover the whole show on {shown}"
        yield Doubt(f"calendar: {name}", what, "no train is sent for it then: move one or the other")


def _is_covered(row: Row, quiet: tuple[Span, ...]) -> bool:
    for begins, ends in row.due:
        until = next_quiet_change(quiet, begins)
        if not is_quiet(quiet, begins) or (until is not None and until < ends):
            return False
    return True


def _of_inputs(circuit: str, inputs: Inputs, serve: Serve) -> Iterator[Doubt]:
    if inputs.switch is None:
        what = "no switch input, so that the wall's switch tells the board nothing"
        remedy = f"right if that switch feeds the whole box; if not, wire [inputs.{circuit}] switch"
        yield Doubt(circuit, what, remedy)
    elif serve.flick_s < LEAST_FLICK_S:
        what = f"[serve] flick_s = {serve.flick_s:g} leaves a hand no time to flick the switch"
        yield Doubt(circuit, what, "off and on takes a few tenths of a second: leave it at 2")
    if inputs.sense is None:
        every_h = serve.resync_every_h
        left = "nothing" if every_h is None else f"only a re-sync every {every_h:g} h"
        what = "no sense of the supply, so that outages the board lives through go unseen"
        yield Doubt(circuit, what, f"wire [inputs.{circuit}] sense; without it {left} makes up for them")
    if inputs.occupied is None and not serve.quiet:
        what = "nothing keeps trains from darkening the water over people"
        remedy = f"say when they swim, [serve] quiet, or wire [inputs.{circuit}] occupied"
        yield Doubt(circuit, what, remedy)


def _of_favourites(inputs: Inputs, kept: Upkeep) -> Iterator[Doubt]:
    favourites = kept.rules.favourites
    if (inputs.switch or inputs.button) and len(favourites) < 2:
        what = f"its only favourite is {quoted(favourites[0])}" if favourites else "it has no favourite"
        remedy = "name two or more in [serve] favourites that all its lamps have, or a flick changes nothing"
        yield Doubt(kept.rules.circuit, what, remedy)


def _of_trains(pad: Pad, circuit: Circuit, kept: Upkeep) -> Iterator[Doubt]:
    spread_s = circuit.relay.delays.spread_s
    stuck = [
        lamp.name for lamp in circuit.lamps if never_forgets(pad.datasheets[lamp.stem], pad.timing, spread_s)
    ]
    most = kept.rules.max_cycles_per_h
    for scene, train in kept.trains.items():
        where = f"{circuit.name}: scene {quoted(scene)}"
        if train.cycles is None and stuck:
            what = f"no full train reaches it, for {quoted(stuck[0])} never forgets what it shows"
            told = " ".join(_word(f"{name}=SCENE") for name in stuck)
            yield Doubt(where, what, f"after every start and outage say it: lampstep tell SITE {told}")
        elif train.cycles is None:
            remedy = f"do not have it sent here; lampstep plan --circuit {_word(circuit.name)} tells more"
            yield Doubt(where, f"no full train reaches it ({train.why})", remedy)
        elif train.cycles > most:
            what = f"its full train takes {train.cycles} relay cycles, and max_cycles_per_h is {most}"
            yield Doubt(where, what, f"it is never sent: allow {train.cycles} at least")


def _of_wear(circuit: Circuit, kept: Upkeep) -> Iterator[Doubt]:
    rules, rated = kept.rules, circuit.relay.rated_cycles
    dearest = max((train.cycles or 0 for train in kept.trains.values()), default=0)
    if dearest and (years := rated * rules.resync_s / HOUR_S / (dearest * YEAR_H)) < SOON_YEARS:
        every = span_words(rules.resync_s)
        what = f"a re-sync every {every}, {dearest} relay cycles each, uses up {rated} in {years:.1f} years"
        yield Doubt(circuit.name, what, "make resync_every_h longer, or take a relay that is rated for more")
    for scene, in_step_s in rules.in_step_s.items():
        if not (cycles := kept.trains[scene].cycles):
            continue
        where, every_s = f"{circuit.name}: scene {quoted(scene)}", kept.resent_every_s(scene)
        per_h, apart = kept.cycles_per_h(scene), f"its lamps are out of step after {span_words(in_step_s)}"
        if every_s > in_step_s:
            again = f"sent again only every {span_words(every_s)}" if per_h else "never sent again"
            remedy = f"take a still scene, or raise rephase_per_h at {cycles} relay cycles each"
            yield Doubt(where, f"{apart}, and it is {again}", remedy)
        if per_h > rules.max_cycles_per_h:
            what = f"keeping it in step takes {per_h:.0f} relay cycles an hour"
            remedy = f"max_cycles_per_h = {rules.max_cycles_per_h} holds that back: lower rephase_per_h"
            yield Doubt(where, what, remedy)
        elif per_h and (years := rated / (per_h * EVENING_H * YEAR_H / 24)) < SOON_YEARS:
            what = (
                f"in step for {EVENING_H:g} h an evening it uses up {rated} relay cycles in {years:.1f} years"
            )
            yield Doubt(where, what, "lower rephase_per_h, or take a relay that is rated for more")


def _word(text: str) -> str:
    return f'"{text}"' if " " in text else text
