"""The maker's order first, then the rest with independents.

The maker's order fills as many pieces as its shop can, at the least cost. Of orders that are equal in that, the one counts that
leaves the cheapest rest: which portions get a piece that several could use, and in which colour a group is begun, is decided by
what is left to buy elsewhere.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Protocol

import numpy as np
import polars as pl

from pipelines.costing.terms import VendorTerms
from pipelines.costing.terms_on import TermsBook
from pipelines.demand.fitting import PORTION_KEY
from pipelines.errors import PlanRefusedError
from pipelines.planner import solve
from pipelines.planner.statement.problem import STEP_SCHEMA, Problem, Solution
from pipelines.planning.candidates import Candidates, Portion
from pipelines.planning.purchase_plan import ALLOCATION_SCHEMA, PurchasePlan, joined
from pipelines.settings import Scenario

DIRECT = ""
"""The combination code of a piece that fills a portion by itself."""


class Planner(Protocol):
    """What plans are made with."""

    book: TermsBook

    def plan_candidates(self, found: Candidates, scenario: Scenario) -> PurchasePlan:
        """A plan of some candidates under a scenario's rules."""

    def solve_problem(self, problem: Problem) -> Solution:
        """A solution of a problem."""


@dataclass(frozen=True)
class MakerFirst:
    """The two stages of one scenario.

    Attributes:
        planner: makes the plans.
        found: the scenario's candidates.
        order: those of them that are bought at the maker's shop first.
        independents: those of independents.
        scenario: the rules.
    """

    planner: Planner
    found: Candidates
    order: Candidates
    independents: Candidates
    scenario: Scenario

    def planned(self) -> PurchasePlan:
        """Both stages; then once more without what stays unfilled that way.

        Independents may be unable to complete a colour begun at the maker's shop, or a remainder. So if pieces stay unfilled, the
        plan is made again with their lines and colour groups left to the independents, and the better plan is taken.
        """
        plan = self._two_stages(self.order)
        stuck = _stuck(self.found, plan)
        order = self.order
        eased = order.with_quantities({portion: n for portion, n in order.needed.items() if portion not in stuck})
        if not stuck or not eased.uses.height:
            return plan
        try:
            return min(plan, self._two_stages(eased), key=lambda plan: plan.rank)
        except PlanRefusedError:  # what is left for the maker's shop has no use for some forced vendor
            return plan

    def _two_stages(self, order: Candidates) -> PurchasePlan:
        """The best of the plans that begin with one of the equally good orders at the maker's shop.

        The lower bound is the sum of both stages' bounds: what the rule as defined can reach, given what that order left.
        """
        first = self.planner.plan_candidates(order, self._rules_at_maker)
        begins = [first, *self._in_other_colours(order, first)]
        begins += [other for each in begins for other in self._with_other_portions(order, each)]
        return min((self._with_the_rest(order, each) for each in begins), key=lambda plan: plan.rank)

    @cached_property
    def _makers(self) -> set[str]:
        return {code for code, terms in self.planner.book.vendors.items() if terms.vendor_kind == "maker"}

    @cached_property
    def _rules_at_maker(self) -> Scenario:
        forced = [code for code in self.scenario.forced_vendors if code in self._makers]
        return self.scenario.model_copy(update={"forced_vendors": forced})

    @cached_property
    def _forced_elsewhere(self) -> list[str]:
        return [code for code in self.scenario.forced_vendors if code not in self._makers]

    def _with_the_rest(self, order: Candidates, first: PurchasePlan) -> PurchasePlan:
        """The second stage: a colour group that the maker's order began stays in its colour."""
        filled = {portion: n - first.pieces_missing.get(portion, 0) for portion, n in order.needed.items()}
        left = {portion: n - filled.get(portion, 0) for portion, n in self.found.needed.items()}
        others, vendors_left = self.independents, self.scenario.maximum_vendor_count
        if vendors_left is not None:
            vendors_left -= first.vendor_count
            others = others if vendors_left else others.of_vendors([])
        rest = _in_the_groups_colours(others, first).with_quantities(left)
        rules = self.scenario.model_copy(
            update={"maximum_vendor_count": vendors_left or None, "forced_vendors": self._forced_elsewhere}
        )
        return joined(first, self.planner.plan_candidates(rest, rules), self.found.portions)

    def _in_other_colours(self, order: Candidates, first: PurchasePlan) -> Iterator[PurchasePlan]:
        """Orders as good as the first that begin one of its colour groups, of which something is left, in another colour."""
        group_of = dict(zip(self.found.needed, self.found.portions["group_code"].to_list(), strict=True))
        begun = {group_of[row[:2]]: row[5] for row in first.allocation_rows if group_of[row[:2]]}
        missing = {portion for portion in self.found.needed if portion not in order.needed} | set(first.pieces_missing)
        for group in sorted({group_of[portion] for portion in missing} & set(begun)):
            is_of_group = np.array([each == group for each in order.portions["group_code"].to_list()])
            of_group = is_of_group[order.uses["portion_index"].to_numpy()]
            colour = order.uses["colour_code"].to_numpy()
            for other in sorted(set(colour[of_group]) - {begun[group]}):
                found = order.with_those_uses(~of_group | (colour == other))
                if self._may_be_as_good(found, first):
                    plan = self.planner.plan_candidates(found, self._rules_at_maker)
                    if plan.rank[:2] == first.rank[:2]:
                        yield plan

    def _may_be_as_good(self, order: Candidates, first: PurchasePlan) -> bool:
        """Whether one linear program leaves it open that an order fills as many pieces as the first and costs no more."""
        if not order.uses.height:
            return True
        missing, bound = solve.first_bound(order.problem(self.planner.book, self._rules_at_maker))
        return (missing, bound) <= first.rank[:2]

    def _with_other_portions(self, order: Candidates, first: PurchasePlan) -> Iterator[PurchasePlan]:
        """The same order with its pieces given to the portions that are dearest elsewhere.

        The pieces count as bought: a problem of them, free of cost, and of the independents' offers says where they save most.
        Combinations keep their pieces.
        """
        rows = [row for row in first.allocation_rows if row[3] == DIRECT]
        pieces: dict[str, int] = {}
        for row in rows:
            pieces[row[2]] = pieces.get(row[2], 0) + row[6]
        filled_by = {(row[2], row[:2]) for row in rows}
        portions, offer_ids = list(order.needed), order.offers["offer_id"].to_list()
        uses = order.uses.filter(pl.col("combination_code") == DIRECT).select("portion_index", "offer_index").rows()
        could_take = {(offer_ids[offer], portions[portion]) for portion, offer in uses}
        if not any(offer in pieces and portion in first.pieces_missing for offer, portion in could_take - filled_by):
            return
        problem, choice = self._problem_of_bought(order, first, pieces)
        found = self.planner.solve_problem(problem)
        ids, lines = choice.offers["offer_id"].to_list(), list(choice.needed)
        vendor, colour = choice.offers["vendor_code"].to_list(), choice.offers["colour_code"].to_list()
        given = [
            (*lines[portion], ids[offer], DIRECT, "", colour[offer], quantity)
            for portion, offer, quantity in found.allocations.select("portion_index", "offer_index", "quantity").rows()
            if vendor[offer] in set(order.vendor_codes)
        ]
        if sum(row[6] for row in given) == sum(pieces.values()):  # else a piece is better left: then the rule decides
            yield _with_allocations(first, [row for row in first.allocation_rows if row[3] != DIRECT] + given)

    def _problem_of_bought(
        self, order: Candidates, first: PurchasePlan, pieces: dict[str, int]
    ) -> tuple[Problem, Candidates]:
        """What the maker's pieces and the independents can fill, the former at no cost, and its candidates."""
        makers = set(order.vendor_codes)
        offers, portions = self.found.offers, list(self.found.needed)
        ids, vendor = offers["offer_id"].to_list(), offers["vendor_code"].to_list()
        independent = set(self.independents.vendor_codes)
        uses = self.found.uses.select("portion_index", "offer_index", "combination_code").rows()
        choice = _in_the_groups_colours(
            self.found.with_those_uses(
                np.array(
                    [
                        vendor[offer] in independent
                        or (ids[offer] in pieces and combination == DIRECT and portions[portion] in order.needed)
                        for portion, offer, combination in uses
                    ],
                    dtype=bool,
                )
            ),
            first,
        )
        direct = dict.fromkeys(self.found.needed, 0)
        for row in first.allocation_rows:
            if row[3] == DIRECT:
                direct[row[:2]] += row[6]
        combined = {p: n - first.pieces_missing.get(p, 0) - direct[p] for p, n in order.needed.items()}
        left = {portion: n - combined.get(portion, 0) for portion, n in self.found.needed.items()}
        choice = choice.with_quantities(left)
        rules = self.scenario.model_copy(update={"forced_vendors": self._forced_elsewhere})
        problem = choice.problem(self.planner.book, rules)
        is_maker = pl.col("vendor_code").is_in(makers)
        bought = pl.col("offer_id").replace_strict(pieces, default=None)
        free = choice.offers.filter(is_maker)["offer_index"]
        one_step = pl.DataFrame({"offer_index": free, "step_from_quantity": 1, "unit_price": 0}).cast(STEP_SCHEMA)
        own_steps = problem.offer_steps.filter(~pl.col("offer_index").is_in(free.to_list()))
        return replace(
            problem,
            offers=problem.offers.with_columns(
                quantity_available=pl.when(is_maker).then(bought).otherwise("quantity_available"),
                sold_in_multiples_of=pl.when(is_maker).then(1).otherwise("sold_in_multiples_of"),
                maximum_per_order=pl.when(~is_maker).then("maximum_per_order"),
            ).cast(problem.offers.schema),
            offer_steps=pl.concat([own_steps, one_step]).sort("offer_index", "step_from_quantity"),
            terms={
                code: VendorTerms(code, "maker", terms.currency_code, terms.buyer_currency_code, terms.rate)
                if code in makers
                else terms
                for code, terms in problem.terms.items()
            },
        ), choice


