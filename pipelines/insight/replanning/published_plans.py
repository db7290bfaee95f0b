"""Published plans of a date, read back with all that is needed to plan around them."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction

import polars as pl

from pipelines.costing.landed_cost import work_out
from pipelines.costing.order_penalties import penalties_under
from pipelines.costing.several_orders import with_order_codes
from pipelines.demand import model_portions
from pipelines.demand.fitting import parts_in_reach
from pipelines.inputs import Model, WorkspaceInputs
from pipelines.planning.candidates import Candidates
from pipelines.planning.purchase_plan import PurchasePlan, plan_from_tables
from pipelines.planning.scenarios import TWO_STAGE_RULES, ModelPlanning
from pipelines.settings import Buyer, Scenario

PLAN_TABLES = ("model_cost", "plan_vendor", "plan_purchase", "plan_line", "unfilled_line")
BY_ORDER = ("plan_vendor", "plan_purchase", "plan_line")
"""Tables with an order_number."""
EFFORT = "quick"


@dataclass(frozen=True)
class PublishedPlan:
    """One published plan: its rows by table name, and the rows of the model's listed plan.

    Rows have order codes (costing/several_orders.py) for the vendor_code and order_number of the published tables.
    """

    model: Model
    buyer: Buyer
    scenario: Scenario
    day: date
    market: pl.DataFrame
    rows: Mapping[str, pl.DataFrame]
    listed: Mapping[str, pl.DataFrame]

    def planning(self, inputs: WorkspaceInputs) -> ModelPlanning:
        """The planning of the plan's model, buyer and date: candidates, terms, rules."""
        return ModelPlanning(inputs, self.model, self.day, self.buyer, self.market, EFFORT, with_advice=False)

    def plan(self, planning: ModelPlanning, candidates: Candidates) -> PurchasePlan | None:
        """The plan with its exact cost and its published bound; None where its offers are not among the candidates."""
        plan = plan_from_tables(candidates, self.rows)
        if plan is None:
            return None
        cost = work_out(plan.purchases, planning.book.vendors).exact_cost
        bound = Fraction(self.rows["model_cost"]["lower_bound"][0])
        return replace(plan, cost=cost, lower_bound=min(bound, cost), penalties=penalties_under(self.scenario))


def published_plans(
    inputs: WorkspaceInputs,
    market: pl.DataFrame,
    plans: Mapping[str, pl.DataFrame],
    day: date,
    scenario_codes: Collection[str],
) -> list[PublishedPlan]:
    """The plans of some scenarios on a date, for every model and buyer; refused ones and those in two stages are left out.

    Args:
        inputs: the workspace.
        market: PRICE_HISTORY columns and ``is_suspect``: what can be bought on the date.
        plans: the tables of plan_night.
        day: the priced date.
        scenario_codes: which scenarios; the workspace must have them.
    """
    scenarios = {scenario.scenario_code: scenario for scenario in inputs.settings.scenarios}
    found = []
    for model in inputs.models:
        listed_parts = model_portions.portions_on(model, day, use_flexibility=True)["listed_part_code"]
        reachable = parts_in_reach(listed_parts, inputs.tables).to_list()
        offers = market.filter(pl.col("part_code").is_in(reachable))
        for buyer in inputs.settings.buyer:
            of = (pl.col("priced_on") == day) & (pl.col("model_code") == model.model_code)
            rows = {name: plans[name].filter(of & (pl.col("buyer_code") == buyer.buyer_code)) for name in PLAN_TABLES}
            rows = {name: with_order_codes(frame) if name in BY_ORDER else frame for name, frame in rows.items()}
            by_code = {code: {name: _of_scenario(frame, code) for name, frame in rows.items()} for code in scenarios}
            found += [
                PublishedPlan(model, buyer, scenarios[code], day, offers, by_code[code], by_code["listed"])
                for code in scenario_codes
                if scenarios[code].maker not in TWO_STAGE_RULES
                and by_code[code]["model_cost"].filter(pl.col("plan_status") != "refused").height
            ]
    return found


def _of_scenario(frame: pl.DataFrame, scenario_code: str) -> pl.DataFrame:
    return frame.filter(pl.col("scenario_code") == scenario_code)


def longest_first(plans: Iterable[PublishedPlan]) -> list[PublishedPlan]:
    """The plans of models with most offers first, so that several processes are done at about the same time."""
    return sorted(plans, key=lambda plan: -plan.market.height)
