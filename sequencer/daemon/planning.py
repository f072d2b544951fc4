"""The planner in a process of its own: ``python -m sequencer.daemon.planning``, a question in, a train out.

A search can take seconds and tens of megabytes on a small board. Apart from the daemon it costs neither its
punctuality nor, once it has ended, its memory, and a fault in it is an answer like any other.

Standard input gets one JSON object: ``site`` (a path), ``circuit``, ``scene``, ``start``, ``known`` (lamp to
code), ``codes`` (what each lamp is to end on), ``delays`` (what its contact takes, its line's delay included).
Standard output gives one: the train and its tolerances, or ``{"refused": why}``.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from sequencer.errors import HardwareError, InputError
from sequencer.train import Delays, Pulse, Train

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from sequencer.core.actions import PlanTrain
    from sequencer.datasheet import Datasheet

LIMIT_S = 300.0
"""The longest a search may take; its budget of nodes ends it long before, on any board."""
COMMAND = (sys.executable, "-P", "-m", "sequencer.daemon.planning")


class PlannedTrain(NamedTuple):
    """A train, and how far each of its edges may be commanded from its due time."""

    train: Train
    tolerance_s: tuple[float, ...]


class PlannerFault(HardwareError):  # noqa: N818 - named as it is said
    """The planner could not be run, or did not answer; another time it may."""


def plan_apart(
    site: Path,
    circuit: str,
    asked: PlanTrain,
    delays: Delays,
    on_child: Callable[[Callable[[], None]], None] = lambda _: None,
) -> PlannedTrain | str:
    """Put a question to a planner of its own and wait: the train, or why there is none.

    :param on_child: called once with a function that ends the planner, for when nobody wants to know any more.
    :raises PlannerFault: neither could be had.
    """
    question = {
        "site": str(site.absolute()),
        "circuit": circuit,
        "scene": asked.scene,
        "start": asked.start,
        "known": dict(asked.known),
        "codes": dict(asked.codes),
        "delays": list(delays),
    }
    try:
        with subprocess.Popen(  # noqa: S603 - our own module
            COMMAND,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**_environment(), "PYTHONPATH": str(Path(__file__).resolve().parents[2])},
        ) as child:
            on_child(child.kill)
            try:
                said, complaints = child.communicate(json.dumps(question), LIMIT_S)
            except BaseException:
                child.kill()
                raise
        if child.returncode:
            complaint = complaints.strip().rpartition("\n")[2]
            raise PlannerFault(f"the planner failed ({complaint or f'exit status {child.returncode}'})")
        return _answer(json.loads(said))
    except subprocess.TimeoutExpired:
        raise PlannerFault(f"the planner did not answer within {LIMIT_S:.0f} s") from None
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise PlannerFault(f"the planner could not be run ({error})") from error


def _environment() -> dict[str, str]:
    import os  # noqa: PLC0415 - the child has no use for it

    return dict(os.environ)


def _answer(said: Any) -> PlannedTrain | str:
    if "pulses" not in said:
        return str(said["refused"])
    pulses = tuple(Pulse(*pulse) for pulse in said["pulses"])
    return PlannedTrain(Train(pulses, said["lead_in_s"]), tuple(said["tolerance_s"]))


def answer(question: Mapping[str, Any]) -> dict[str, object]:
    """What the child says to a question."""
    from sequencer.planner import Budget, Refusal, plan, request_for  # noqa: PLC0415 - the parent needs none of this
    from sequencer.sitefile import load_site  # noqa: PLC0415

    try:
        pad = load_site(question["site"])
        circuit = pad.circuit(question["circuit"])
        wanted = pad.wanted(circuit.name, question["scene"])
        if {lamp: scene.code for lamp, scene in wanted.items()} != question["codes"]:
            raise InputError(f"{pad.path}: was changed since the daemon started: restart the daemon")
        sheets = {lamp.name: pad.datasheets[lamp.stem] for lamp in circuit.lamps}
        known = {lamp: _scene_name(sheets[lamp], code) for lamp, code in question["known"].items()}
        request = request_for(pad, circuit.name, question["scene"], known, question["start"])
        make_s, break_s = (tuple(pair) for pair in question["delays"])
        budget = Budget(spent_s=time.process_time)
        found = plan(request._replace(delays=Delays(make_s, break_s)), budget)
    except InputError as error:  # the site file is another than when the daemon read it
        return {"refused": str(error)}
    if isinstance(found, Refusal):
        return {"refused": found.reason}
    return {
        "pulses": [list(pulse) for pulse in found.train.pulses],
        "lead_in_s": found.train.lead_in_s,
        "tolerance_s": list(found.tolerance_s),
    }


def _scene_name(sheet: Datasheet, code: int) -> str:
    scene = sheet.scene_by_code(code)
    if scene is None:
        raise ValueError(f"no scene has code {code}")
    return scene.name


if __name__ == "__main__":
    import os
    from contextlib import suppress

    from sequencer.daemon.lean import without_unused

    with suppress(OSError):
        os.nice(10)  # the player and the loop come first
    # pydantic would look for some in the metadata of all that is installed: a fifth of this process's time.
    os.environ["PYDANTIC_DISABLE_PLUGINS"] = "__all__"
    with without_unused("importlib.metadata"):
        json.dump(answer(json.load(sys.stdin)), sys.stdout)
