"""Plans with some freedoms only: as colours alone, other forms alone, or with a few more lines freed."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction

import polars as pl

from pipelines.costing.fitting import PORTION_KEY
from pipelines.costing.planner import mip
from pipelines.costing.planning import ModelPlanning
from pipelines.costing.plans import Plan, as_solution, plan_of
from pipelines.costing.receipt import work_out
from pipelines.errors import PlanRefusedError
from pipelines.inputs import Model, WorkspaceInputs
from pipelines.insight.published_plans import PublishedPlan
from pipelines.money import round_money
from pipelines.settings import Scenario
from schemas.inputs import FREEDOMS
from schemas.validate import require_valid

EFFORT = "standard"
"""With less, totals of a few cents' freedoms come out as nothing; with few vendors it takes little."""


@dataclass(frozen=True)
class FreedomCost:
    """What a plan with some freedoms costs, in the buyer's currency; missing pieces count at their estimates."""

    landed_cost: Decimal
    unfilled_piece_count: int
    complete_cost: Decimal


class FreedomPlanner:
    """Plans around a model's two published plans, as listed and freed.

    Each is the cheapest of one per set of vendors: with few vendors a plan is found quickly and exactly, or nearly so.

    Args:
        inputs: the workspace.
        published: the freed plan, with the listed plan's rows.
        planning: of the model.
    """

    def __init__(self, inputs: WorkspaceInputs, published: PublishedPlan, planning: ModelPlanning) -> None:
        self._inputs, self._published, self._planning = inputs, published, planning
        self._estimates = _estimates(published)

    def cost(
        self, scenario: Scenario, known: Iterable[Plan], vendor_sets: Iterable[frozenset[str]]
    ) -> FreedomCost | None:
        """The cheapest plan found under a scenario's rules; None where there is none.

        Args:
            scenario: the rules.
            known: plans to start from, where they keep the rules.
            vendor_sets: who may be ordered from.
        """
        return self._cheapest(self._planning, scenario, known, vendor_sets)

    def cost_with_freed(
        self, line_numbers: Collection[int], known: Iterable[Plan], vendor_sets: Iterable[frozenset[str]]
    ) -> FreedomCost | None:
        """The same for the published scenario, some lines being judged to be free in any colour."""
        model = with_any_colour(self._published.model, line_numbers, self._published)
        planning = replace(self._published, model=model).planning(self._inputs)
        return self._cheapest(planning, self._published.scenario, known, vendor_sets)

    def _cheapest(
        self,
        planning: ModelPlanning,
        scenario: Scenario,
        known: Iterable[Plan],
        vendor_sets: Iterable[frozenset[str]],
    ) -> FreedomCost | None:
        everyone = planning.candidates(scenario)
        fits = [plan for plan in known if as_solution(plan, everyone, scenario) is not None]
        found = [plan for vendors in dict.fromkeys(vendor_sets) if (plan := _plan(planning, scenario, fits, vendors))]
        best = min([*fits, *found], key=lambda plan: plan.rank, default=None)
        return None if best is None else self._priced(best)

    def _priced(self, plan: Plan) -> FreedomCost:
        landed = work_out(plan.purchases, self._planning.book.vendors).landed_cost
        missing = plan.pieces_missing
        estimate = sum(
            (self._estimates.get(portion, Fraction(0)) * count for portion, count in missing.items()), Fraction(0)
        )
        complete = landed + round_money(estimate, self._published.buyer.currency_code)
        return FreedomCost(landed, sum(missing.values()), complete)


def _plan(planning: ModelPlanning, scenario: Scenario, known: Iterable[Plan], vendors: frozenset[str]) -> Plan | None:
    """A plan with some vendors only; None where there is none, or where planning is refused."""
    found = planning.candidates(scenario)
    found = found.of_vendors(sorted(vendors & set(found.vendor_codes)))
    if not found.uses.height:
        return None
    fits = [(plan.rank, start) for plan in known if (start := as_solution(plan, found, scenario)) is not None]
    start = min(fits, key=lambda pair: pair[0])[1] if fits else None
    try:
        plan = plan_of(found, mip.solve(found.problem(planning.book, scenario), EFFORT, start))
    except PlanRefusedError:
        return None
    receipt = work_out(plan.purchases, planning.book.vendors)
    return None if receipt.broken_rules or receipt.exact_cost != plan.cost else plan


def _estimates(published: PublishedPlan) -> Mapping[tuple[int, int], Fraction]:
    rows = pl.concat([published.rows["unfilled_line"], published.listed["unfilled_line"]]).drop_nulls(
        "estimated_unit_price"
    )
    return {
        (line, portion): Fraction(price)
        for line, portion, price in rows.select(*PORTION_KEY, "estimated_unit_price").iter_rows()
    }


def with_any_colour(model: Model, line_numbers: Collection[int], published: PublishedPlan) -> Model:
    """The model with some lines judged on the priced date: any colour for all their pieces."""
    wanted = sorted(line_numbers)
    day = published.day.isoformat()
    text = {
        "line_number": [str(number) for number in wanted],
        "colour_rule": ["any"] * len(wanted),
        "judged_on": [day] * len(wanted),
    }
    judged = require_valid(FREEDOMS, pl.DataFrame(text, schema=dict.fromkeys(text, pl.String)), where=FREEDOMS.name)
    others = model.freedoms.filter(~pl.col("line_number").is_in(wanted))
    return replace(model, freedoms=pl.concat([others, judged.select(others.columns)]))
