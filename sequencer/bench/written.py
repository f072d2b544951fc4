"""The datasheet that a measurement comes to: windows with margins, and where each figure comes from.

The rule of the margins. A window ends with the last length that is certain, that is, at the credible bound of the
edge moved by twice the lamp's own spread, and that less the lamp's clock tolerance; it begins with the first that is
certain, and the clock tolerance more. For the lamp that was measured may have had a slow clock and its neighbour of
the same type a fast one: what this one found at 3.0 s another may find at 2.9. (Planning then takes the tolerance off
once more, for the clock of the lamp that hangs there.) Figures are rounded to three digits, away from the edge.
"""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, NamedTuple

from sequencer.bench.held_up import Fitted, Point, fit
from sequencer.datasheet import Datasheet
from sequencer.errors import InputError
from sequencer.supply.rectifier import RECTIFIER_V, hold_up_s
from sequencer.supply.ride_through import least_watts

if TYPE_CHECKING:
    from sequencer.bench.measurement import Findings, Measurement
    from sequencer.datasheet import LampScene

UNMEASURED = "not measured: the rough datasheet's"


class Line(NamedTuple):
    """One window of the datasheet, with the comment behind it."""

    window: tuple[float, float]
    comment: str


class Windows(NamedTuple):
    """``[off]`` and ``[on]``, by key, in the file's order."""

    off: dict[str, Line]
    on: dict[str, Line]


def begins(seconds: float, tolerance: float) -> float:
    """The start of a window from the first certain length.

    >>> begins(0.07381, 0.03)
    0.0761
    """
    return _to_three_digits(seconds * (1 + tolerance), math.ceil)


def ends(seconds: float, tolerance: float) -> float:
    """The end of a window from the last certain length.

    >>> ends(1.7254, 0.03)
    1.67
    """
    return _to_three_digits(seconds * (1 - tolerance), math.floor)


def windows(findings: Findings, rough: Datasheet, *, dc: bool = False) -> Windows:
    """All windows: as measured with margins, and the rough datasheet's own where nothing could be measured.

    On ``dc`` a capacitor is charged to less than AC of the same RMS volts charges it to, and ride-through is shorter:
    where the capacitor could be fitted, the pulse begins no sooner than at the highest volts on AC.

    InputError when a window without which nothing can be sent has nothing left of it.
    """
    edges = _Edges(findings, rough)
    off, on = rough.off, rough.on
    last, first = edges.ends, edges.begins
    lines: dict[str, Line] = {}
    lines["ignored"] = Line(
        (0.0, last(("ride-through",), off.ignored[1])), edges.words("ends", "ride-through")
    )
    through = ("ride-through", "dim ride-through")
    held_s = _held_on_ac(findings, rough) if dc else 0.0
    start = max(first(through, off.pulse[0]), begins(held_s, rough.lamp.clock_tolerance))
    pulse = (start, last(("pulse's end",), off.pulse[1]))
    lines["pulse"] = Line(pulse, edges.words("begins", *through) + "; " + edges.words("ends", "pulse's end"))
    before = pulse[1]
    beyond: tuple[str, ...] = ("pulse's end",)
    if off.reset is not None:
        start = first(("pulse's end",), off.reset[0])
        end = last(("reset's end",), max(start, off.reset[1]))
        words = edges.words("begins", "pulse's end") + "; " + edges.words("ends", "reset's end")
        if start <= end:
            lines["reset"] = Line((start, end), words)
            before = end
        beyond = ("reset's end",)
    dark = first(beyond, off.power_down[0])
    lines["power_down"] = Line((max(dark, before), math.inf), edges.words("begins", *beyond))

    on_lines: dict[str, Line] = {}
    start = first(("gap",), on.same_train[0])
    if rough.lamp.selects_by == "count":
        assert on.settled is not None
        train = (start, last(("settling",), on.same_train[1]))
        settled = Line((first(("settling",), on.settled[0]), math.inf), edges.words("begins", "settling"))
        words = edges.words("begins", "gap") + "; " + edges.words("ends", "settling")
        on_lines["same_train"], on_lines["settled"] = Line(train, words), settled
    else:
        train = (start, max(start, on.same_train[1]))
        on_lines["same_train"] = Line(train, edges.words("begins", "gap"))
        if on.settled is not None:
            on_lines["settled"] = Line(on.settled, UNMEASURED)
    warm = Line((first(("warm-up",), rough.warm_up[0]), math.inf), edges.words("begins", "warm-up"))
    on_lines["warm_up"] = warm
    on_lines["noticed"] = _noticed(findings, edges, rough, train[0])
    closed = [
        f"{rough.lamp.name}: nothing is left of {name}: it would begin at {window[0]:g} s and end at {window[1]:g} s"
        for name, window in (("[off] pulse", pulse), ("[on] same_train", train))
        if window[0] > window[1]
    ]
    if closed:
        raise InputError([f"{line}: measure again with a finer --precision" for line in closed])
    return Windows(lines, on_lines)


