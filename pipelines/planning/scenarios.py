"""All scenarios of one model for one buyer on one date: what to buy, from whom, and what it costs.

Scenarios share their candidates. Those with less flexibility are planned first. Each later one starts from the best known plan
that keeps its rules, and where a known plan is better than what is found, it is taken. So more flexibility never costs more
at equal fill: a plan under narrower rules is a plan under wider ones.

Scenarios that differ in their vendors alone go the other way: the one with the most vendors is planned first. Where its plan
uses no vendor that another scenario lacks, it is the other's plan too, with the same bound, for fewer vendors can't do better.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cached_property

import polars as pl

from pipelines.costing.landed_cost import LandedCost, work_out
from pipelines.costing.order_penalties import penalties_under
from pipelines.costing.terms_on import TermsBook, terms_on
from pipelines.demand.demand_by_date import demand_of
from pipelines.demand.fitting import PORTION_KEY
from pipelines.errors import PlanRefusedError
from pipelines.inputs import Model, WorkspaceInputs
from pipelines.planner import solve
from pipelines.planner.statement.problem import Problem, Solution
from pipelines.planning import plan_tables
from pipelines.planning.candidates import (
    OFFER_KEY,
    Candidates,
    buyable_steps,
    candidates_among,
    steps_under_terms,
    why_forbidden,
)
from pipelines.planning.estimates import estimates, known_prices
from pipelines.planning.maker_first import MakerFirst
from pipelines.planning.plan_check import faults
from pipelines.planning.plan_tables import CheckedPlan, PlanContext, Tables
from pipelines.planning.purchase_plan import PurchasePlan, as_solution, nothing_bought, plan_of
from pipelines.planning.remedies import remedies
from pipelines.settings import Buyer, Scenario

TWO_STAGE_RULES = ("marked", "all_it_has")
_CHOOSES_VENDORS = {
    "scenario_code": "",
    "title": "",
    "maker": "none",
    "independents": True,
    "forbidden_vendors": [],
    "only_vendors": [],
}
"""The settings of a scenario that only decide which vendors it may use, at one value each."""


@dataclass(frozen=True)
class PlannedModel:
    """The plans of a model's scenarios for one buyer and date.

    Attributes:
        tables: model_cost, plan_vendor, plan_purchase, plan_line, unfilled_line, not yet checked against their contracts.
        notes: remarks for people by scenario code.
        hit_time_limit: a safety limit on time was met: the plans may differ next time and must not be kept.
    """

    tables: Tables
    notes: dict[str, tuple[str, ...]]
    hit_time_limit: bool


def plan_model(
    inputs: WorkspaceInputs,
    model: Model,
    day: date,
    buyer: Buyer,
    market: pl.DataFrame,
    last_seen: pl.DataFrame,
    summaries: pl.DataFrame,
    effort: str,
    with_advice: bool = True,
    scenario_codes: Collection[str] | None = None,
) -> PlannedModel:
    """Plan scenarios of the settings for one model.

    Args:
        inputs: the workspace.
        model: one of its models; its parts list must have a version on the day.
        day: the date whose prices, terms, rates, lists and decisions count.
        buyer: one of the settings' buyers.
        market: PRICE_HISTORY columns and ``is_suspect``: what can be bought on the day.
        last_seen: PRICE_HISTORY columns: the latest price of every offer, for estimates.
        summaries: PRICE_SUMMARY, for estimates.
        effort: quick, standard or deep.
        with_advice: whether remedies for unfilled lines are looked for; of use only while one can still buy.
        scenario_codes: which scenarios; all by default.

    Raises:
        InputError: the model's amendments make no sense.
    """
    scenarios = [
        scenario
        for scenario in inputs.settings.scenarios
        if scenario_codes is None or scenario.scenario_code in scenario_codes
    ]
    planning = ModelPlanning(inputs, model, day, buyer, market, effort, with_advice)
    return planning.planned(scenarios, last_seen, summaries)


class ModelPlanning:
    """What the scenarios of one model, buyer and date share."""

    def __init__(
        self,
        inputs: WorkspaceInputs,
        model: Model,
        day: date,
        buyer: Buyer,
        market: pl.DataFrame,
        effort: str,
        with_advice: bool,
    ) -> None:
        self.inputs, self.model, self.day, self.buyer = inputs, model, day, buyer
        self.market, self.effort, self.with_advice = market, effort, with_advice
        self.book: TermsBook = terms_on(inputs, day, buyer)
        self._needed = demand_of(inputs)
        self._candidates: dict[str, Candidates] = {}
        self._of_some_vendors: dict[tuple[int, tuple[str, ...]], tuple[Candidates, Candidates]] = {}
        self._plans: list[tuple[Problem, PurchasePlan]] = []
        self._of_all_vendors: list[tuple[Scenario, frozenset[str], PurchasePlan]] = []
        self._landed_costs: dict[int, tuple[pl.DataFrame, LandedCost]] = {}

    def planned(self, scenarios: Sequence[Scenario], last_seen: pl.DataFrame, summaries: pl.DataFrame) -> PlannedModel:
        """The plans of some scenarios."""
        plans: dict[str, PurchasePlan | PlanRefusedError] = {}
        for scenario in sorted(scenarios, key=_order_of):
            try:
                plans[scenario.scenario_code] = self._sound(scenario, self._plan(scenario, _sound_ones(plans)))
            except PlanRefusedError as refusal:
                plans[scenario.scenario_code] = refusal
        found = _sound_ones(plans)
        for scenario in scenarios:
            if not self._goes_to_the_maker_first(scenario):
                plans[scenario.scenario_code] = self._best_of(plans[scenario.scenario_code], scenario, found)
        sound = {code: plan for code, plan in plans.items() if isinstance(plan, PurchasePlan)}
        return PlannedModel(
            self._tables(scenarios, plans, last_seen, summaries),
            {code: plan.notes for code, plan in sorted(sound.items()) if plan.notes},
            any(plan.hit_time_limit for plan in sound.values()),
        )

    def portions(self, scenario: Scenario) -> pl.DataFrame:
        """What the model needs under a scenario: PORTIONS_SCHEMA."""
        return self._needed.portions(self.model, self.day, scenario.use_flexibility)

    def fits(self, scenario: Scenario) -> pl.DataFrame:
        """The elements that may fill the portions, in any condition: FIT_SCHEMA."""
        return self._needed.fits(self.model, self.day, scenario.use_flexibility, scenario.use_substitutes)

    def candidates(self, scenario: Scenario) -> Candidates:
        """The scenario's candidates, cut from those of all vendors; scenarios with equal rules share them."""
        rules = repr(
            (scenario.use_flexibility, scenario.use_substitutes, scenario.conditions, scenario.use_stock_on_hand)
        )
        if rules not in self._candidates:
            self._candidates[rules] = candidates_among(
                self.steps, self.portions(scenario), self.fits(scenario), self.inputs, scenario
            )
        everyone, allowed = self._candidates[rules], self._vendors_of(scenario)
        return self._of_vendors(everyone, [code for code in everyone.vendor_codes if code in allowed])

    def _vendors_of(self, scenario: Scenario) -> set[str]:
        """Vendors with terms that a scenario may use."""
        return {code for code, terms in self.book.vendors.items() if not why_forbidden(terms, scenario)}

    @cached_property
    def steps(self) -> pl.DataFrame:
        """The price steps that can be bought, of all vendors with terms."""
        return steps_under_terms(buyable_steps(self.market), self.book.vendors.values())

    def _of_vendors(self, found: Candidates, vendor_codes: list[str]) -> Candidates:
        """The candidates of some vendors; each set of vendors is cut once."""
        key = (id(found), tuple(vendor_codes))
        if key not in self._of_some_vendors:
            self._of_some_vendors[key] = found, found.of_vendors(vendor_codes)
        return self._of_some_vendors[key][1]

    def _of_kind(self, found: Candidates, kind: str) -> Candidates:
        return self._of_vendors(
            found, [code for code in found.vendor_codes if self.book.vendors[code].vendor_kind == kind]
        )

    def _goes_to_the_maker_first(self, scenario: Scenario) -> bool:
        return scenario.maker in TWO_STAGE_RULES and self._makers_order(self.candidates(scenario), scenario) is not None

    def _makers_order(self, found: Candidates, scenario: Scenario) -> Candidates | None:
        """What is bought at the maker's shop first; None where it has nothing of that."""
        needed = found.needed
        if scenario.maker == "marked":
            marked = set(self.model.settings.maker_lines)
            needed = {portion: quantity for portion, quantity in needed.items() if portion[0] in marked}
        order = self._of_kind(found, "maker").with_quantities(needed)
        return order if order.uses.height else None

    def _plan(self, scenario: Scenario, known: Iterable[PurchasePlan]) -> PurchasePlan:
        found = self.candidates(scenario)
        if scenario.maker not in TWO_STAGE_RULES:
            return self._solve_among_all(found, scenario, known)
        order = self._makers_order(found, scenario)
        if order is None:
            plan = self._solve_among_all(self._of_kind(found, "independent"), scenario, known)
            return replace(
                plan,
                notes=(
                    *plan.notes,
                    "the maker's shop has nothing of what is to be bought there: planned as without it",
                ),
            )
        return MakerFirst(self, found, order, self._of_kind(found, "independent"), scenario).planned()

    def _solve_among_all(self, found: Candidates, scenario: Scenario, known: Iterable[PurchasePlan]) -> PurchasePlan:
        """Plan for all vendors a scenario may use at once, unless a plan made for more vendors uses none beyond them."""
        rules, allowed = scenario.model_copy(update=_CHOOSES_VENDORS), frozenset(found.vendor_codes)
        for other_rules, more, plan in self._of_all_vendors:
            if rules == other_rules and allowed <= more and allowed.issuperset(plan.purchases["vendor_code"]):
                return plan
        self._of_all_vendors.append((rules, allowed, self._solve(found, scenario, known)))
        return self._of_all_vendors[-1][2]

    def plan_candidates(self, found: Candidates, scenario: Scenario) -> PurchasePlan:
        """Plan some candidates under a scenario's rules."""
        return self._solve(found, scenario, ())

    def solve_problem(self, problem: Problem) -> Solution:
        """Solve a problem with the night's effort."""
        return solve.solve(problem, self.effort)

    def _solve(self, found: Candidates, scenario: Scenario, known: Iterable[PurchasePlan]) -> PurchasePlan:
        """Plan one problem, from the best known plan that keeps its rules; equal problems are planned once."""
        if not found.uses.height and not scenario.forced_vendors:
            return nothing_bought(found)
        problem = found.problem(self.book, scenario)
        for other, plan in self._plans:
            if _are_alike(problem, other):
                return plan
        known = [replace(plan, penalties=problem.penalties) for plan in known]
        starts = [(plan.rank, start) for plan in known if (start := as_solution(plan, found, scenario))]
        start = min(starts, key=lambda pair: pair[0])[1] if starts else None
        self._plans.append((problem, plan_of(found, solve.solve(problem, self.effort, start))))
        return self._plans[-1][1]

    def _best_of(
        self, plan: PurchasePlan | PlanRefusedError, scenario: Scenario, known: Iterable[PurchasePlan]
    ) -> PurchasePlan | PlanRefusedError:
        """The plan, or a better known one that keeps the scenario's rules, with its own cost and the plan's bound."""
        if isinstance(plan, PlanRefusedError):
            return plan
        found = self.candidates(scenario)
        if scenario.maker in TWO_STAGE_RULES:
            found = self._of_kind(found, "independent")
        for known_plan in known:
            other = replace(known_plan, penalties=penalties_under(scenario))
            if other.rank < plan.rank and as_solution(other, found, scenario) is not None:
                is_proven = plan.is_proven and other.rank[0] == plan.rank[0]
                plan = replace(
                    other.bounded_like(plan),
                    is_proven=is_proven,
                    hit_time_limit=plan.hit_time_limit,
                    notes=plan.notes,
                )
        return plan

    def _landed_cost(self, plan: PurchasePlan) -> LandedCost:
        """The plan's landed cost; plans with the same purchases frame share it."""
        if id(plan.purchases) not in self._landed_costs:
            self._landed_costs[id(plan.purchases)] = plan.purchases, work_out(plan.purchases, self.book.vendors)
        return self._landed_costs[id(plan.purchases)][1]

    def _sound(self, scenario: Scenario, plan: PurchasePlan) -> PurchasePlan:
        problems = faults(plan, self.candidates(scenario), self._landed_cost(plan))
        if problems:
            raise PlanRefusedError(
                f"the plan failed a check: {problems[0]}",
                where=f"{self.model.model_code} {scenario.scenario_code} {self.buyer.buyer_code} {self.day}",
                next_step="report it with the workspace's inputs; place no order from it",
            )
        return plan

    def _tables(
        self,
        scenarios: Sequence[Scenario],
        plans: Mapping[str, PurchasePlan | PlanRefusedError],
        last_seen: pl.DataFrame,
        summaries: pl.DataFrame,
    ) -> Tables:
        known = known_prices(last_seen, summaries, self.inputs, self.day, self.buyer)
        checked = []
        for scenario in scenarios:
            plan, found, portions = plans[scenario.scenario_code], self.candidates(scenario), self.portions(scenario)
            refusal = "" if isinstance(plan, PurchasePlan) else plan.what
            sound = plan if isinstance(plan, PurchasePlan) else nothing_bought(found)
            missing = portions.drop("quantity").join(sound.unfilled, on=PORTION_KEY).select(portions.columns)
            ways = {}
            if self.with_advice and missing.height and not refusal:
                bought = sound.purchases.select(*OFFER_KEY, "quantity")
                ways = remedies(
                    missing,
                    bought,
                    self.market,
                    self.inputs,
                    self.day,
                    scenario,
                    self.book,
                    self.model.settings.maker_lines,
                )
            checked.append(
                CheckedPlan(
                    scenario.scenario_code,
                    sound,
                    self._landed_cost(sound),
                    portions,
                    found.on_hand,
                    estimates(missing, self.fits(scenario), known, scenario),
                    ways,
                    refusal,
                )
            )
        context = PlanContext(self.inputs, self.model, self.day, self.buyer, self.effort)
        return plan_tables.plan_tables(context, checked, self.book.vendors)


def _are_alike(first: Problem, second: Problem) -> bool:
    """Whether two problems under the same terms are equal."""
    rules, frames = (
        ("allow_spares", "maximum_vendor_count", "forced_vendors", "penalties"),
        ("portions", "offers", "offer_steps", "uses"),
    )
    return all(getattr(first, name) == getattr(second, name) for name in rules) and all(
        getattr(first, name).equals(getattr(second, name)) for name in frames
    )


def _order_of(scenario: Scenario) -> tuple[bool, bool, int, bool, bool, int, str]:
    """Less flexibility first, so that others can start from those plans; of the rest, more vendors first."""
    return (
        scenario.use_flexibility,
        scenario.use_substitutes,
        len(scenario.conditions),
        scenario.maker != "any_mix",
        bool(scenario.only_vendors),
        len(scenario.forbidden_vendors),
        scenario.scenario_code,
    )


def _sound_ones(plans: dict[str, PurchasePlan | PlanRefusedError]) -> list[PurchasePlan]:
    return [plan for _, plan in sorted(plans.items()) if isinstance(plan, PurchasePlan)]
