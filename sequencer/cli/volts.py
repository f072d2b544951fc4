"""What the volts at the lamps make of a plan: the windows they move, and the slack that this costs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sequencer.layout import table
from sequencer.planner import Plan, PlanRequest
from sequencer.tomlfile import quoted

if TYPE_CHECKING:
    from sequencer.supply.received import Received


def volts_fields(request: PlanRequest, plan: Plan) -> dict[str, object]:
    """``{"volts": [...]}``, a lamp each; empty where the site says nothing of the supply."""
    costs = slack_costs(request, plan)
    gets = [lamp.gets for lamp in request.lamps if lamp.gets is not None]
    return {"volts": [_lamp_fields(each, costs.get(each.lamp)) for each in gets]} if gets else {}


def _lamp_fields(gets: Received, cost_s: float | None) -> dict[str, object]:
    held = gets.ride_through_s
    return {
        "lamp": gets.lamp,
        "least_v": gets.least_v,
        "greatest_v": gets.greatest_v,
        "ride_through_s": None if held is None else list(held),
        "moved": [move._asdict() for move in gets.moved],
        "slack_cost_s": cost_s,
    }


def slack_costs(request: PlanRequest, plan: Plan) -> dict[str, float]:
    """By lamp: how much more slack its tightest length would have if the datasheet's own windows held (s).

    0 where that is at an edge that the volts have not moved. The lamp's clock tolerance is counted in.
    """
    costs = {}
    for lamp, proof in zip(request.lamps, plan.lamps, strict=True):
        if lamp.gets is None or proof.tightest is None:
            continue
        at, clock = proof.tightest, lamp.datasheet.lamp.clock_tolerance
        costs[lamp.lamp] = sum(
            move.cost_s / (1 - clock if move.edge == "begins" else 1 + clock)
            for move in lamp.gets.moved
            if (move.window, move.to_s) == (at.window, at.limit_s)
        )
    return costs


def volts_lines(request: PlanRequest, plan: Plan) -> list[str]:
    """A table of what each lamp gets, and which windows of which type that moves."""
    gets = [lamp.gets for lamp in request.lamps if lamp.gets is not None]
    if not gets:
        return []
    costs = slack_costs(request, plan)
    rows = [("lamp", "gets", "rides through", "slack the volts cost")]
    for each in gets:
        held = each.ride_through_s
        through = "" if held is None else f"{held[0] * 1000:.1f}-{held[1] * 1000:.1f} ms"
        cost = f"{costs[each.lamp] * 1000:.1f} ms" if each.lamp in costs else ""
        rows.append((each.lamp, f"{each.least_v:.2f}-{each.greatest_v:.2f} V", through, cost))
    moved = {
        lamp.stem: lamp.gets.moved for lamp in request.lamps if lamp.gets is not None and lamp.gets.moved
    }
    lines = ["", *table(rows, "lrrr")]
    for stem, moves in moved.items():
        for move in moves:
            words = f"[off] {move.window} {move.edge} at {move.to_s:.4g} s, not at {move.from_s:g} s"
            lines.append(f"  {quoted(stem)}: at these volts {words}")
    return lines