def _noticed(findings: Findings, edges: _Edges, rough: Datasheet, train_s: float) -> Line:
    """As measured, but never later than a measured same_train: a pulse counts only after supply that is noticed."""
    outcomes = {one.name: one.outcome for one in findings.measured}
    measured = outcomes.get("gap") in ("found", "below")
    default_s = train_s if measured else max(train_s, rough.noticed[0])
    if outcomes.get("noticed") in ("found", "below"):
        start = edges.begins(("noticed",), default_s)
        if start < default_s:
            return Line((start, math.inf), edges.words("begins", "noticed"))
    words = "as same_train, which wants no less" if default_s == train_s else UNMEASURED
    return Line((default_s, math.inf), f"begins: {words}")


class _Edges:
    """What was found of each edge, several measurements of one (volts, scenes) taken together."""

    def __init__(self, findings: Findings, rough: Datasheet) -> None:
        self._tolerance = rough.lamp.clock_tolerance
        self._found: dict[str, list[Measurement]] = {}
        for one in findings.measured:
            if one.certain_s is not None:
                self._found.setdefault(one.name, []).append(one)

    def _of(self, names: Sequence[str]) -> list[Measurement]:
        return [one for name in names for one in self._found.get(name, [])]

    def ends(self, names: Sequence[str], rough: float) -> float:
        certain = [one.certain_s[0] for one in self._of(names) if one.certain_s]
        return ends(min(certain), self._tolerance) if certain else rough

    def begins(self, names: Sequence[str], rough: float) -> float:
        """From the greatest; where even the longest that was tried was short: twice that, or the rough figure."""
        found = self._of(names)
        certain = [one.certain_s[1] for one in found if one.certain_s and one.certain_s[1] < math.inf]
        tried = [2 * one.certain_s[0] for one in found if one.certain_s and one.certain_s[1] == math.inf]
        start = begins(max(certain), self._tolerance) if certain else rough
        return max([start, *(begins(s, self._tolerance) for s in tried)])

    def words(self, verb: str, *names: str) -> str:
        found = self._of(names)
        if not found:
            return f"{verb}: {UNMEASURED}"
        chosen = (min if verb == "ends" else max)(found, key=lambda m: m.certain_s or (0.0, 0.0))
        if chosen.estimate_s is None or chosen.interval_s is None:
            tried = (
                min(chosen.certain_s or (0.0,))
                if chosen.outcome == "above"
                else (chosen.certain_s or (0, 0))[1]
            )
            return f"{verb}: no edge found {'up' if chosen.outcome == 'above' else 'down'} to {tried:.3g} s"
        low, high = chosen.interval_s
        at = "" if chosen.volts is None else f" at {chosen.volts:g} V"
        return f"{verb}: edge at {chosen.estimate_s:.4g} s ({low:.4g}-{high:.4g}){at}"


def points(findings: Findings) -> tuple[Point, ...]:
    """Ride-through against volts, for the fit; the standard deviation from the 95 % interval."""
    return tuple(
        Point(one.volts, one.watts, one.estimate_s, (one.interval_s[1] - one.interval_s[0]) / 3.92)
        for one in findings.measured
        if one.name in ("ride-through", "dim ride-through") and one.outcome == "found"
        if one.volts and one.watts and one.estimate_s and one.interval_s
    )


def held_up(findings: Findings, *, dc: bool = False) -> Fitted | str:
    """The capacitor and dropout that these measurements come to, or why there are none."""
    return fit(points(findings), crest=1.0 if dc else math.sqrt(2))


def _held_on_ac(findings: Findings, rough: Datasheet) -> float:
    """The longest ride-through (s) on AC by the fitted capacitor, its errors added; 0 where there is none."""
    fitted, electrical = held_up(findings, dc=True), rough.electrical
    if isinstance(fitted, str) or electrical is None:
        return 0.0
    peak = math.sqrt(2) * electrical.volts[1] - RECTIFIER_V
    farads = fitted.capacitance_f + 2 * fitted.capacitance_error_f
    return hold_up_s(
        farads, peak, max(0.0, fitted.dropout_v - 2 * fitted.dropout_error_v), least_watts(rough)
    )


