"""The whole cost of a model: instructions, parts and charges, also per piece, and what is on hand already."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Any

import polars as pl

from pipelines.costing.terms_on import buyers_rate
from pipelines.inputs import Model, WorkspaceInputs
from pipelines.insight.cost_parts.line_costs import line_weights, split_over_lines
from pipelines.money import round_half_up, round_money
from pipelines.planning.scenarios import ModelPlanning
from pipelines.settings import Buyer, Scenario

Row = dict[str, Any]


def instructions_steps(inputs: WorkspaceInputs, model: Model, buyer: Buyer, day: date) -> list[Row]:
    """INSTRUCTIONS_STEP rows: the list price, then the price after each discount that holds on the day, in order.

    Each price is exact from the list price and the exchange rate on, and rounded once. No rows where model.toml has no
    price, or no exchange rate is recent enough.
    """
    instructions = model.settings.instructions
    if instructions is None:
        return []
    rate = buyers_rate(inputs, instructions.currency_code, day, buyer)
    if rate is None:
        return []
    price = Fraction(instructions.price) * rate
    steps: list[tuple[str, str, Decimal | None, Fraction]] = [("list_price", "", None, price)]
    for discount in instructions.discounts:
        if discount.from_on <= day <= discount.to_on:
            price *= 1 - Fraction(discount.pct) / 100
            steps.append(("discount", discount.reason, discount.pct, price))
    return [
        {
            "priced_on": day,
            "model_code": model.model_code,
            "buyer_code": buyer.buyer_code,
            "step_number": number,
            "instructions_step": step,
            "discount_reason": reason,
            "discount_pct": pct,
            "currency_code": buyer.currency_code,
            "instructions_price": round_money(after, buyer.currency_code),
        }
        for number, (step, reason, pct, after) in enumerate(steps)
    ]


def whole_cost_row(
    planning: ModelPlanning, scenario: Scenario, rows: Mapping[str, pl.DataFrame], steps: list[Row]
) -> Row:
    """The WHOLE_COST row of one plan.

    Args:
        planning: of the plan's model, buyer and date.
        scenario: the plan's.
        rows: the plan's rows by table name.
        steps: what :func:`instructions_steps` gives.
    """
    plan = rows["model_cost"].row(0, named=True)
    money = planning.buyer.currency_code
    weights = line_weights(rows["plan_line"], rows["plan_purchase"])
    goods = split_over_lines(weights, dict(rows["plan_vendor"].select("vendor_code", "goods").iter_rows()))
    amended = set(rows["plan_line"].filter(pl.col("portion_source") == "amendment")["line_number"].to_list())
    owned_count, owned_goods = _owned(planning, scenario, rows, goods)
    pieces = plan["piece_count"] - plan["on_hand_piece_count"]
    per_piece = Fraction(plan["complete_cost"]) / pieces if pieces else None
    listed = steps[0]["instructions_price"] if steps else None
    paid = steps[-1]["instructions_price"] if steps else None
    return {
        **{name: plan[name] for name in _OF_PLAN},
        "instructions_list_price": listed,
        "instructions_discount": None if listed is None else listed - paid,
        "instructions_cost": paid,
        "amendment_goods": round_money(sum((goods.get(line, Fraction(0)) for line in amended), Fraction(0)), money),
        "whole_cost": plan["complete_cost"] + (paid or Decimal(0)),
        "cost_per_piece": None if per_piece is None else round_half_up(per_piece, 6),
        "cost_per_100_pieces": None if per_piece is None else round_money(per_piece * 100, money),
        "owned_piece_count": owned_count,
        "owned_goods": round_money(owned_goods, money),
    }


_OF_PLAN = (
    "priced_on", "model_code", "scenario_code", "buyer_code", "currency_code", "goods", "shipping", "handling", "tax",
    "unfilled_estimate", "complete_cost", "piece_count",
)  # fmt: skip


def _owned(
    planning: ModelPlanning, scenario: Scenario, rows: Mapping[str, pl.DataFrame], goods: Mapping[int, Fraction]
) -> tuple[int, Fraction]:
    """Pieces that stock on hand could serve, and what as many cost in the plan; those it takes from stock cost nothing."""
    with_stock = scenario.model_copy(update={"use_stock_on_hand": True})
    owned = planning.candidates(with_stock).on_hand
    used = rows["plan_line"].filter(pl.col("vendor_code") != "").group_by("line_number").agg(pl.col("quantity").sum())
    pieces = dict(used.iter_rows())
    worth = Fraction(0)
    for line, quantity in owned.group_by("line_number").agg(pl.col("quantity").sum()).sort("line_number").iter_rows():
        if pieces.get(line):
            worth += goods.get(line, Fraction(0)) * Fraction(min(quantity, pieces[line]), pieces[line])
    return int(owned["quantity"].sum()), worth
