"""Plans and refusals as JSON objects; the names and their order are fixed for whoever reads them."""

from __future__ import annotations

from sequencer.planner import LampProof, Plan, Refusal


def plan_fields(circuit: str, scene: str, plan: Plan) -> dict[str, object]:
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
    }


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
