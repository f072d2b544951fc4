"""The daemon's tables of a site in plain words and as fields, for ``lampstep check``."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING, Any

from sequencer.daemon.orders import rules_for, standing_of
from sequencer.doubts import Upkeep, upkeep
from sequencer.doubts.upkeep import span_words
from sequencer.errors import InputError
from sequencer.layout import table
from sequencer.sitefile import Pad
from sequencer.sitefile.calendar import BySun, When

if TYPE_CHECKING:
    from pydantic import BaseModel

    from sequencer.sitefile.calendar import Dates, ExceptionDays, Slot
    from sequencer.sitefile.serve import Line


def kept_and_refused(pad: Pad) -> tuple[dict[str, Upkeep], dict[str, str]]:
    """By circuit, what the daemon will do with it, or why it does not serve it; nothing without its tables."""
    kept: dict[str, Upkeep] = {}
    refused: dict[str, str] = {}
    if has_orders(pad):
        for circuit in pad.circuits:
            try:
                kept[circuit.name] = upkeep(pad, rules_for(pad, circuit))
            except InputError as error:
                refused[circuit.name] = error.problems[0].removeprefix(f"{circuit.name}: ")
    return kept, refused


def has_orders(pad: Pad) -> bool:
    """Whether the site says anything to the daemon."""
    standing = standing_of(pad)
    return standing != type(standing)()


def orders_fields(pad: Pad, kept: Mapping[str, Upkeep]) -> dict[str, object] | None:
    """As plain values; None when the site says nothing to the daemon."""
    if not has_orders(pad):
        return None
    standing = standing_of(pad)
    wires = standing.model_dump(include={"inputs", "outputs"})
    return {
        "serve": {**standing.serve.model_dump(exclude={"quiet"}), "quiet": list(_quiet(pad))},
        **wires,
        "slots": [_show_fields(slot) for slot in standing.slots],
        "exceptions": [_show_fields(day) for day in standing.exceptions],
        "upkeep": [
            {
                "circuit": circuit,
                "scene": scene,
                "relay_cycles": train.cycles,
                "total_s": train.length_s if train.cycles is not None else None,
                "dark_s": train.dark_s if train.cycles is not None else None,
                "in_step_s": each.rules.in_step_s.get(scene),
                "resent_every_s": None if math.isinf(every_s := each.resent_every_s(scene)) else every_s,
                "cycles_per_h": each.cycles_per_h(scene),
            }
            for circuit, each in kept.items()
            for scene, train in each.trains.items()
        ],
    }


def orders_lines(pad: Pad, kept: Mapping[str, Upkeep]) -> list[str]:
    """What the daemon is told and what it will do by itself; nothing when the site says nothing to it."""
    if not has_orders(pad):
        return []
    standing, serve = standing_of(pad), standing_of(pad).serve
    lines = ["", "Kept by lampstep serve"]
    wired = []
    for circuit in pad.circuits:
        inputs, outputs = standing.inputs.get(circuit.name), standing.outputs.get(circuit.name)
        wired.append((circuit.name, ", ".join([*_wires(inputs), *_wires(outputs)]) or "no inputs"))
    lines += table(wired, "ll", heads=False)
    often = "never by time" if serve.resync_every_h is None else f"every {serve.resync_every_h:g} h while lit"
    lines += [
        f"  Favourites: {', '.join(serve.favourites) or 'every scene'}.",
        f"  Between shows: {'dark' if serve.between_shows == 'dark' else 'lit, on the scene it was last on'}.",
        f"  A full train: at every start, after an outage once supply was steady for {serve.steady_s:g} s, {often}.",
        f"  At most {serve.max_cycles_per_h} relay cycles an hour.",
        f"  Quiet hours, without trains: {', '.join(_quiet(pad)) or 'none'}.",
    ]
    if kept:
        lines += ["", "Full trains, from whatever the lamps show"]
        lines += table([("circuit", "scene", "cycles", "dark", "moving"), *_train_rows(kept)], "llrrl")
    shows = [("slot", "scene", "circuit", "days", "from", "to"), *map(_show_row, standing.slots)]
    shows += map(_show_row, standing.exceptions)
    if len(shows) > 1:
        lines += ["", "Calendar (lampstep calendar tells the days)", *table(shows, "llllll")]
    return lines


def _wires(lines: BaseModel | None) -> Iterator[str]:
    for name in type(lines).model_fields if lines is not None else ():
        line: Line | None = getattr(lines, name)
        if line is not None:
            yield f"{name} {'simulated' if line.driver == 'simulated' else f'on pin {line.pin}'}"


def _quiet(pad: Pad) -> Iterator[str]:
    for span in standing_of(pad).serve.quiet:
        yield f"{span.start:%H:%M}-{span.end:%H:%M}"


def _train_rows(kept: Mapping[str, Upkeep]) -> Iterator[tuple[str, ...]]:
    for circuit, each in kept.items():
        for scene, train in each.trains.items():
            if train.cycles is None:
                yield circuit, scene, "-", "-", "no full train"
                continue
            moving, in_step_s = "", each.rules.in_step_s.get(scene)
            if in_step_s is not None:
                every_s = each.resent_every_s(scene)
                again = "not sent again" if math.isinf(every_s) else f"sent again every {span_words(every_s)}"
                cost = f", {each.cycles_per_h(scene):.3g} cycles an hour" if math.isfinite(every_s) else ""
                moving = f"in step for {span_words(in_step_s)}; {again}{cost}"
            yield circuit, scene, str(train.cycles), f"{train.dark_s:.2f} s", moving


def _show_row(show: Slot | ExceptionDays) -> tuple[str, ...]:
    days = ", ".join(map(_dates, show.dates)) or ", ".join(getattr(show, "days", ())) or "every day"
    closed = "closed" if show.scene is None else show.scene
    ends = (_when(show.start), _when(show.end))
    return (show.name or "", closed, show.circuit or "every", days, *ends)


def _show_fields(show: Slot | ExceptionDays) -> dict[str, Any]:
    return {
        "name": show.name,
        "scene": show.scene,
        "circuit": show.circuit,
        "days": list(getattr(show, "days", ())),
        "dates": _all_dates(show.dates),
        "start": None if show.start is None else _when(show.start),
        "end": None if show.end is None else _when(show.end),
        "priority": show.priority,
    }


def _all_dates(dates: Iterable[Dates]) -> list[str]:
    return [_dates(each) for each in dates]


def _dates(dates: Dates) -> str:
    return str(dates.first) if dates.first == dates.last else f"{dates.first}..{dates.last}"


def _when(when: When | None) -> str:
    if when is None:
        return "-"
    if not isinstance(when, BySun):
        return f"{when:%H:%M}"
    minutes = round(when.offset.total_seconds() / 60)
    sign = "-" if minutes < 0 else "+"
    return when.event + (f"{sign}{abs(minutes) // 60:02}:{abs(minutes) % 60:02}" if minutes else "")
