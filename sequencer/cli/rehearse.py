"""``lampstep rehearse``: the train for a scene on many simulated pads, in virtual time."""

from __future__ import annotations

import time

from sequencer.cli.answer import NO, YES, Answer
from sequencer.cli.arguments import Arguments
from sequencer.cli.asked import Asked, ask
from sequencer.cli.plan import refused
from sequencer.layout import table
from sequencer.planner import Budget, Plan, Refusal, plan
from sequencer.sim.feed import sim_feed
from sequencer.sim.rehearsal import Rehearsal, rehearse
from sequencer.tomlfile import quoted


def run(arguments: Arguments) -> Answer:
    """Plan, then play on pads whose lamps, relay and beginnings are drawn by chance from the seed."""
    asked = ask(arguments)
    request = asked.request
    found = plan(request, Budget(spent_s=time.process_time))
    if isinstance(found, Refusal):
        return refused(asked, found)
    result = rehearse(
        found.train,
        [(lamp.lamp, asked.pad.datasheets[lamp.stem], lamp.known) for lamp in request.lamps],
        request.delays,
        {lamp.lamp: lamp.wanted for lamp in request.lamps},
        start=request.start,
        trials=arguments.trials,
        seed=arguments.seed,
        limits=asked.pad.timing.limits,
        feed=sim_feed(asked.pad, asked.circuit),
    )
    status = YES if result.matched == result.trials else NO
    return Answer(status, _fields(asked, found, result, arguments.seed), _text(asked, result, arguments.seed))


def _fields(asked: Asked, found: Plan, result: Rehearsal, seed: int) -> dict[str, object]:
    return {
        "circuit": asked.circuit,
        "scene": asked.scene,
        "trials": result.trials,
        "matched": result.matched,
        "seed": seed,
        "total_s": found.train.total_s,
        "lamps": [
            {
                "lamp": p.lamp,
                "datasheet": p.stem,
                "ends_on": p.ends_on,
                "code": p.code,
                "missed": result.misses[p.lamp],
            }
            for p in found.lamps
        ],
        "first_failing_seed": result.first_failing_seed,
        "details": [str(miss) for miss in result.details],
    }


def _text(asked: Asked, result: Rehearsal, seed: int) -> str:
    head = f"{asked.circuit} to {quoted(asked.scene)} on simulated pads, seed {seed}"
    lines = [f"{head}: {result.matched} of {result.trials} ended with every lamp on its scene."]
    if result.first_failing_seed is None:
        lines.append("Simulated lamps keep to their datasheets; real ones must be tried on the bench.")
        return "\n".join([*lines, f"Next: clear the water, then {asked.command('play')}"])
    rows = [("lamp", "missed"), *((lamp, str(missed)) for lamp, missed in result.misses.items())]
    again = asked.command("rehearse", "--trials", "1", "--seed", str(result.first_failing_seed))
    lines += ["", *table(rows, "lr"), "", "The first that failed:", *(f"  {miss}" for miss in result.details)]
    return "\n".join([*lines, f"Next: do not send this train. That trial alone: {again}"])
