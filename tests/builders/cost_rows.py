"""Rows of published tables for the tests of what looks ahead: a hut, a buyer at home, and whatever a test sets."""

from datetime import date
from decimal import Decimal
from typing import Any

import polars as pl

from pipelines.inputs import Model, WorkspaceInputs
from pipelines.settings import Buyer, ListVersion, ModelSettings, Settings
from schemas.contract import Contract
from schemas.inputs.models import AMENDMENTS, FLEXIBLE_LINES, PARTS_LIST
from schemas.published.runs import INPUT_FILE
from schemas.validate import empty_frame, polars_schema

TODAY = date(2026, 11, 25)
HOME = Buyer(buyer_code="home", title="home", region_code="north", currency_code="EUR")
HUT = Model(
    ModelSettings(model_code="hut", title="Hut", versions=[ListVersion(list_version=1, released_on=date(2020, 1, 1))]),
    empty_frame(PARTS_LIST),
    empty_frame(FLEXIBLE_LINES),
    empty_frame(AMENDMENTS),
)
INPUTS = WorkspaceInputs(Settings(buyer=[HOME]), {}, (HUT,), empty_frame(INPUT_FILE))


def frame(contract: Contract, rows: Any) -> pl.DataFrame:
    """A frame of a contract; what a row leaves out is 0, false, nothing or empty text."""
    schema = polars_schema(contract)
    filled = [{name: row.get(name, _blank(kind)) for name, kind in schema.items()} for row in rows]
    return pl.DataFrame(filled, schema) if filled else empty_frame(contract)


def _blank(kind: Any) -> Any:
    if isinstance(kind, pl.Decimal):
        return Decimal(0)
    return {pl.Date: None, pl.String: "", pl.Boolean: False}.get(kind, 0)


def cost_row(on: date, cost: str, bound: str | None = None, **other: Any) -> dict[str, Any]:
    row = {
        "priced_on": on, "model_code": "hut", "scenario_code": "cheapest", "buyer_code": "home", "plan_status": "bounded",
        "complete_cost": Decimal(cost), "lower_bound": Decimal(bound or cost), "piece_count": 100, "currency_code": "EUR",
    }  # fmt: skip
    return row | other
