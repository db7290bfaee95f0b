"""What single flexible lines save, by plans made for it: with only this line flexible, and with all but this line.

A saving is the difference of two plans, each known to be between its lower bound and its cost. So it lies between the bound of
the plan with less flexibility minus the cost of the other, and its cost minus the bound of the other.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

import polars as pl

from pipelines.costing.landed_cost import work_out
from pipelines.errors import PlanRefusedError
from pipelines.insight.flexibility.part_flexibility import PartFlexibility, contains, have_equal_terms
from pipelines.insight.flexibility.portion_costs import Flexibility
from pipelines.insight.replanning.published_plans import PublishedPlan
from pipelines.money import Interval, currency_digits, round_down, round_half_up
from pipelines.planner import solve
from pipelines.planning.candidates import Candidates
from pipelines.planning.plan_check import faults
from pipelines.planning.purchase_plan import PurchasePlan, as_solution, nothing_bought, plan_of
from pipelines.planning.scenarios import ModelPlanning
from pipelines.settings import Scenario

ALONE, LAST = "alone", "last"
PLANNED_SHARE = Fraction(9, 10)
"""Lines get plans, largest first, until together they have this share of the estimated saving."""


@dataclass(frozen=True)
class PlannedSaving:
    """What one flexibility saves in one view, by plans: the difference of their costs, and between which amounts it lies."""

    saving: Decimal
    range: Interval


PlannedSavings = dict[tuple[Flexibility, str], PlannedSaving]
"""By flexibility and view, ALONE or LAST."""


@dataclass
class _Rules:
    """What may be bought, the best plan known for it, and what plans that lack no more pieces cost at least."""

    scenario: Scenario
    candidates: Candidates
    plan: PurchasePlan
    bound: Fraction

    def offer(self, plan: PurchasePlan) -> None:
        """Take a plan that is better, where the rules allow it."""
        if plan.rank < self.plan.rank and as_solution(plan, self.candidates, self.scenario) is not None:
            self.plan = plan


class LinePlans:
    """Plans for single flexibilities of one model, buyer and date, among all vendors, at the effort of the published plans.

    Args:
        published: the flexible plan, with the rows of the listed plan.
        planning: of the model.
        listed: the scenario in which no flexibility counts.
        parts: candidates in which only some flexibility counts.
    """

    def __init__(
        self, published: PublishedPlan, planning: ModelPlanning, listed: Scenario, parts: PartFlexibility
    ) -> None:
        self._published, self._planning, self._parts = published, planning, parts
        self._listed, self._flexible = listed, published.scenario
        self._effort: str = published.rows["model_cost"]["effort"][0]
        self._digits = currency_digits(published.buyer.currency_code)
        self.hit_time_limit = False

    def savings(self, chosen: Sequence[Flexibility], listed: PurchasePlan, flexible: PurchasePlan) -> PlannedSavings:
        """What each of some flexibilities saves alone, and last.

        A saving is missing where its two plans can't be compared: they lack different pieces, or the scenarios differ in more
        than flexibility, or count parcels beside money, or lines that must be alike are listed in different colours.

        Args:
            chosen: flexibilities, the most important first.
            listed: the published plan as listed, with its exact cost and bound.
            flexible: the published flexible plan, likewise.
        """
        if not chosen or not have_equal_terms(self._listed, self._flexible):
            return {}
        ends = {
            ALONE: self._published_rules(self._listed, listed, self._published.listed),
            LAST: self._published_rules(self._flexible, flexible, self._published.rows),
        }
        rules: dict[tuple[Flexibility, str], _Rules] = {}
        for flexibility in chosen:
            for view, scenario, found in (
                (ALONE, self._listed, self._parts.with_only(flexibility)),
                (LAST, self._flexible, self._parts.with_all_but(flexibility)),
            ):
                known = [each.plan for each in (*ends.values(), *rules.values())]
                planned = self._planned(found, scenario, known)
                if planned is not None:
                    rules[flexibility, view] = planned
        _share_plans_and_bounds([*ends.values(), *rules.values()])
        found_savings: PlannedSavings = {}
        for (flexibility, view), own in rules.items():
            less, more = (ends[ALONE], own) if view == ALONE else (own, ends[LAST])
            saving = self._saving(less, more)
            if saving is not None:
                found_savings[flexibility, view] = saving
        return found_savings

    def _published_rules(self, scenario: Scenario, plan: PurchasePlan, rows: Mapping[str, pl.DataFrame]) -> _Rules:
        """A published plan. Its bound was rounded down; that of a proven one is its cost."""
        is_proven = rows["model_cost"]["plan_status"][0] == "proven"
        bound = plan.cost if is_proven else plan.lower_bound
        return _Rules(scenario, self._planning.candidates(scenario), plan, bound)

    def _planned(self, found: Candidates, scenario: Scenario, known: Iterable[PurchasePlan]) -> _Rules | None:
        """The best plan of some candidates; None where the rules allow none or it fails a check."""
        if not found.uses.height:
            plan = nothing_bought(found)
            return _Rules(scenario, found, plan, plan.lower_bound)
        fits = [(plan.rank, start) for plan in known if (start := as_solution(plan, found, scenario)) is not None]
        start = min(fits, key=lambda pair: pair[0])[1] if fits else None
        try:
            plan = plan_of(found, solve.solve(found.problem(self._planning.book, scenario), self._effort, start))
        except PlanRefusedError:
            return None
        self.hit_time_limit |= plan.hit_time_limit
        if faults(plan, found, work_out(plan.purchases, self._planning.book.vendors)):
            return None
        return _Rules(scenario, found, plan, plan.lower_bound)

    def _saving(self, less: _Rules, more: _Rules) -> PlannedSaving | None:
        """What the rules with more flexibility save.

        Every plan with less flexibility is one with more (``contains``), so the best one with more can't cost more: a saving is
        at least 0, and what the bounds leave below 0 is cut off. The ends are rounded outwards.
        """
        if less.plan.pieces_missing != more.plan.pieces_missing or not contains(more.candidates, less.candidates):
            return None
        if less.plan.cost < more.plan.cost:
            return None
        least, most = less.bound - more.plan.cost, less.plan.cost - more.bound
        return PlannedSaving(
            round_half_up(less.plan.cost - more.plan.cost, self._digits),
            Interval(max(Decimal(0), round_down(least, self._digits)), -round_down(-most, self._digits)),
        )


def _share_plans_and_bounds(rules: Sequence[_Rules]) -> None:
    """Let each have the best plan of all that its rules allow, and the highest bound that holds for it.

    So less flexibility is never cheaper. A bound holds for all plans that lack no more pieces, so also under rules that allow
    fewer of them.
    """
    plans = [each.plan for each in rules]
    for own in rules:
        for plan in plans:
            own.offer(plan)
    bounds = [each.bound for each in rules]
    for own in rules:
        for other, bound in zip(rules, bounds, strict=True):
            is_higher = bound > own.bound and other.plan.rank[0] >= own.plan.rank[0]
            if is_higher and contains(other.candidates, own.candidates):
                own.bound = bound
        own.bound = min(own.bound, own.plan.cost)


def lines_that_matter(shares: Sequence[float], most: int) -> list[int]:
    """Numbers of the players to plan, by their shares of the estimated saving: largest first, up to nine tenths of the whole."""
    whole, so_far, found = sum(shares), 0.0, list[int]()
    for number in sorted(range(len(shares)), key=lambda each: (-shares[each], each)):
        if len(found) >= most or shares[number] <= 0 or so_far >= float(PLANNED_SHARE) * whole:
            break
        found.append(number)
        so_far += shares[number]
    return found
