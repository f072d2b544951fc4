"""``lampstep play``: the train for a scene, sent through the site's relay, and what its edges really did.

Where a daemon serves the site, the daemon is asked to send it.

What is said before and while the train is sent goes to standard error; the judgement is the answer.
"""

from __future__ import annotations

import os
import shlex
import time
from contextlib import nullcontext
from pathlib import Path
from typing import NamedTuple

from sequencer.cli.answer import BROKEN_OFF, HARDWARE, NO, YES, Answer
from sequencer.cli.arguments import Arguments
from sequencer.cli.asked import Asked, ask
from sequencer.cli.fields import lamp_fields, plan_fields
from sequencer.cli.new_file import opened_new
from sequencer.cli.plan import NOTHING, refused
from sequencer.cli.through import is_served, play_through, refuse_options
from sequencer.cli.water import clear_the_water, say
from sequencer.errors import InputError
from sequencer.layout import table
from sequencer.planner import Budget, Judgement, Plan, Refusal, judge, plan
from sequencer.player.job import PlayResult
from sequencer.player.kept import path_for, refuse_if_playing
from sequencer.player.process import play
from sequencer.player.vcd import vcd_text
from sequencer.relay import open_relay
from sequencer.tomlfile import quoted
from sequencer.train import EdgeLog, Stamp
from sequencer.words import breaks_words

STATUS = {"finished": YES, "overdue": NO, "failed": HARDWARE, "broken off": BROKEN_OFF}


class Sent(NamedTuple):
    """How a train was planned, how it went, what that comes to, and the files that have it."""

    asked: Asked
    plan: Plan
    result: PlayResult
    judgement: Judgement
    log: Path | None
    vcd: str | None

    @property
    def status(self) -> int:
        """As the playing ended; a train that was finished but spoiled is the honest no."""
        outcome = self.result.log.outcome
        return NO if outcome == "finished" and self.judgement.spoiled else STATUS[outcome]

    @property
    def worst(self) -> tuple[int, Stamp] | None:
        """The edge furthest from its due time, counted from 1; None when no edge was commanded."""
        stamps = enumerate(self.result.log.stamps, start=1)
        return max(stamps, key=lambda numbered: abs(numbered[1].late_s), default=None)


def run(arguments: Arguments) -> Answer:
    """Plan, ask where it matters, play, judge.

    :raises InputError: bad input; nothing was sent.
    :raises NotSent: the water is not clear.
    :raises HardwareError: the relay could not be opened, or the player died; it says where the relay stands.
    """
    asked = ask(arguments)
    if is_served(asked):
        refuse_options(asked, arguments.vcd)
        if asked.hung.relay.driver != "simulated":
            clear_the_water(asked.circuit, asked.hung.relay.side, sure=arguments.yes)
        return play_through(asked, say)
    asked, line_delay_s = _over_its_line(asked)
    found = plan(asked.request, Budget(spent_s=time.process_time))
    if isinstance(found, Refusal):
        return refused(asked, found)
    if found.train.pulses:
        sent = _send(asked, found, arguments, line_delay_s)
    else:
        sent = _judged(asked, found, PlayResult(EdgeLog((), "finished"), 0.0, 0.0))
    return Answer(sent.status, _fields(sent), _text(sent))


def _over_its_line(asked: Asked) -> tuple[Asked, tuple[float, float]]:
    """The same, planned with what the line to the relay takes now; (0, 0) where there is no line.

    :raises HardwareError: a train is being sent on this circuit, or the relay cannot be reached.
    """
    relay = asked.hung.relay
    if relay.driver != "modbus":
        return asked, (0.0, 0.0)
    refuse_if_playing(_keep(asked))  # opening a relay sends it to rest
    with open_relay(relay.model_dump()) as opened:
        line_delay_s = opened.line_delay_s
    least, greatest = (round(seconds * 1000, 1) for seconds in line_delay_s)
    say(
        f"A command takes {least} to {greatest} ms to the relay of {asked.circuit}: measured, and planned with."
    )
    delays = relay.own_delays.after(line_delay_s)
    return asked._replace(request=asked.request._replace(delays=delays)), line_delay_s


