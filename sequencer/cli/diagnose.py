"""``lampstep diagnose``: what explains what the lamps show after a train, and what to do next."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path

from sequencer.cli.answer import NO, YES, Answer
from sequencer.cli.arguments import Arguments
from sequencer.cli.asked import circuit_named, named
from sequencer.datasheet import Datasheet, load_datasheet
from sequencer.diagnosis.acts import Next, next_act
from sequencer.diagnosis.causes import Case, Cause, Look
from sequencer.diagnosis.explain import Diagnosis, Explanation, Group, diagnose
from sequencer.diagnosis.words import (
    CAUTION,
    act_words,
    cause_words,
    explanation_lines,
    is_supply,
    next_lines,
    steps,
)
from sequencer.errors import InputError
from sequencer.planner import Plan, Start, plan, request_for
from sequencer.sitefile import Pad, load_site
from sequencer.supply.feed import feed_of
from sequencer.tomlfile import did_you_mean, printable, quoted
from sequencer.train import Train

DARK = "dark"
"""What is typed for a lamp that gives no light."""
SHOWN = 5
LEAST = 0.01
_Following = tuple[Next | None, Next | None]
STARTED = {"rest": "from rest", "dark": "from dark", "cut": "after a cut"}
OFFERED = 3
"""So many scenes of the site, besides the one that was sent, are thought through as what to send next."""


def run(arguments: Arguments) -> Answer:
    """Weigh the causes; the answer is no where nothing explains what was seen better than chance."""
    pad = load_site(arguments.site)
    circuit, case, start = _case(pad, arguments)
    found = diagnose(case)
    if all_as_sent(case):
        return Answer(YES, _fields(circuit, found, (None, None)), _as_sent_text(pad, circuit, case))
    offers = _offers(pad, circuit, case, arguments.looks)
    following = _next(found, offers)
    text = _text(pad, circuit, found, following, start)
    fields = _fields(circuit, found, following)
    return Answer(YES if found.explained else NO, fields, text)


# -- what was asked -----------------------------------------------------------------------------------


def _case(pad: Pad, arguments: Arguments) -> tuple[str, Case, Start]:
    """The case, every name in it checked; raises InputError with one line a problem."""
    problems: list[str] = []
    circuit = circuit_named(pad, arguments.circuit, problems)
    if not arguments.looks:
        problems.append("--sent is missing: which scene of the site was sent?")
    for _, scene, _ in arguments.looks:
        named("--sent", scene, [each.name for each in pad.scenes], pad.scene, problems)
    if problems:
        raise InputError(problems)
    lamps = {lamp.name: lamp.stem for lamp in pad.circuit(circuit).lamps}
    sheets = {**_folder(arguments.folder), **pad.datasheets}
    for place, scene, saw in arguments.looks:
        if not saw:
            problems.append(
                f"--sent {scene}: --saw is missing: what did the lamps show? (LAMP=SCENE, LAMP={DARK})"
            )
        problems += _seen_faults(circuit, lamps, sheets, saw)
        problems += _twice(f"--saw (look {place})", saw)
    problems += _lamp_faults(circuit, lamps, [lamp for lamp, _ in arguments.volts])
    if problems:
        raise InputError(problems)
    return circuit, _seen(pad, circuit, lamps, sheets, arguments), arguments.start


def _seen(
    pad: Pad, circuit: str, lamps: Mapping[str, str], sheets: Mapping[str, Datasheet], arguments: Arguments
) -> Case:
    looks: list[Look] = []
    known: dict[str, str | None] = dict(arguments.known)
    for place, scene, saw in arguments.looks:
        first = place == 1
        start: Start = arguments.start if first else "rest"
        train = _train(pad, circuit, scene, dict(arguments.known) if first else {}, start)
        seen = {lamp: None if shown == DARK else shown for lamp, shown in saw}
        sent = {lamp: each.name for lamp, each in pad.wanted(circuit, scene).items()}
        looks.append(Look(train, sent, seen, dict(known), dark_before=start == "dark"))
        known.update(seen)
    measured = dict(arguments.volts)
    return Case(lamps, sheets, tuple(looks), measured, feed_of(pad, circuit))


def _train(pad: Pad, circuit: str, scene: str, known: Mapping[str, str], start: Start) -> Train:
    """The train as the plan has it; where the volts would forbid one, as it would be if they did."""
    request = request_for(pad, circuit, scene, known, start)
    if request.short:
        request = request_for(replace(pad, supply={}), circuit, scene, known, start)
    found = plan(request)
    if isinstance(found, Plan):
        return found.train
    raise InputError(f"{circuit}: no train brings it to {quoted(scene)}, so none was sent: {found.reason}")


def _folder(folder: str | None) -> dict[str, Datasheet]:
    """Datasheets that a lamp may be of, besides the site's."""
    if folder is None:
        return {}
    paths = sorted(Path(folder).glob("*.toml"))
    if not paths:
        raise InputError(f"--lamps {printable(folder)}: no datasheets (.toml) there")
    return {path.stem: load_datasheet(path) for path in paths}


