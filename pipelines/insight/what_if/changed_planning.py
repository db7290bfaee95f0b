"""A model planned as a refresh plans it, but under changed assumptions; the maker's order comes first where that is the rule."""

from __future__ import annotations

from datetime import date

import polars as pl

from pipelines.demand.fitting import fitting_elements
from pipelines.inputs import Model, WorkspaceInputs
from pipelines.insight.replanning.changed_assumptions import ChangedAssumptions
from pipelines.planning.purchase_plan import PurchasePlan
from pipelines.planning.scenarios import ModelPlanning
from pipelines.settings import Buyer, Scenario


class ChangedPlanning(ModelPlanning):
    """ModelPlanning of one model, buyer and date under changed assumptions.

    ``market``: PRICE_HISTORY columns and ``is_suspect``, not yet changed.
    """

    def __init__(
        self,
        inputs: WorkspaceInputs,
        model: Model,
        day: date,
        buyer: Buyer,
        market: pl.DataFrame,
        effort: str,
        changes: ChangedAssumptions,
    ) -> None:
        super().__init__(inputs, model, day, buyer, changes.in_prices(market), effort, with_advice=False)
        self.changes = changes
        self.book = changes.in_terms(self.book)

    def portions(self, scenario: Scenario) -> pl.DataFrame:
        """The model's portions under a scenario, as changed."""
        return self.changes.in_portions(super().portions(scenario))

    def fits(self, scenario: Scenario) -> pl.DataFrame:
        """The elements that may serve the changed portions."""
        return fitting_elements(
            self.portions(scenario), self.inputs.tables, self.day, use_substitutes=scenario.use_substitutes
        )

    def plan(self, scenario: Scenario) -> PurchasePlan:
        """The scenario's plan, checked. ``scenario``: the rules as changed.

        Raises:
            PlanRefusedError: no plan keeps the rules, or the plan failed a check.
        """
        return self._sound(scenario, self._plan(scenario, ()))
