"""Plans in which only some flexibility counts: colours alone, forms alone, or a few more lines than are decided."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction

import polars as pl

from pipelines.costing.landed_cost import work_out
from pipelines.costing.several_orders import vendor_of
from pipelines.costing.terms_on import TermsBook
from pipelines.demand.fitting import PORTION_KEY
from pipelines.errors import PlanRefusedError
from pipelines.inputs import Model, WorkspaceInputs, decisions_on, with_elements
from pipelines.insight.replanning.published_plans import PublishedPlan
from pipelines.money import Interval, cost_interval, currency_digits, round_down, round_money
from pipelines.planner import solve
from pipelines.planner.statement.problem import Problem
from pipelines.planning.candidates import Candidates
from pipelines.planning.purchase_plan import PurchasePlan, as_solution, plan_of
from pipelines.planning.scenarios import ModelPlanning
from pipelines.settings import Scenario
from schemas.inputs.models import FLEXIBLE_LINES
from schemas.validate import require_valid

EFFORT = "standard"
"""With less effort, a saving of a few cents comes out as none; with few vendors even this takes little time."""


@dataclass(frozen=True)
class FlexibilityCost:
    """What a plan costs in which some flexibility counts, in the buyer's currency.

    ``lower_bound``: no plan of any vendors that lacks no more pieces has a lower landed cost; None where no bound is known.
    """

    landed_cost: Decimal
    unfilled_piece_count: int
    unfilled_estimate: Decimal
    lower_bound: Decimal | None = None

    @property
    def complete_cost(self) -> Decimal:
        """The landed cost and the estimate for missing pieces."""
        return self.landed_cost + self.unfilled_estimate

    @property
    def range(self) -> Interval | None:
        """Between which the best possible complete cost lies; None where no bound is known."""
        return None if self.lower_bound is None else cost_interval(vars(self))


class FlexiblePlanner:
    """Makes plans between a model's two published plans, listed and flexible.

    It plans once for each of a few sets of vendors and keeps the cheapest. With few vendors a plan is found quickly and is
    the best possible among them, or nearly. A lower bound comes from all vendors.

    Args:
        inputs: the workspace.
        published: the flexible plan, with the rows of the listed plan.
        planning: of the model.
    """

    def __init__(self, inputs: WorkspaceInputs, published: PublishedPlan, planning: ModelPlanning) -> None:
        self._inputs, self._published, self._planning = inputs, published, planning
        self._estimates = _estimates(published)

    def cost(
        self, scenario: Scenario, known: Iterable[PurchasePlan], vendor_sets: Iterable[frozenset[str]]
    ) -> FlexibilityCost | None:
        """The cheapest plan found under a scenario's rules; None where there is none.

        Args:
            scenario: the rules.
            known: plans to start from, where they keep the rules.
            vendor_sets: who may be ordered from.
        """
        return self._cheapest(self._planning, scenario, known, vendor_sets)

    def cost_with_flexible(
        self, line_numbers: Collection[int], known: Iterable[PurchasePlan], vendor_sets: Iterable[frozenset[str]]
    ) -> FlexibilityCost | None:
        """The cheapest plan found under the published scenario if some more lines could take any colour."""
        model = with_any_colour(self._published.model, line_numbers, self._published)
        planning = replace(self._published, model=model).planning(self._inputs)
        return self._cheapest(planning, self._published.scenario, known, vendor_sets)

    def _cheapest(
        self,
        planning: ModelPlanning,
        scenario: Scenario,
        known: Iterable[PurchasePlan],
        vendor_sets: Iterable[frozenset[str]],
    ) -> FlexibilityCost | None:
        everyone = planning.candidates(scenario)
        fits = [plan for plan in known if as_solution(plan, everyone, scenario) is not None]
        best = min(fits, key=lambda plan: plan.rank, default=None)
        orders = dict.fromkeys(tuple(everyone.orders_with({*map(vendor_of, codes)})) for codes in vendor_sets)
        markets = [everyone.of_vendors(codes) for codes in orders]
        planned: list[set[str]] = []
        for (missing, bound), market in _bounded(markets, planning.book, scenario):
            # A set needs no plan if its bound is no better, or if it is part of a set already planned.
            if best is not None and (missing, bound) >= best.rank[:2]:
                continue
            if any(codes.issuperset(market.vendor_codes) for codes in planned):
                continue
            planned.append({*market.vendor_codes})
            found = _plan(market, planning.book, scenario, fits)
            best = min([plan for plan in (best, found) if plan], key=lambda plan: plan.rank, default=None)
        return None if best is None else self._bounded(self._priced(best), everyone.problem(planning.book, scenario))

    def _bounded(self, cost: FlexibilityCost, problem: Problem) -> FlexibilityCost:
        """The cost with the bound of the linear relaxation among all vendors, where plans need to lack no fewer pieces."""
        if problem.penalties.parcel or problem.penalties.preferred_vendors or not problem.uses.height:
            return cost
        missing, bound = solve.first_bound(problem)
        if missing != cost.unfilled_piece_count:
            return cost
        return replace(cost, lower_bound=round_down(bound, currency_digits(self._published.buyer.currency_code)))

    def _priced(self, plan: PurchasePlan) -> FlexibilityCost:
        landed = work_out(plan.purchases, self._planning.book.vendors).total
        missing = plan.pieces_missing
        estimate = sum(
            (self._estimates.get(portion, Fraction(0)) * count for portion, count in missing.items()), Fraction(0)
        )
        rounded = round_money(estimate, self._published.buyer.currency_code)
        return FlexibilityCost(landed, sum(missing.values()), rounded)


def _bounded(
    markets: Iterable[Candidates], book: TermsBook, scenario: Scenario
) -> list[tuple[tuple[int, Fraction], Candidates]]:
    """Markets that have offers, each with the least that a plan there lacks and costs, the most promising first."""
    found = []
    for number, market in enumerate(market for market in markets if market.uses.height):
        found.append((solve.first_bound(market.problem(book, scenario)), number, market))
    return [(least, market) for least, _, market in sorted(found, key=lambda each: each[:2])]


def _plan(found: Candidates, book: TermsBook, scenario: Scenario, known: Iterable[PurchasePlan]) -> PurchasePlan | None:
    """A plan from some candidates only; None where the rules allow none or it fails a check."""
    fits = [(plan.rank, start) for plan in known if (start := as_solution(plan, found, scenario)) is not None]
    start = min(fits, key=lambda pair: pair[0])[1] if fits else None
    try:
        plan = plan_of(found, solve.solve(found.problem(book, scenario), EFFORT, start))
    except PlanRefusedError:
        return None
    landed_cost = work_out(plan.purchases, book.vendors)
    return None if landed_cost.broken_rules or landed_cost.exact_cost != plan.cost else plan


def _estimates(published: PublishedPlan) -> Mapping[tuple[int, int], Fraction]:
    rows = pl.concat([published.rows["unfilled_line"], published.listed["unfilled_line"]]).drop_nulls(
        "estimated_unit_price"
    )
    return {
        (line, portion): Fraction(price)
        for line, portion, price in rows.select(*PORTION_KEY, "estimated_unit_price").iter_rows()
    }


def with_any_colour(model: Model, line_numbers: Collection[int], published: PublishedPlan) -> Model:
    """The model as if it had been decided on the priced date that some lines may take any colour, whole."""
    lines = sorted(line_numbers)
    day = published.day.isoformat()
    text = {
        "line_number": [str(number) for number in lines],
        "colour_rule": ["any"] * len(lines),
        "decided_on": [day] * len(lines),
    }
    decided = require_valid(
        FLEXIBLE_LINES, pl.DataFrame(text, schema=dict.fromkeys(text, pl.String)), where=FLEXIBLE_LINES.name
    )
    others = decisions_on(model, published.day).rows.filter(~pl.col("line_number").is_in(lines))
    return replace(model, flexible_lines=pl.concat([others, with_elements(model, decided).select(others.columns)]))