def _seen_faults(
    circuit: str, lamps: Mapping[str, str], sheets: Mapping[str, Datasheet], saw: tuple[tuple[str, str], ...]
) -> Iterator[str]:
    yield from _lamp_faults(circuit, lamps, [lamp for lamp, _ in saw])
    every = {scene.name for sheet in sheets.values() for scene in sheet.scenes}
    for lamp, shown in saw:
        if lamp in lamps and shown != DARK and shown not in every:
            own = [scene.name for scene in sheets[lamps[lamp]].scenes]
            hint = did_you_mean(shown, [*own, DARK])
            yield f"{circuit}: lamp {quoted(lamp)}: no datasheet has a scene {quoted(shown)}: {hint}"


def _lamp_faults(circuit: str, lamps: Mapping[str, str], names: list[str]) -> Iterator[str]:
    for name in names:
        if name not in lamps:
            yield f"{circuit}: no lamp {quoted(name)}: {did_you_mean(name, lamps)}"


def _twice(option: str, saw: tuple[tuple[str, str], ...]) -> Iterator[str]:
    names = [lamp for lamp, _ in saw]
    for name in dict.fromkeys(names):
        if names.count(name) > 1:
            yield f"{option}: lamp {quoted(name)} is given twice: give it once"


def all_as_sent(case: Case) -> bool:
    """Whether every lamp that was looked at showed what was sent, each time."""
    return all(shown == look.sent[lamp] for look in case.looks for lamp, shown in look.saw.items())


# -- what to do next ----------------------------------------------------------------------------------


def _offers(
    pad: Pad, circuit: str, case: Case, looks: tuple[tuple[int, str, tuple[tuple[str, str], ...]], ...]
) -> dict[str, Look]:
    """Trains that could be sent now, from what the lamps were last seen on: the last one again, and some others."""
    now: dict[str, str | None] = {}
    for look in case.looks:
        now.update(look.saw)
    last = looks[-1][1]
    others = [scene.name for scene in pad.scenes if scene.name != last]
    found: dict[str, Look] = {}
    for scene in [last, *others]:
        if len(found) > OFFERED:
            break
        try:
            train = _train(pad, circuit, scene, {}, "rest")
            sent = {lamp: each.name for lamp, each in pad.wanted(circuit, scene).items()}
        except InputError:
            continue  # a scene that cannot be had says nothing
        found[scene] = Look(train, sent, {}, now)
    return found


def _next(found: Diagnosis, offers: Mapping[str, Look]) -> _Following:
    """What tells the first two explanations apart, and the first two causes of one that are told as one."""
    if not found.explained:
        return None, None
    one, *others = found.explanations
    between = next_act(found, offers, one, others[0]) if others else None
    kinds: dict[str, Cause] = {}
    for cause in one.groups[0].causes:
        kinds.setdefault(cause.kind, cause)
    if len(kinds) < 2 or "nothing" in kinds:
        return between, None
    alone = [Explanation((Group((cause,)),), cause.odds) for cause in list(kinds.values())[:2]]
    return between, next_act(found, offers, *alone)


