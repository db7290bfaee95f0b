"""What the model costs with each kind of flexibility, and between which amounts the saving of each lies."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from typing import Any

from pipelines.inputs import WorkspaceInputs
from pipelines.insight.flexibility.flexible_plans import FlexibilityCost, FlexiblePlanner
from pipelines.insight.flexibility.model_games import ModelGames
from pipelines.insight.flexibility.part_flexibility import contains, have_equal_terms
from pipelines.insight.flexibility.portion_costs import Flexibility
from pipelines.insight.flexibility.priced_uses import COLOUR
from pipelines.insight.replanning.published_plans import PublishedPlan
from pipelines.money import Interval
from pipelines.planning.purchase_plan import PurchasePlan
from pipelines.planning.scenarios import ModelPlanning
from pipelines.settings import Scenario

FIRST_LOOKS = 10
"""First lines of the look-first list with which a plan is made, to see how good the estimate is."""


class TotalCosts:
    """Costs with each kind of flexibility: as listed and both are the published plans, the others are planned here.

    Args:
        inputs: the workspace.
        published: the flexible plan, with the rows of the listed plan.
        planning: of the model.
        listed: the scenario in which no flexibility counts.
        games: of the model.
        known: the published plans that are among today's offers.
    """

    def __init__(
        self,
        inputs: WorkspaceInputs,
        published: PublishedPlan,
        planning: ModelPlanning,
        listed: Scenario,
        games: ModelGames,
        known: Sequence[PurchasePlan],
    ) -> None:
        self._published, self._planning, self._games, self._known = published, planning, games, known
        self._listed_rules = listed
        self._planner = FlexiblePlanner(inputs, published, planning)
        self._vendors = [frozenset(plan.purchases["vendor_code"]) for plan in known]
        self.listed, self.flexible = (
            _published_cost(rows["model_cost"].row(0, named=True)) for rows in (published.listed, published.rows)
        )

    def of_each_kind(self) -> dict[str, FlexibilityCost]:
        """By flexibility_allowed, but for first_looks. A cost is missing where no plan was found.

        The plans of colours alone and of forms alone are among few vendors, so that their cost is too high at most. At the
        other end stand two bounds that hold for all vendors: of their own linear relaxation, and of the flexible plan, because
        no plan with less flexibility costs less.
        """
        found = {"none": self.listed, "both": self.flexible}
        for allowed, change, players in (
            ("colour", {"use_flexibility": True}, self._games.costs.colours_allowed),
            ("substitutes", {"use_substitutes": True}, self._games.costs.forms_allowed),
        ):
            rules = self._listed_rules.model_copy(update=change)
            is_dearer = self.listed.complete_cost >= self.flexible.complete_cost  # else it lacks more pieces: see below
            if is_dearer and self._allow_the_same(rules, self._listed_rules):
                found[allowed] = self.listed
                continue
            cost = self._planner.cost(rules, self._known, [*self._vendors, self._cheapest_vendors(players)])
            if cost is None:
                continue
            if cost.complete_cost < self.flexible.complete_cost:
                # Less flexibility is never cheaper: a cheaper plan only shows the flexible plan's gap.
                cost = replace(self.flexible, lower_bound=None)
            if cost.unfilled_piece_count == self.flexible.unfilled_piece_count and self._flexible_contains(rules):
                bounds = [each for each in (cost.lower_bound, self.flexible.lower_bound) if each is not None]
                cost = replace(cost, lower_bound=max(bounds, default=None))
            found[allowed] = cost
        return found

    def with_first_looks(self, line_numbers: Sequence[int], players: Sequence[Flexibility]) -> FlexibilityCost | None:
        """The cost if some more lines could take any colour; None where no plan was found.

        Args:
            line_numbers: of these lines.
            players: the flexibility that counts already.
        """
        flexible = [*players, *((line, COLOUR) for line in line_numbers)]
        vendors = [*self._vendors, self._cheapest_vendors(flexible)]
        return self._planner.cost_with_flexible(line_numbers, self._known, vendors)

    def saving_range(self, cost: FlexibilityCost) -> Interval | None:
        """Between which amounts lies what a kind of flexibility saves in complete cost; None where that is not known.

        Every plan as listed is one with more flexibility, where the scenarios differ in nothing else. So where both lack as
        many pieces the saving is at least 0, and what the bounds leave below 0 is cut off.
        """
        if cost is self.listed:
            return Interval(Decimal(0), Decimal(0))
        before, after = self.listed.range, cost.range
        if before is None or after is None or cost.complete_cost > self.listed.complete_cost:
            return None
        found = before - after
        is_nested = cost.unfilled_piece_count == self.listed.unfilled_piece_count and self._flexible_contains(
            self._listed_rules
        )
        return Interval(max(Decimal(0), found.low), found.high) if is_nested else found

    def _allow_the_same(self, rules: Scenario, others: Scenario) -> bool:
        """Whether the same plans are possible under both: what one allows beyond the other is not needed or not on offer."""
        ours, theirs = self._planning.candidates(rules), self._planning.candidates(others)
        return have_equal_terms(rules, others) and contains(ours, theirs) and contains(theirs, ours)

    def _flexible_contains(self, rules: Scenario) -> bool:
        """Whether every plan under some rules is one under the flexible scenario's."""
        flexible = self._published.scenario
        return have_equal_terms(rules, flexible) and contains(
            self._planning.candidates(flexible), self._planning.candidates(rules)
        )

    def _cheapest_vendors(self, flexible: Sequence[Flexibility]) -> frozenset[str]:
        """The vendors of the mix that is cheapest under some flexibility."""
        mix = int(self._games.game([], flexible).fixed.argmin())
        used = self._games.mixes.sets.masks[mix]
        return frozenset(
            code for code, is_used in zip(self._games.costs.uses.vendor_codes, used, strict=True) if is_used
        )


def _published_cost(row: Mapping[str, Any]) -> FlexibilityCost:
    return FlexibilityCost(
        row["landed_cost"], row["unfilled_piece_count"], row["unfilled_estimate"], row["lower_bound"]
    )
