"""``lampstep plan``: the train for a scene, with its proof, or why there is none."""

from __future__ import annotations

import shlex
import time

from sequencer.cli.answer import NO, YES, Answer
from sequencer.cli.arguments import Arguments
from sequencer.cli.asked import Asked, ask
from sequencer.cli.fields import plan_fields, refusal_fields
from sequencer.cli.volts import volts_fields, volts_lines
from sequencer.layout import table
from sequencer.planner import Budget, Plan, Refusal, plan
from sequencer.sitefile import Circuit
from sequencer.tomlfile import quoted
from sequencer.train import line_delay
from sequencer.words import tightest_words, train_lines

NOTHING = "Nothing to send: every lamp is on its scene already."
STARTS = {
    "rest": "from rest: every lamp lit and settled",
    "dark": "from dark: no lamp has had supply for long",
    "cut": "after a cut: nothing is known of what the lamps were counting",
}


def run(arguments: Arguments) -> Answer:
    """Plan; nothing is sent."""
    asked = ask(arguments)
    found = plan(asked.request, Budget(spent_s=time.process_time))
    if isinstance(found, Refusal):
        return refused(asked, found)
    fields = {
        **plan_fields(asked.circuit, asked.scene, found, asked.request),
        **volts_fields(asked.request, found),
    }
    return Answer(YES, fields, _plan_text(asked, found))


def refused(asked: Asked, refusal: Refusal) -> Answer:
    """The honest no."""
    return Answer(NO, refusal_fields(asked.circuit, asked.scene, refusal), _refusal_text(asked, refusal))


def _plan_text(asked: Asked, plan: Plan) -> str:
    """A train, what it does to each lamp, and what to do next."""
    train = plan.train
    head = f"{asked.circuit} to {quoted(asked.scene)}, {STARTS[asked.request.start]}"
    lines = [
        head,
        *(["", *train_lines(train), ""] if train.pulses else [NOTHING]),
        *_proof_lines(asked, plan),
        *volts_lines(asked.request, plan),
    ]
    lines += ["", _certainty(asked, plan)]
    if train.pulses:
        lines += _line_lines(asked.hung)
        rated = asked.hung.relay.rated_cycles
        lines += [f"It costs {train.relay_cycles} of the relay's {rated} rated cycles."]
        lines += [f"Next: clear the water, then {asked.command('play')}"]
    return "\n".join(lines)


def _line_lines(hung: Circuit) -> list[str]:
    """What the plan takes the line to the relay to need, where there is one."""
    relay = hung.relay
    if relay.driver != "modbus":
        return []
    least, greatest = (seconds * 1000 for seconds in line_delay(relay.baud))
    words = f"At {relay.baud} baud a command is taken to need {least:.1f} to {greatest:.1f} ms to the relay"
    return [f"{words}; play measures it and plans anew."]


def _certainty(asked: Asked, plan: Plan) -> str:
    """What the proof says, in one sentence."""
    if not plan.train.pulses and asked.request.start == "dark":
        return "With supply again they come back on it by themselves."
    if not plan.train.pulses:
        return "This holds if the lamps are on what you said they are on."
    if plan.proved:
        return "Proved: every lamp of these types ends there, and no shorter train can do it for certain."
    return "Every lamp of these types ends there; the search was cut short, so a shorter train may exist."


def _proof_lines(asked: Asked, plan: Plan) -> list[str]:
    """What each lamp ends on, and where it is nearest to reading the train otherwise."""
    sheets = {lamp.stem: lamp.datasheet for lamp in asked.request.lamps}
    rows = [("lamp", "ends on", "slack", "tightest")]
    for proof in plan.lamps:
        slack = "" if proof.slack_s is None else f"{proof.slack_s * 1000:.1f} ms"
        rows.append(
            (proof.lamp, f"{proof.ends_on} ({proof.code})", slack, tightest_words(proof, sheets[proof.stem]))
        )
    return table(rows, "llrl")


def _refusal_text(asked: Asked, refusal: Refusal) -> str:
    """That there is no train, why, what comes nearest, and what to do next."""
    head = "No train" if refusal.proved else "No train found"
    lines = [f"{head}: {asked.circuit} cannot be brought to {quoted(asked.scene)} for certain."]
    if not refusal.proved:
        lines = [f"{head} that brings {asked.circuit} to {quoted(asked.scene)}; there may be one."]
    lines.append(f"Why: {refusal.reason}.")
    if asked.request.short:
        look = shlex.join(["lampstep", "supply", str(asked.pad.path), "--circuit", asked.circuit])
        return "\n".join([*lines, f"Next: see which tap or cable would do: {look}"])
    if refusal.nearest is None:
        look = shlex.join(["lampstep", "check", str(asked.pad.path)])
        return "\n".join([*lines, f"Next: do what the reason says, then look for other doubts: {look}"])
    picks = ", ".join(f"{stem} on {quoted(scene)}" for stem, scene in refusal.nearest.items())
    lines.append(f"Nearest in colour that can be had: {picks}.")
    for scene in asked.pad.scenes:
        if all(_picked(asked, scene.name, stem) == pick for stem, pick in refusal.nearest.items()):
            named = asked._replace(scene=scene.name).command("plan")
            return "\n".join([*lines, f"Next: send scene {quoted(scene.name)}, which is just that: {named}"])
    toml = ", ".join(f"{_key(stem)} = {_toml(scene)}" for stem, scene in refusal.nearest.items())
    lines += [f"Next: to have that, add a scene to {asked.pad.path.name}:", "  [[scene]]", '  name = "..."']
    return "\n".join([*lines, f"  picks = {{ {toml} }}"])


def _picked(asked: Asked, scene: str, stem: str) -> str | None:
    found = asked.pad.lamp_scene(asked.pad.scene(scene), stem)
    return None if found is None else found.name


def _key(stem: str) -> str:
    return stem if stem.isascii() and stem.replace("-", "").replace("_", "").isalnum() else _toml(stem)


def _toml(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
