"""``lampstep journal``: what happened at the pad, as the daemon wrote it down, and how worn the relays are."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from sequencer.cli.answer import NO, YES, Answer
from sequencer.cli.arguments import Arguments
from sequencer.cli.new_file import write_new
from sequencer.journal.days import Wear, day_of, wear
from sequencer.journal.entries import Entry, edges_log
from sequencer.journal.folder import journal_path
from sequencer.journal.reading import Read, read_journal
from sequencer.layout import table
from sequencer.sitefile import Circuit, Pad, load_site
from sequencer.tomlfile import quoted


def run(arguments: Arguments) -> Answer:
    """Read it, whether or not the daemon runs; nothing is written but the value change dump.

    :raises InputError: bad input, or a journal that cannot be read.
    """
    pad = load_site(arguments.site)
    circuits = pad.circuits if arguments.circuit is None else (pad.circuit(arguments.circuit),)
    path = journal_path(pad.site.name)
    read = read_journal(path, arguments.last, arguments.circuit)
    if read is None:
        fields = {"site": pad.site.name, "journal": None, "reason": f"no journal yet at {path}"}
        return Answer(NO, fields, _none_yet(path))
    zone = ZoneInfo(pad.site.timezone)
    worn = [_worn(circuit, read, zone) for circuit in circuits]
    status, dump = YES, ""
    if arguments.vcd is not None:
        if read.edges is None:
            status, dump = NO, "No train is in the journal yet, so no value change dump was written."
        else:
            _write_vcd(arguments.vcd, read.edges)
            dump = f"The edges of the train of {_local(read.edges, zone)} are in {arguments.vcd}."
    vcd = arguments.vcd if status == YES else None
    text = [*_head(pad, path, arguments), "", *_entries(read, zone), "", *_wear_lines(worn)]
    text += [f"{read.damaged} rows are damaged and left out."] if read.damaged else []
    return Answer(
        status, _fields(pad, path, read, worn, zone, vcd), "\n".join([*text, *([dump] if dump else [])])
    )


def _none_yet(path: Path) -> str:
    return (
        f"No journal yet: {path} is not there.\n"
        "The daemon begins it when it first runs: lampstep serve. If it runs as a service its folder is another:\n"
        "set STATE_DIRECTORY to that folder, as in STATE_DIRECTORY=/var/lib/lampstep lampstep journal ..."
    )


def _fields(
    pad: Pad, path: Path, read: Read, worn: list[Wear], zone: tzinfo, vcd: str | None
) -> dict[str, object]:
    return {
        "site": pad.site.name,
        "journal": str(path),
        "entries": [
            {
                "id": entry.id,
                "unix_s": entry.unix_s,
                "local": _moment(entry, zone),
                "boot": entry.boot,
                "at_s": entry.at_s,
                "kind": entry.kind,
                "circuit": entry.circuit,
                "detail": dict(entry.detail),
            }
            for entry in read.entries
        ],
        "days": [day._asdict() for day in sorted(read.days, key=lambda day: (day.day, day.circuit))],
        "wear": [
            {**found._asdict(), "runs_out": None if found.runs_out is None else found.runs_out.isoformat()}
            for found in worn
        ],
        "damaged": read.damaged,
        "vcd": vcd,
    }


def _write_vcd(name: str, edges: Entry) -> None:
    from sequencer.player.vcd import vcd_text  # noqa: PLC0415 - seldom asked for

    write_new(name, vcd_text(edges_log(edges.detail)))


def _head(pad: Pad, path: Path, arguments: Arguments) -> list[str]:
    of = "" if arguments.circuit is None else f" of circuit {quoted(arguments.circuit)}"
    return [f"{pad.site.name}: the journal{of}, times in {pad.site.timezone} ({path})"]


def _entries(read: Read, zone: tzinfo) -> list[str]:
    if not read.entries:
        return ["  Nothing has been entered yet."]
    rows = [("when", "circuit", "what")]
    rows += [(_local(entry, zone), entry.circuit or "", words(entry)) for entry in read.entries]
    return table(rows, "lll")


def _local(entry: Entry, zone: tzinfo) -> str:
    """As a clock at the pad showed it; the zone's letters tell the two of a doubled hour apart."""
    try:
        return f"{datetime.fromtimestamp(entry.unix_s, zone):%Y-%m-%d %H:%M:%S %Z}"
    except (OverflowError, ValueError, OSError):
        return f"{entry.unix_s:.0f} s"


