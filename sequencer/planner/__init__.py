"""The planner: from beliefs about the lamps and a wanted scene to a proven train, or a reason why not.

Read it in the order of the data's path: :mod:`.request` (what is asked), :mod:`.breaks` and :mod:`.belief`
(what breaks do to what is known of a type), :mod:`.bound` and :mod:`.pairs` (how far it is at least),
:mod:`.zone` (when), :mod:`.courses`, :mod:`.joint`, :mod:`.covering` and :mod:`.search` (the search), :mod:`.plan` (all
together), :mod:`.proof` (the walk that believes none of it), :mod:`.refusal` (why not, and what instead).
"""

from sequencer.planner.budget import Budget
from sequencer.planner.plan import BUDGET, plan
from sequencer.planner.proof import Judgement, LampJudgement, judge, prove
from sequencer.planner.request import (
    LampProof,
    LampRequest,
    Plan,
    PlanRequest,
    Refusal,
    Start,
    Tightest,
    request_for,
)

__all__ = [
    "BUDGET",
    "Budget",
    "Judgement",
    "LampJudgement",
    "LampProof",
    "LampRequest",
    "Plan",
    "PlanRequest",
    "Refusal",
    "Start",
    "Tightest",
    "judge",
    "plan",
    "prove",
    "request_for",
]
