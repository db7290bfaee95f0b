"""What models want and what may serve it, worked out once for all the dates, buyers and scenarios for which it is the same."""

from __future__ import annotations

from datetime import date
from weakref import WeakKeyDictionary

import polars as pl

from pipelines.costing import demand
from pipelines.costing.fitting import fitting_elements
from pipelines.inputs import Model, WorkspaceInputs

_known: WeakKeyDictionary[WorkspaceInputs, Wanted] = WeakKeyDictionary()


def wanted_of(inputs: WorkspaceInputs) -> Wanted:
    """What is known of a workspace's models, the same for as long as the workspace's inputs are in use."""
    return _known.setdefault(inputs, Wanted(inputs.tables))


class Wanted:
    """Portions and fitting elements by model and by the last date on which they changed. Frames are shared: leave them as they are."""

    def __init__(self, tables: dict[str, pl.DataFrame]) -> None:
        self._tables = tables
        self._portions: dict[tuple[Model, date | None, bool], pl.DataFrame] = {}
        self._fits: dict[tuple[Model, date | None, bool, date | None, bool], pl.DataFrame] = {}
        self._form_dates = sorted(
            {on for name in ("interchange", "make_ups") for on in tables[name]["valid_from_on"].unique().to_list()}
        )

    def portions(self, model: Model, day: date, use_freedoms: bool) -> pl.DataFrame:
        """As ``demand.portions_on``."""
        key = (model, demand.latest_change(model, day), use_freedoms)
        if key not in self._portions:
            self._portions[key] = demand.portions_on(model, day, use_freedoms)
        return self._portions[key]

    def fits(self, model: Model, day: date, use_freedoms: bool, use_interchange: bool) -> pl.DataFrame:
        """As ``fitting.fitting_elements`` of the model's portions."""
        forms_changed = max((on for on in self._form_dates if on <= day), default=None)
        key = (model, demand.latest_change(model, day), use_freedoms, forms_changed, use_interchange)
        if key not in self._fits:
            portions = self.portions(model, day, use_freedoms)
            self._fits[key] = fitting_elements(portions, self._tables, day, use_interchange=use_interchange)
        return self._fits[key]
