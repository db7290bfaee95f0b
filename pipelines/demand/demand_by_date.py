"""What models need and what may fill it, worked out once for all dates, buyers and scenarios for which it is the same."""

from __future__ import annotations

from datetime import date
from weakref import WeakKeyDictionary

import polars as pl

from pipelines.demand import model_portions
from pipelines.demand.fitting import fitting_elements
from pipelines.inputs import Model, WorkspaceInputs

_known: WeakKeyDictionary[WorkspaceInputs, Demand] = WeakKeyDictionary()


def demand_of(inputs: WorkspaceInputs) -> Demand:
    """The demand of a workspace's models; the same object for as long as the workspace's inputs are in use."""
    return _known.setdefault(inputs, Demand(inputs.tables))


class Demand:
    """Portions and fitting elements by model and by the last date on which they changed. Frames are shared: never change them."""

    def __init__(self, tables: dict[str, pl.DataFrame]) -> None:
        self._tables = tables
        self._portions: dict[tuple[Model, date | None, bool], pl.DataFrame] = {}
        self._fits: dict[tuple[Model, date | None, bool, date | None, bool], pl.DataFrame] = {}
        self._form_dates = sorted(
            {on for name in ("substitutes", "combinations") for on in tables[name]["valid_from_on"].unique().to_list()}
        )

    def portions(self, model: Model, day: date, use_flexibility: bool) -> pl.DataFrame:
        """As ``model_portions.portions_on``."""
        key = (model, model_portions.latest_change(model, day), use_flexibility)
        if key not in self._portions:
            self._portions[key] = model_portions.portions_on(model, day, use_flexibility)
        return self._portions[key]

    def fits(self, model: Model, day: date, use_flexibility: bool, use_substitutes: bool) -> pl.DataFrame:
        """As ``fitting.fitting_elements`` of the model's portions."""
        forms_changed = max((on for on in self._form_dates if on <= day), default=None)
        key = (model, model_portions.latest_change(model, day), use_flexibility, forms_changed, use_substitutes)
        if key not in self._fits:
            portions = self.portions(model, day, use_flexibility)
            self._fits[key] = fitting_elements(portions, self._tables, day, use_substitutes=use_substitutes)
        return self._fits[key]