def _moment(entry: Entry, zone: tzinfo) -> str | None:
    try:
        return datetime.fromtimestamp(entry.unix_s, zone).isoformat()
    except (OverflowError, ValueError, OSError):
        return None


def _worn(circuit: Circuit, read: Read, zone: tzinfo) -> Wear:
    today = datetime.fromisoformat(day_of(datetime.now(UTC).timestamp(), zone)).date()
    return wear(read.days, circuit.name, circuit.relay.rated_cycles, today)


def _wear_lines(worn: list[Wear]) -> list[str]:
    rows = [("relay of", "cycles", "rated", "an evening", "rated cycles run out")]
    for found in worn:
        when = "never at this rate" if found.runs_out is None else str(found.runs_out)
        if found.cycles >= found.rated_cycles:
            when = "used up: replace the relay"
        row = (found.circuit, str(found.cycles), str(found.rated_cycles), f"{found.per_evening:.1f}", when)
        rows.append(row)
    return table(rows, "lrrrl")


def words(entry: Entry) -> str:
    """An entry in plain words."""
    said = _WORDS.get(entry.kind)
    try:
        return said(entry.detail) if said else f"{entry.kind} {dict(entry.detail)}"
    except (KeyError, TypeError, ValueError):  # written by another version
        return f"{entry.kind} {dict(entry.detail)}"


def _input(detail: Mapping[str, Any]) -> str:
    name, state = detail["input"], detail["is"]
    if name == "button":
        return f"button pressed, {state}"
    if name == "occupied":
        return "people may be in the water" if state == "yes" else "nobody is in the water any more"
    return f"{name} {state}"


def _show(detail: Mapping[str, Any]) -> str:
    if detail["show"] != "begins":
        return "show ends"
    slot = f" ({detail['slot']})" if detail.get("slot") else ""
    return f"show begins: {quoted(detail['scene'])}{slot}"


def _wish(detail: Mapping[str, Any]) -> str:
    scene = quoted(str(detail.get("scene")))
    return {
        "hand": f"chosen by hand: {scene}",
        "asked": f"asked for: {scene}",
        "taken back": "what was chosen, asked for or steady is taken back",
        "steady": "steady light wanted, no trains",
    }[detail["wish"]]


def _intent(detail: Mapping[str, Any]) -> str:
    breaks = f", {_counted(len(detail['pulses']), 'break')}" if "pulses" in detail else ""
    why = f": {detail['why']}" if detail.get("why") else ""
    return f"train for {_scene(detail)} about to be sent{breaks}{why}"


def _edges(detail: Mapping[str, Any]) -> str:
    log = edges_log(detail)
    worst_s = max((stamp.late_s for stamp in log.stamps), key=abs, default=0.0)
    way = "late" if worst_s >= 0 else "early"
    return f"{_counted(len(log.stamps), 'edge')}, the worst {abs(worst_s) * 1000:.3f} ms {way}"


def _outcome(detail: Mapping[str, Any]) -> str:
    why = f" ({detail['why']})" if detail.get("why") else ""
    if detail.get("failed"):
        how = f"failed ({detail['failed']})"
    elif detail.get("spoiled"):
        how = f"spoiled{why}: what the lamps show is not certain"
    elif detail.get("outcome") == "unseen":
        how = f"ended unseen{why}"
    elif detail.get("after_cut"):
        how = f"broken off{why}"
    else:
        how = "sent, every edge in time"
    return f"train for {_scene(detail)} {how}; {_counted(detail.get('cycles') or 0, 'relay cycle')}"


def _counted(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def _scene(detail: Mapping[str, Any]) -> str:
    return quoted(detail["scene"]) if detail.get("scene") else "a scene not known"


_WORDS: dict[str, Callable[[Mapping[str, Any]], str]] = {
    "start": lambda d: (
        "daemon started" + (", a train of an earlier one still being sent" if d.get("playing") else "")
    ),
    "stop": lambda _: "daemon stopped",
    "input": _input,
    "supply": lambda d: f"supply {d['supply']}",
    "show": _show,
    "wish": _wish,
    "told": lambda d: f"somebody sees lamp {quoted(d['lamp'])} on its scene {d['code']}",
    "replaced": lambda d: f"lamp {quoted(d['lamp'])} was replaced: nothing is known of it",
    "intent": _intent,
    "edges": _edges,
    "outcome": _outcome,
    "dark": lambda d: {"begins": "held dark; 1 relay cycle", "ends": "lit again"}[d["dark"]],
    "note": lambda d: str(d["text"]),
    "clock": lambda d: f"clock {d['clock']}",
}
