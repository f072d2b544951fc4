"""``lampstep judge``: a logic analyser's capture of the real contact against a plan's proof."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any, NamedTuple, get_args

from sequencer.bench.capture import pick, read_capture
from sequencer.bench.contact import ContactJudgement, judge_contact
from sequencer.cli.answer import NO, YES, Answer
from sequencer.cli.arguments import Arguments
from sequencer.datasheet import Datasheet
from sequencer.errors import InputError
from sequencer.layout import table
from sequencer.planner.request import LampRequest, PlanRequest, Start
from sequencer.tomlfile import printable
from sequencer.train import Pulse

MAX_PLAN = 16 * 1024 * 1024
MAX_PULSES = 10_000


class Planned(NamedTuple):
    """What is taken from a plan: its pulses, its least slack, what it was for, and which lamps it is proved for.

    ``request`` is None where the plan does not say how its lamps behave.
    """

    pulses: tuple[Pulse, ...]
    slack_s: float
    circuit: str
    scene: str
    lead_in_s: float = 0.0
    request: PlanRequest | None = None


def run(arguments: Arguments) -> Answer:
    """Judge; the answer is no when the capture is spoiled."""
    plan = read_plan(Path(arguments.plan))
    waves = read_capture(Path(arguments.capture))
    shown = printable(arguments.capture)
    command = None
    if arguments.command_signal is not None:
        command = pick(waves, arguments.command_signal, shown, "--command")
        waves = {name: wave for name, wave in waves.items() if wave is not command}
    wave = pick(waves, arguments.signal, shown, "--signal")
    found = judge_contact(wave, plan.pulses, plan.slack_s, command, plan.request, plan.lead_in_s)
    return Answer(
        NO if found.spoiled else YES, _fields(wave.name, plan, found), _text(wave.name, plan, found)
    )


def read_plan(path: Path) -> Planned:
    """What ``lampstep plan --json`` or ``play --json`` printed.

    :raises InputError: it cannot be read, or holds no train.
    """
    shown = printable(str(path))
    try:
        with path.open("rb") as file:
            raw = file.read(MAX_PLAN + 1)
        if len(raw) > MAX_PLAN:
            raise InputError(f"{shown}: too long to be a plan")
        given = json.loads(raw)
    except (OSError, ValueError, RecursionError) as error:
        raise InputError(
            f"{shown}: cannot be read as JSON: {getattr(error, 'strerror', None) or error}"
        ) from None
    try:
        if given["pulses"] is None:
            raise InputError(f"{shown}: it is a refusal, not a train: {printable(str(given['reason']))}")
        pulses = tuple(Pulse(_seconds(p["off_s"]), _seconds(p["on_s"])) for p in given["pulses"])
        slacks = [lamp["slack_s"] for lamp in given["lamps"]]
        names = (printable(str(given["circuit"])), printable(str(given["scene"])))
        slack_s = min((_seconds(slack) for slack in slacks if slack is not None), default=0.0)
        lead_in_s = _seconds(given.get("lead_in_s", 0.0))
        request = _request(given["basis"]) if given.get("basis") is not None else None
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        words = f"it is not what lampstep plan --json prints ({type(error).__name__}: {error})"
        raise InputError(f"{shown}: {words}") from None
    if not 0 < len(pulses) <= MAX_PULSES:
        raise InputError(f"{shown}: its train has {len(pulses)} breaks: nothing to judge")
    return Planned(pulses, slack_s, *names, lead_in_s, request)


def _request(basis: Any) -> PlanRequest:
    """The lamps as the plan has them. ValueError and its like where it does not make sense."""
    if basis["start"] not in get_args(Start) or not basis["lamps"]:
        raise ValueError(f"no start {basis['start']!r}, or no lamps")
    lamps = []
    for each in basis["lamps"]:
        tables: dict[str, Any] = {key: _endless(each["sheet"][key]) for key in ("lamp", "off", "on")}
        sheet = Datasheet.model_validate({**tables, "scene": each["sheet"]["scene"]})
        for code in (each["wanted"], each["known"]):
            if code is not None and sheet.scene_by_code(code) is None:
                raise ValueError(f"no scene has code {code!r}")
        if each["wanted"] is None:
            raise ValueError("no scene is wanted")
        name, stem = (printable(str(each[key])) for key in ("lamp", "datasheet"))
        lamps.append(LampRequest(name, stem, sheet, each["wanted"], each["known"]))
    return PlanRequest(tuple(lamps), start=basis["start"])


def _endless(table: dict[str, Any]) -> dict[str, Any]:
    """A table of windows with ``inf`` where JSON has null."""
    return {
        key: tuple(math.inf if bound is None else bound for bound in value)
        if isinstance(value, list)
        else value
        for key, value in table.items()
    }


def _seconds(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 <= value < math.inf:
        raise ValueError(f"{value!r} is no length")
    return float(value)


def _fields(signal: str, plan: Planned, found: ContactJudgement) -> dict[str, object]:
    zero = found.edges[0].at_s if found.edges else 0.0
    return {
        "circuit": plan.circuit,
        "scene": plan.scene,
        "signal": signal,
        "closed_is": int(found.closed_is),
        "spoiled": found.spoiled,
        "reasons": list(found.reasons),
        "slack_s": plan.slack_s,
        "edges": [
            {
                "edge": number,
                "closed": edge.level == found.closed_is,
                "at_s": edge.at_s - zero,
                "bounce_s": edge.bounce_s,
                "bounces": edge.bounces,
            }
            for number, edge in enumerate(found.edges, start=1)
        ],
        "first_edge_s": found.edges[0].at_s if found.edges else None,
        "lengths": [
            {
                "break": each.break_no,
                "part": each.part,
                "planned_s": each.planned_s,
                "measured_s": each.measured_s,
                "off_by_s": each.off_by_s,
            }
            for each in found.lengths
        ],
        "glitches": [glitch._asdict() for glitch in found.glitches],
        "spikes": found.spikes,
        "worst_bounce_s": max((edge.bounce_s for edge in found.edges), default=None),
        "breaks_longer_s": found.longer_s,
        "make_s": None if found.make_s is None else list(found.make_s),
        "break_s": None if found.break_s is None else list(found.break_s),
        "lamps": [
            {
                "lamp": lamp.lamp,
                "datasheet": lamp.stem,
                "wanted": lamp.wanted,
                "ends_on": lamp.may_show[0] if lamp.certain else None,
                "certain": lamp.certain,
                "may_show": list(lamp.may_show),
            }
            for lamp in found.lamps
        ],
        "chopped_hz": None if found.chopping is None else 1 / found.chopping.period_s,
        "blind_s": None if found.chopping is None else found.chopping.blind_s,
    }


def _text(signal: str, plan: Planned, found: ContactJudgement) -> str:
    head = f"{printable(signal)} against {plan.circuit} to {plan.scene}"
    if found.spoiled:
        lines = [f"{head}: SPOILED.", *(f"  {reason}" for reason in found.reasons)]
    else:
        lines = [f"{head}: every length is within the plan's slack of {plan.slack_s * 1000:.1f} ms."]
    if found.lamps:
        sure = sum(lamp.certain for lamp in found.lamps)
        whole = "by all that the contact did in this capture"
        lines.append(f"{sure} of {len(found.lamps)} lamps certainly end on their scene, {whole}.")
    if found.chopping is not None:
        period_s, blind_s = found.chopping
        lines.append(
            f"The contact was probed on AC: {1 / period_s:.0f} pulses a second were joined. Each edge is known to"
            f" {blind_s * 1000:.1f} ms, and a shorter break is not seen."
        )
    rows = [("break", "part", "planned", "measured", "off by")]
    for each in found.lengths:
        measured = "not there" if each.measured_s is None else f"{each.measured_s:.4f} s"
        by = "" if each.off_by_s is None or not each.whole else f"{each.off_by_s * 1000:+.1f} ms"
        rows.append((str(each.break_no), each.part, f"{each.planned_s:.4f} s", measured, by))
    lines += ["", *table(rows, "rlrrr"), ""]
    if found.edges:
        worst = max(found.edges, key=lambda edge: edge.bounce_s)
        most = max(edge.bounces for edge in found.edges)
        lines.append(f"Bounce: {worst.bounce_s * 1000:.2f} ms at most, {most} times back at most.")
    if found.spikes:
        lines.append(
            f"{found.spikes} spikes under 1 ms were left out: no contact moves so fast; see to the probe."
        )
    lines += _delay_lines(found)
    return "\n".join(lines)


def _delay_lines(found: ContactJudgement) -> list[str]:
    """What to write into the relay's table."""
    if found.make_s is None or found.break_s is None:
        by = found.longer_s
        if by is None:
            return []
        way = "longer" if by > 0 else "shorter"
        words = f"Breaks are {abs(by) * 1000:.1f} ms {way} than planned, on the mean"
        words += ": by so much the relay's make_s less its break_s is off." if round(abs(by), 4) else "."
        return [words, "Capture the command too, and name it with --command, to have both."]
    lines = ["From command to contact, over these edges; the relay's table should hold at least this:"]
    for name, (least, greatest) in (("make_s", found.make_s), ("break_s", found.break_s)):
        lines.append(
            f"  {name} = [{math.floor(least * 1e4) / 1e4:.4f}, {math.ceil(greatest * 1e4) / 1e4:.4f}]"
        )
    return lines
