"""Plans and refusals as JSON objects; the names and their order are fixed for whoever reads them."""

from __future__ import annotations

import math
from typing import Any

from sequencer.planner import LampProof, Plan, PlanRequest, Refusal


def plan_fields(circuit: str, scene: str, plan: Plan, request: PlanRequest) -> dict[str, object]:
    """A plan; times in unrounded seconds."""
    train = plan.train
    return {
        "circuit": circuit,
        "scene": scene,
        "proved": plan.proved,
        "lead_in_s": train.lead_in_s,
        "pulses": [pulse._asdict() for pulse in train.pulses],
        "total_s": train.total_s,
        "dark_s": train.dark_s,
        "relay_cycles": train.relay_cycles,
        "lamps": [lamp_fields(proof) for proof in plan.lamps],
        "basis": basis_fields(request),
    }


def basis_fields(request: PlanRequest) -> dict[str, object]:
    """What the proof starts from: how the lamps are found, and how each behaves; ``judge`` follows them by it.

    A window without end has null for it, for JSON has no infinity.
    """
    return {
        "start": request.start,
        "lamps": [
            {
                "lamp": lamp.lamp,
                "datasheet": lamp.stem,
                "wanted": lamp.wanted,
                "known": lamp.known,
                "sheet": {
                    **_endless(lamp.datasheet.model_dump(include={"lamp", "off", "on"}, exclude_none=True)),
                    "scene": [{"code": scene.code, "name": scene.name} for scene in lamp.datasheet.scenes],
                },
            }
            for lamp in request.lamps
        ],
    }


def _endless(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _endless(each) for key, each in value.items()}
    if isinstance(value, (list, tuple)):
        return [_endless(each) for each in value]
    return None if isinstance(value, float) and math.isinf(value) else value


def lamp_fields(proof: LampProof) -> dict[str, object]:
    """What one lamp certainly ends on, and where its slack is least."""
    return {
        "lamp": proof.lamp,
        "datasheet": proof.stem,
        "ends_on": proof.ends_on,
        "code": proof.code,
        "slack_s": proof.slack_s,
        "tightest": tightest_fields(proof),
    }


def tightest_fields(proof: LampProof) -> dict[str, object] | None:
    """Where the slack is least: the break (from 1), its part, the window and the limit of it."""
    at = proof.tightest
    if at is None:
        return None
    return {"break": at.break_no, "part": at.part, "window": at.window, "limit_s": at.limit_s}


def refusal_fields(circuit: str, scene: str, refusal: Refusal) -> dict[str, object]:
    """That there is no train, why, and what comes nearest."""
    return {
        "circuit": circuit,
        "scene": scene,
        "proved": refusal.proved,
        "pulses": None,
        "reason": refusal.reason,
        "nearest": None if refusal.nearest is None else dict(refusal.nearest),
    }