def _with_allocations(first: PurchasePlan, rows: list[tuple[int, int, str, str, str, str, int]]) -> PurchasePlan:
    """The plan with its direct pieces given to other portions."""
    missing = dict(first.pieces_missing)
    for sign, changed in ((1, first.allocation_rows), (-1, rows)):
        for row in changed:
            if row[3] == DIRECT:
                missing[row[:2]] = missing.get(row[:2], 0) + sign * row[6]
    unfilled = sorted((*portion, n) for portion, n in missing.items() if n)
    return replace(
        first,
        allocations=pl.DataFrame(sorted(rows), ALLOCATION_SCHEMA, orient="row"),
        unfilled=pl.DataFrame(unfilled, first.unfilled.schema, orient="row"),
    )


def _stuck(found: Candidates, plan: PurchasePlan) -> set[Portion]:
    """Portions that stay unfilled though they have uses, and those of their colour groups."""
    with_uses = set(found.uses["portion_index"].to_list())
    stuck = {portion for portion in plan.pieces_missing if found.portion_numbers[portion] in with_uses}
    group_of = dict(zip(found.needed, found.portions["group_code"].to_list(), strict=True))
    groups = {group_of[portion] for portion in stuck} - {""}
    return stuck | {portion for portion, group in group_of.items() if group in groups}


def _in_the_groups_colours(found: Candidates, first: PurchasePlan) -> Candidates:
    """The candidates without uses that would give a group another colour than the first plan began it in."""
    group_of = {(line, number): group for line, number, group in first.needed.select(*PORTION_KEY, "group_code").rows()}
    begun = {group_of[row[:2]]: row[5] for row in first.allocation_rows if group_of[row[:2]]}
    if not begun:
        return found
    colours = [begun.get(group) for group in found.portions["group_code"].to_list()]
    uses = zip(found.uses["portion_index"].to_list(), found.uses["colour_code"].to_list(), strict=True)
    return found.with_those_uses(np.array([colours[portion] in (None, colour) for portion, colour in uses], dtype=bool))