# -- how it is told -----------------------------------------------------------------------------------


def _text(pad: Pad, circuit: str, found: Diagnosis, following: _Following, start: Start) -> str:
    case = found.reader.case
    sent = case.looks[-1]
    pulses = len(sent.train.pulses)
    breaks = "1 break" if pulses == 1 else f"{pulses} breaks"
    lines = [
        f"{circuit}: likely causes of what you saw (last train: {breaks}, {STARTED[start]})",
        "",
    ]
    shown = [each for each in found.explanations[:SHOWN] if each.probability >= LEAST] or [found.first]
    for each in shown:
        lines += explanation_lines(each)
    if not found.explained:
        lines += ["", "No cause known here explains it better than chance."]
    lines += ["", "If the first is right: " + " ".join(steps(found))]
    for what, act in zip(("the first two", 'the causes joined by "or"'), following, strict=True):
        if act is not None:
            told = list(next_lines(act, case))
            lines += [f"To tell {what} apart: {told[0]}", *told[1:]]
    if is_supply(found.first) and circuit in pad.supply:
        lines += [
            "Next: see volts at every lamp, and which tap or cable would do: "
            + shlex.join(["lampstep", "supply", str(pad.path), "--circuit", circuit])
        ]
    return "\n".join([*lines, "", CAUTION])


def _as_sent_text(pad: Pad, circuit: str, case: Case) -> str:
    """That every lamp shows what was sent; and which volts are not right all the same."""
    unseen = [lamp for lamp in case.lamps if any(lamp not in look.saw for look in case.looks)]
    whose = "every lamp that you looked at shows" if unseen else "every lamp shows"
    lines = [f"{circuit}: all as sent: {whose} its scene."]
    if unseen:
        lines[0] += f" Not looked at: {', '.join(map(quoted, unseen))}."
    for lamp, volts in case.measured_v.items():
        electrical = case.sheets[case.lamps[lamp]].electrical
        if electrical is not None and not electrical.volts[0] <= volts <= electrical.volts[1]:
            wants = f"{electrical.volts[0]:g} to {electrical.volts[1]:g} V"
            words = f"got {volts:g} V, and wants {wants}: it may not follow the next train."
            lines.append(f"But lamp {quoted(lamp)} {words}")
    if len(lines) > 1 and circuit in pad.supply:
        look = shlex.join(["lampstep", "supply", str(pad.path), "--circuit", circuit])
        lines.append(f"Next: see which tap or cable would do: {look}")
    return "\n".join(lines)


def _fields(circuit: str, found: Diagnosis, following: _Following) -> dict[str, object]:
    case = found.reader.case
    as_sent = all_as_sent(case)
    return {
        "circuit": circuit,
        "as_sent": as_sent,
        "explained": found.explained,
        "looks": [
            {
                "sent": dict(look.sent),
                "saw": dict(look.saw),
                "pulses": [pulse._asdict() for pulse in look.train.pulses],
            }
            for look in case.looks
        ],
        "explanations": [
            _explanation_fields(each) for each in found.explanations if each.probability >= LEAST
        ],
        "next": _next_fields(following[0], case),
        "next_within": _next_fields(following[1], case),
        "steps": [] if as_sent else steps(found),
        "caution": CAUTION,
    }


def _explanation_fields(each: Explanation) -> dict[str, object]:
    groups = [_group_fields(group) for group in each.groups]
    return {"probability": each.probability, "groups": groups, "missed": dict(each.missed)}


def _group_fields(group: Group) -> list[dict[str, object]]:
    return [_cause_fields(cause) for cause in group.causes]


def _cause_fields(cause: Cause) -> dict[str, object]:
    told = {"kind": cause.kind, "where": cause.where, "other": cause.other, "how": cause.how}
    return {**told, "words": cause_words(cause)}


def _next_fields(following: Next | None, case: Case) -> dict[str, object] | None:
    if following is None:
        return None
    told: dict[str, object] = {**following.act._asdict(), "words": act_words(following.act, case)}
    return {**told, "bits": following.bits, "first": following.first, "second": following.second}
