"""What is asked of the planner, and what it answers: plain values."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Literal, NamedTuple

from sequencer.errors import InputError
from sequencer.tomlfile import did_you_mean, quoted
from sequencer.train import Delays, Train

if TYPE_CHECKING:
    from sequencer.datasheet import Datasheet
    from sequencer.sitefile import Pad
    from sequencer.supply.received import Received

INSIDE_S = 1e-9
"""What every length keeps from a boundary even without margin and spread: on it, it has the effects of both sides."""
Start = Literal["rest", "dark", "cut"]


class LampRequest(NamedTuple):
    """One lamp: which type it is, the code of the scene it is to end on, and that it rests on, if known.

    ``gets``: its volts, where the site says what feeds it; ``datasheet`` is then as it is certain at these.
    """

    lamp: str
    stem: str
    datasheet: Datasheet
    wanted: int
    known: int | None = None
    gets: Received | None = None


class PlanRequest(NamedTuple):
    """All lamps behind one contact, how that contact switches, and how the lamps are found.

    ``start``: at "rest" (lit and settled), in the "dark" (no supply for a certain power-down), or after a
    "cut" in the middle of anything. What is ``known`` of a lamp is what it rested on before the dark.
    ``short``: lamps whose volts may not do, a line each; then there is no train.
    """

    lamps: tuple[LampRequest, ...]
    delays: Delays = Delays()
    margin_s: float = 0.03
    max_flashes_per_s: float = 3.0
    max_dark_s: float = 20.0
    start: Start = "rest"
    short: tuple[str, ...] = ()

    @property
    def pad_s(self) -> float:
        """How far every length stays from a boundary: margin and relay spread."""
        return max(self.margin_s + self.delays.spread_s, INSIDE_S)


class Tightest(NamedTuple):
    """Where a lamp has least slack: break (from 1), its part, the window and that window's own limit."""

    break_no: int
    part: Literal["off", "on"]
    window: str
    limit_s: float


class LampProof(NamedTuple):
    """What one lamp certainly ends on, and its least slack (s); None when nothing need be sent."""

    lamp: str
    stem: str
    ends_on: str
    code: int
    slack_s: float | None
    tightest: Tightest | None


class Plan(NamedTuple):
    """A train that holds for every lamp. ``proved``: that no shorter one does, too."""

    train: Train
    proved: bool
    lamps: tuple[LampProof, ...]

    @property
    def tolerance_s(self) -> tuple[float, ...]:
        """How far each edge may be commanded from its due time whatever the others do; none without a limit.

        A length has an edge at either end, so each has half of the least slack.
        """
        slacks = [proof.slack_s for proof in self.lamps if proof.slack_s is not None]
        return (min(slacks) / 2,) * (2 * self.train.relay_cycles) if slacks else ()


class Refusal(NamedTuple):
    """No train. ``proved`` is False when the search stopped at its budget and one may yet exist.

    ``nearest``: by type, the scenes that can be reached and look most like those asked for, or None.
    """

    reason: str
    nearest: Mapping[str, str] | None
    proved: bool


def request_for(
    pad: Pad, circuit: str, scene: str, known: Mapping[str, str] | None = None, start: Start = "rest"
) -> PlanRequest:
    """The request for a scene of the site on one of its circuits; ``known`` is lamp name to lamp scene.

    Raises InputError for a circuit, scene, lamp or lamp scene that is not there.
    """
    wanted = pad.wanted(circuit, scene)
    hung = pad.circuit(circuit)
    known = dict(known or {})
    problems: list[str] = []
    names = [lamp.name for lamp in hung.lamps]
    problems += [
        f"{circuit}: no lamp {quoted(name)}: {did_you_mean(name, names)}"
        for name in known
        if name not in names
    ]
    gets, short = _volts(pad, circuit)
    lamps = []
    for lamp in hung.lamps:
        sheet = gets[lamp.name].sheet if lamp.name in gets else pad.datasheets[lamp.stem]
        rests_on = None
        if lamp.name in known:
            found = sheet.scene_by_name(known[lamp.name])
            if found is None:
                hint = did_you_mean(known[lamp.name], [s.name for s in sheet.scenes])
                asked = quoted(known[lamp.name])
                problems.append(
                    f"{circuit}: lamp {quoted(lamp.name)}: {lamp.stem} has no scene {asked}: {hint}"
                )
            else:
                rests_on = found.code
        code, volts = wanted[lamp.name].code, gets.get(lamp.name)
        lamps.append(LampRequest(lamp.name, lamp.stem, sheet, code, rests_on, volts))
    if problems:
        raise InputError(problems)
    timing = pad.timing
    return PlanRequest(
        tuple(lamps),
        hung.relay.delays,
        timing.margin_s,
        timing.max_flashes_per_s,
        timing.max_dark_s,
        start,
        short,
    )


def _volts(pad: Pad, circuit: str) -> tuple[dict[str, Received], tuple[str, ...]]:
    """What each lamp gets, and the lines of those that fall short; nothing where the site has no supply."""
    if circuit not in pad.supply:
        return {}, ()
    from sequencer.supply.received import received  # noqa: PLC0415 - many sites have no supply

    gets, short = received(pad, circuit)
    return gets, tuple(short)