def datasheet_toml(findings: Findings, rough: Datasheet, when: str, *, dc: bool = False) -> str:
    """The datasheet as TOML, sound by construction: it is read back before it is returned.

    ``when`` is told in its head. InputError as for :func:`windows`.
    """
    text = "\n".join(_lines(findings, rough, when, dc)) + "\n"
    Datasheet.model_validate(tomllib.loads(text))
    return text


def _lines(findings: Findings, rough: Datasheet, when: str, dc: bool) -> Iterator[str]:
    lamp = rough.lamp
    yield f"# Measured on the bench, {when}: {findings.presentations} presentations, ONE lamp of this type."
    yield "# Each figure: the edge (its 95 % interval) as measured at the contact; the window keeps off it by the"
    yield "# credible bound, twice the lamp's own spread, and its clock tolerance. Another lamp of the type may have"
    yield "# its edges elsewhere: measure two or three, and write the narrowest windows."
    yield "# CAUTION: mains and water kill. Licensed work only on the mains side; your local code decides."
    yield ""
    yield "[lamp]"
    yield f"name = {_text(lamp.name)}"
    yield f'selects_by = "{lamp.selects_by}"'
    yield f'after_power_down = "{lamp.after_power_down}"'
    yield f'overflow = "{lamp.overflow}"'
    yield f"clock_tolerance = {_number(lamp.clock_tolerance)}  # {UNMEASURED}"
    for title, table in zip(("off", "on"), windows(findings, rough, dc=dc), strict=True):
        yield ""
        yield f"[{title}]"
        for key, line in table.items():
            yield f"{key} = [{_number(line.window[0])}, {_number(line.window[1])}]  # {line.comment}"
    if (electrical := rough.electrical) is not None:
        yield ""
        yield f"[electrical]  # {UNMEASURED}"
        yield f"watts = {_number(electrical.watts)}"
        yield f"power_factor = {_number(electrical.power_factor)}"
        yield f"volts = [{', '.join(map(_number, electrical.volts))}]"
    yield from _hold_up(findings, rough, dc)
    for scene in rough.scenes:
        yield ""
        yield from _scene(scene)


def _hold_up(findings: Findings, rough: Datasheet, dc: bool) -> Iterator[str]:
    fitted = held_up(findings, dc=dc)
    limit = math.inf if rough.electrical is None else rough.electrical.volts[0] * math.sqrt(2)
    if isinstance(fitted, Fitted) and fitted.dropout_v < limit:
        yield ""
        yield f"[hold_up]  # a line through {fitted.points} ride-throughs, chi2 {fitted.chi2:.1f}"
        yield f"capacitance_f = {_digits(fitted.capacitance_f)}  # +- {fitted.capacitance_error_f:.2g}"
        yield f"dropout_v = {_digits(fitted.dropout_v)}  # +- {fitted.dropout_error_v:.2g}"
    elif rough.hold_up is not None:
        yield ""
        yield f"[hold_up]  # {UNMEASURED}"
        yield f"capacitance_f = {_number(rough.hold_up.capacitance_f)}"
        yield f"dropout_v = {_number(rough.hold_up.dropout_v)}"


def _scene(scene: LampScene) -> Iterator[str]:
    yield "[[scene]]"
    yield f"code = {scene.code}"
    yield f"name = {_text(scene.name)}"
    if scene.colour is not None:
        yield f'colour = "{scene.colour}"'
    if scene.period_s is not None:
        yield f"period_s = {_number(scene.period_s)}"
    if scene.colours is not None:
        yield f"colours = [{', '.join(_text(c) for c in scene.colours)}]"
    if scene.watts is not None:
        yield f"watts = {_number(scene.watts)}"


def _text(value: str) -> str:
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _number(value: float) -> str:
    """As TOML writes it: ``repr`` but for inf.

    >>> _number(float("inf")), _number(0.02), _number(7e-3)
    ('inf', '0.02', '0.007')
    """
    return "inf" if math.isinf(value) else repr(float(value))


def _digits(value: float) -> str:
    return _number(float(f"{value:.4g}"))


def _to_three_digits(seconds: float, towards: Callable[[float], int]) -> float:
    if seconds <= 0:
        return 0.0
    place = 2 - math.floor(math.log10(seconds))
    scale = 10.0**place
    return round(towards(round(seconds * scale, 6)) / scale, max(place, 0))