def _send(asked: Asked, found: Plan, arguments: Arguments, line_delay_s: tuple[float, float]) -> Sent:
    relay = asked.hung.relay
    if relay.contact == "normally_open" and not found.train.lead_in_s:
        words = "the contact is normally open, so the lamps are dark before the train"
        raise InputError(f"{asked.circuit}: {words}: add --from-dark")
    keep = _keep(asked)
    with nullcontext() if arguments.vcd is None else opened_new(arguments.vcd) as vcd:
        if relay.driver == "simulated":
            say(f"The relay of {asked.circuit} is simulated: nothing real is switched.")
        else:
            clear_the_water(asked.circuit, relay.side, breaks_words(found.train), sure=arguments.yes)
        say(f"Sending: {found.train.lead_in_s + found.train.total_s:.1f} s. Ctrl-C breaks it off.")
        spec = {**relay.model_dump(), "line_delay_s": line_delay_s}
        limits = asked.pad.timing.limits
        result = play(found.train, asked.request.delays, spec, found.tolerance_s, limits=limits, keep=keep)
        if result.log.outcome == "broken off":
            say("")
        try:
            if vcd is not None:
                vcd.write(vcd_text(result.log))
                vcd.flush()
        except OSError as error:
            lost = f"{arguments.vcd} could not be written: {error.strerror}"
            result = result._replace(notes=(*result.notes, lost))
    kept = not any(str(keep) in note for note in result.notes) and os.path.exists(keep)  # noqa: PTH110 - never raises
    return _judged(asked, found, result, keep if kept else None, arguments.vcd)


def _judged(
    asked: Asked, found: Plan, result: PlayResult, log: Path | None = None, vcd: str | None = None
) -> Sent:
    return Sent(asked, found, result, judge(asked.request, found.train, result.log), log, vcd)


def _keep(asked: Asked) -> Path:
    return path_for(asked.pad.site.name, asked.circuit)


def _fields(sent: Sent) -> dict[str, object]:
    """The plan's object, each lamp with what it may now show, and how the edges went."""
    result, worst = sent.result, sent.worst
    may_show = {lamp.lamp: sorted(lamp.ends_on) for lamp in sent.judgement.lamps}
    lamps = [{**lamp_fields(proof), "may_show": may_show[proof.lamp]} for proof in sent.plan.lamps]
    return {
        **plan_fields(sent.asked.circuit, sent.asked.scene, sent.plan, sent.asked.request),
        "lamps": lamps,
        "outcome": result.log.outcome,
        "detail": result.log.detail,
        "spoiled": sent.judgement.spoiled,
        "worst_late_s": None if worst is None else worst[1].late_s,
        "edges_beyond": list(result.beyond),
        "edges": [stamp._asdict() for stamp in result.log.stamps],
        "rested_s": result.log.rested_s,
        "started_unix_s": result.started_unix_s if result.log.stamps else None,
        "notes": list(result.notes),
        "log": None if sent.log is None else str(sent.log),
        "vcd": sent.vcd,
    }


def _text(sent: Sent) -> str:
    asked, log = sent.asked, sent.result.log
    if not sent.plan.train.pulses:
        return f"{asked.circuit} to {quoted(asked.scene)}: {NOTHING}"
    lines = [_outcome(sent)]
    if sent.worst is not None:
        number, stamp = sent.worst
        way = "late" if stamp.late_s >= 0 else "early"
        lines.append(f"Worst edge: {number} of {len(log.stamps)}, {abs(stamp.late_s) * 1000:.3f} ms {way}.")
    sheets = {lamp.lamp: lamp.datasheet for lamp in asked.request.lamps}
    shows = []
    for lamp in sent.judgement.lamps:
        unknown = 1 < len(lamp.ends_on) == len(sheets[lamp.lamp].scenes)
        shows.append((lamp.lamp, "any of its scenes" if unknown else " or ".join(sorted(lamp.ends_on))))
    lines += ["", *table([("lamp", "is now on"), *shows], "ll"), ""]
    lines += [f"Note: {note}." for note in sent.result.notes]
    if log.rested_s is not None and not log.rests_closed:
        lines.append("Note: the contact is normally open and has been let go: the lamps are dark now.")
    if sent.log is not None:
        lines.append(f"The edges are kept in {sent.log}" + (f" and in {sent.vcd}." if sent.vcd else "."))
    return "\n".join([*lines, _next(sent)])


def _outcome(sent: Sent) -> str:
    asked, log = sent.asked, sent.result.log
    head = f"{asked.circuit} to {quoted(asked.scene)}"
    if log.outcome == "finished" and not sent.judgement.spoiled:
        return f"{head}: sent, and every edge came in time for every lamp."
    if log.outcome == "overdue":
        return f"{head}: ended early, since {log.detail}. The relay is at rest."
    if log.outcome == "finished":
        return (
            f"{head}: sent, but spoiled: an edge came so far from its time that a lamp may have misread it."
        )
    rest = (
        "The relay is at rest."
        if log.rested_s is not None
        else "THE RELAY IS NOT AT REST: see where it stands."
    )
    return f"{head}: {log.outcome} ({log.detail}). {rest}"


def _next(sent: Sent) -> str:
    if sent.status == YES:
        site = ["lampstep", "diagnose", str(sent.asked.pad.path), "--circuit", sent.asked.circuit]
        why = shlex.join([*site, "--sent", sent.asked.scene, "--saw", "LAMP=SCENE"])
        return f"Next: look at every lamp. If one does not show its scene: {why}"
    again = sent.asked._replace(request=sent.asked.request._replace(start="cut"), known=()).command("play")
    return f"Next: clear the water, then {again}"
