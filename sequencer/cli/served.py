"""What the commands share that speak with a running daemon."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from sequencer.cli.answer import NO, YES, Answer
from sequencer.daemon.wire import ask_daemon
from sequencer.errors import InputError
from sequencer.journal.folder import socket_path
from sequencer.layout import table
from sequencer.sitefile import Circuit, Pad
from sequencer.tomlfile import did_you_mean, quoted

Said = Mapping[str, Any]


def asked(pad: Pad, request: Said) -> dict[str, Any] | None:
    """The daemon's answer; None when no daemon serves the site.

    :raises InputError: it says what is wrong with the question.
    :raises HardwareError: it is there but does not answer.
    """
    answer = ask_daemon(socket_path(pad.site.name), request)
    if answer is not None and "errors" in answer:
        raise InputError([str(error) for error in answer["errors"]])
    return answer


def answered(pad: Pad, request: Said) -> Answer:
    """What the pad shows after a request; raises InputError as well when no daemon serves the site."""
    said = asked(pad, request)
    if said is None:
        raise InputError(f"no daemon serves {pad.site.name}: start one with lampstep serve {pad.path}")
    return shown(pad, said, request.get("circuit"))


def shown(pad: Pad, said: Said, circuit: str | None = None) -> Answer:
    """A status as an answer: yes if every circuit of it is matched, or dark or in plain light as it should be."""
    circuits = [each for each in said["circuits"] if circuit in (None, each["circuit"])]
    _same_lamps(pad, said)
    fields = {**said, "circuits": [_named(pad, each) for each in circuits]}
    well = all(each["matched"] or _as_it_should_be(each) for each in circuits)
    lines = [f"{pad.site.name}: served by process {said['pid']}", *filter(None, [said["journal"]])]
    for each in fields["circuits"]:
        lines += [
            "",
            f"{each['circuit']}: {each['headline']}",
            *(f"  {reason}" for reason in each["reasons"]),
        ]
        lines += _lamp_lines(each["lamps"])
    return Answer(YES if well else NO, fields, "\n".join(lines))


def _as_it_should_be(circuit: Said) -> bool:
    """Whether it is dark or in plain light, as is wanted; only a contact that is confirmed says so."""
    if circuit["rank"] == "off" or circuit["phase"] == "dark":
        return bool(circuit["contact"] == "open")
    return bool(circuit["rank"] == "steady" and circuit["contact"] == "closed")


def only_circuit(pad: Pad, name: str | None, command: str) -> Circuit:
    """The circuit of that name, or the only one; InputError where there are several and none is named."""
    if name is None and len(pad.circuits) > 1:
        names = " or ".join(circuit.name for circuit in pad.circuits)
        raise InputError(f"lampstep {command}: say which circuit: --circuit {names}")
    return pad.circuit(name or pad.circuits[0].name)


def circuit_with(pad: Pad, lamp: str, circuit: str | None) -> Circuit:
    """The circuit on which a lamp of that name hangs.

    :raises InputError: none does, or several do and ``circuit`` is not given.
    """
    circuits = [pad.circuit(circuit)] if circuit is not None else list(pad.circuits)
    found = [each for each in circuits if lamp in {hung.name for hung in each.lamps}]
    if len(found) == 1:
        return found[0]
    if found:
        names = ", ".join(quoted(each.name) for each in found)
        raise InputError(f"lamp {quoted(lamp)} hangs on {names}: say which with --circuit")
    known = [hung.name for each in circuits for hung in each.lamps]
    hint = did_you_mean(lamp, known)
    raise InputError(f"{pad.path.name}: no lamp {quoted(lamp)}" + (f": {hint}" if hint else ""))


def _same_lamps(pad: Pad, said: Said) -> None:
    here = {(each.name, lamp.name) for each in pad.circuits for lamp in each.lamps}
    there = {(each["circuit"], lamp["lamp"]) for each in said["circuits"] for lamp in each["lamps"]}
    if here != there:
        words = "has other lamps than the daemon serves: it was changed since the daemon started"
        raise InputError(f"{pad.path}: {words}: restart the daemon")


def _named(pad: Pad, circuit: Said) -> dict[str, Any]:
    """A circuit's status with the names of its lamps' scenes beside their codes."""
    sheets = {lamp.name: pad.datasheets[lamp.stem] for lamp in pad.circuit(circuit["circuit"]).lamps}
    lamps = []
    for lamp in circuit["lamps"]:
        code = lamp["code"]
        scene = sheets[lamp["lamp"]].scene_by_code(code) if code is not None else None
        lamps.append({**lamp, "scene": None if scene is None else scene.name})
    return {**circuit, "lamps": lamps}


def _lamp_lines(lamps: Iterable[Said]) -> list[str]:
    why = {"train": "by the last train's proof", "person": "a person saw it", "": ""}
    rows = [("lamp", "rests on", "")]
    for lamp in lamps:
        scene = "not known" if lamp["scene"] is None else f"{lamp['scene']} ({lamp['code']})"
        rows.append((lamp["lamp"], scene, why[lamp["by"]]))
    return table(rows, "lll", indent=4)
