"""The tables about buying in one go: joint orders, the maker's shop, parts of the cost, copies, sensitivity.

One task per joint order, and one per model and buyer, spread over processes; each task gives rows by table.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import polars as pl

from pipelines.costing.several_orders import vendors_of, with_order_codes
from pipelines.costing.terms_on import TermsBook
from pipelines.demand.fitting import parts_in_reach
from pipelines.inputs import Model, WorkspaceInputs
from pipelines.insight.cost_parts.line_costs import line_cost_rows
from pipelines.insight.cost_parts.maker_shop import maker_rows
from pipelines.insight.cost_parts.whole_costs import instructions_steps, whole_cost_row
from pipelines.insight.replanning.published_plans import BY_ORDER, EFFORT, PLAN_TABLES, PublishedPlan, published_plans
from pipelines.insight.together.copies import copy_cost_rows
from pipelines.insight.together.joint_orders import JointTask, joint_tasks, rows_of_order
from pipelines.insight.what_if.answers import PricesOnDate
from pipelines.insight.what_if.plan_variants import shortlisted
from pipelines.insight.what_if.sensitivity import sensitivity_question, sensitivity_rows
from pipelines.planning.candidates import Candidates
from pipelines.planning.estimates import known_prices
from pipelines.planning.purchase_plan import PurchasePlan
from pipelines.planning.scenarios import ModelPlanning
from pipelines.settings import Buyer
from pipelines.workers import spread
from schemas.all_tables import JOINT_CONTRACTS, MAKER_CONTRACTS, SENSITIVITY_CONTRACTS, WHOLE_COST_CONTRACTS
from schemas.published.what_if import SENSITIVITY
from schemas.published.whole_costs import COPY_COST, INSTRUCTIONS_STEP, LINE_COST, WHOLE_COST
from schemas.validate import polars_schema, validate_typed

SCENARIO = "cheapest"
"""The way of buying whose plan is looked into."""
BUYING_CONTRACTS = (*JOINT_CONTRACTS, *MAKER_CONTRACTS, *WHOLE_COST_CONTRACTS, *SENSITIVITY_CONTRACTS)
Rows = dict[str, list[dict[str, Any]]]


@dataclass(frozen=True)
class ModelTask:
    """The published plans of one model and buyer, with the prices of the parts the model could use.

    ``cheapest`` is the published plan of SCENARIO; None where it was refused or the settings make it in two stages.
    """

    model: Model
    buyer: Buyer
    day: date
    market: pl.DataFrame
    last_seen: pl.DataFrame
    summaries: pl.DataFrame
    plans: Mapping[str, Mapping[str, pl.DataFrame]]
    cheapest: PublishedPlan | None


def buying_tables(
    inputs: WorkspaceInputs,
    market: pl.DataFrame,
    last_seen: pl.DataFrame,
    summaries: pl.DataFrame,
    plans: Mapping[str, pl.DataFrame],
    day: date,
) -> dict[str, pl.DataFrame]:
    """Frames of BUYING_CONTRACTS by name, sorted by key.

    Args:
        inputs: the workspace.
        market: PRICE_HISTORY columns and ``is_suspect``: what can be bought on the date.
        last_seen: PRICE_HISTORY columns: the latest price of every offer, for estimates.
        summaries: PRICE_SUMMARY, for estimates.
        plans: the tables of plan_night.
        day: the priced date.
    """
    tasks: list[JointTask | ModelTask] = [*joint_tasks(inputs, market, last_seen, summaries, plans, day)]
    tasks += _model_tasks(inputs, market, last_seen, summaries, plans, day)
    tasks.sort(
        key=lambda task: -task.market.height
    )  # the longest first, so that all processes are done at about the same time
    rows: Rows = {contract.name: [] for contract in BUYING_CONTRACTS}
    for _, found in spread(rows_of_task, inputs, enumerate(tasks), min(inputs.settings.refresh.workers, len(tasks))):
        for name, more in found.items():
            rows[name] += more
    tables = {}
    for contract in BUYING_CONTRACTS:
        frame = pl.DataFrame(rows[contract.name], schema=polars_schema(contract), orient="row").sort(contract.key)
        tables[contract.name] = validate_typed(contract, frame, where=f"{contract.name} on {day}")
    return tables


def _model_tasks(
    inputs: WorkspaceInputs,
    market: pl.DataFrame,
    last_seen: pl.DataFrame,
    summaries: pl.DataFrame,
    plans: Mapping[str, pl.DataFrame],
    day: date,
) -> Iterator[ModelTask]:
    cheapest = {
        (plan.model.model_code, plan.buyer.buyer_code): plan
        for plan in published_plans(inputs, market, plans, day, [SCENARIO])
    }
    todays = {name: plans[name].filter(pl.col("priced_on") == day) for name in PLAN_TABLES}
    for model in inputs.models:
        codes = pl.concat([model.parts_list["part_code"], model.amendments["part_code"].drop_nulls()]).unique()
        is_near = pl.col("part_code").is_in(parts_in_reach(codes, inputs.tables).to_list())
        offered, seen, averages = (frame.filter(is_near) for frame in (market, last_seen, summaries))
        for buyer in inputs.settings.buyer:
            of = (pl.col("model_code") == model.model_code) & (pl.col("buyer_code") == buyer.buyer_code)
            own = {name: frame.filter(of) for name, frame in todays.items()}
            by_code = {
                code: {name: frame.filter(pl.col("scenario_code") == code) for name, frame in own.items()}
                for code in own["model_cost"]["scenario_code"].to_list()
            }
            if by_code:
                looked_into = cheapest.get((model.model_code, buyer.buyer_code))
                yield ModelTask(model, buyer, day, offered, seen, averages, by_code, looked_into)


def rows_of_task(inputs: WorkspaceInputs, task: JointTask | ModelTask) -> Rows:
    """Rows by table name."""
    return rows_of_order(inputs, task) if isinstance(task, JointTask) else rows_of_model(inputs, task)


def rows_of_model(inputs: WorkspaceInputs, task: ModelTask) -> Rows:
    """Rows by table about one model and buyer; joint orders are not among them."""
    planning = ModelPlanning(inputs, task.model, task.day, task.buyer, task.market, EFFORT, with_advice=False)
    steps = instructions_steps(inputs, task.model, task.buyer, task.day)
    scenarios = {scenario.scenario_code: scenario for scenario in inputs.settings.scenarios}
    rows: Rows = {
        INSTRUCTIONS_STEP.name: steps,
        WHOLE_COST.name: [whole_cost_row(planning, scenarios[code], own, steps) for code, own in task.plans.items()],
    }
    return rows if task.cheapest is None else rows | _rows_of_cheapest_mix(inputs, task, task.cheapest, planning)


def _rows_of_cheapest_mix(
    inputs: WorkspaceInputs, task: ModelTask, cheapest: PublishedPlan, planning: ModelPlanning
) -> Rows:
    """Rows by table about the plan of SCENARIO; none where its offers are not on the market."""
    candidates = planning.candidates(cheapest.scenario)
    plan = cheapest.plan(planning, candidates)
    if plan is None:
        return {}
    book = planning.book
    near_vendors = _near_vendors(plan, candidates, book)
    near = candidates.of_vendors(candidates.orders_with(near_vendors))
    near_offers = task.market.filter(pl.col("vendor_code").is_in(near_vendors))
    known = known_prices(task.last_seen, task.summaries, inputs, task.day, task.buyer)
    question = sensitivity_question(cheapest, {code: _with_order_codes(own) for code, own in task.plans.items()})
    prices = PricesOnDate(task.market, task.last_seen, task.summaries)
    return {
        **maker_rows(cheapest, plan, candidates, near, book),
        LINE_COST.name: line_cost_rows(inputs, cheapest, planning, plan, candidates, near),
        COPY_COST.name: copy_cost_rows(inputs, cheapest, near_offers, known),
        SENSITIVITY.name: sensitivity_rows(inputs, question, cheapest, prices),
    }


def _with_order_codes(rows: Mapping[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    return {name: with_order_codes(frame) if name in BY_ORDER else frame for name, frame in rows.items()}


def _near_vendors(plan: PurchasePlan, candidates: Candidates, book: TermsBook) -> list[str]:
    """The vendors with which more is spent at the maker's shop, or more copies are bought: a shortlist and makers' shops."""
    makers = [code for code in candidates.vendor_codes if book.vendors[code].vendor_kind == "maker"]
    return vendors_of({*shortlisted(plan, candidates, book).vendor_codes, *makers})
