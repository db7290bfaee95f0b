"""Plans of a small workspace, and their sums checked."""

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

import polars as pl
import pytest

from pipelines.planner import solve
from pipelines.planning.scenarios import plan_model
from schemas.published.plans import MODEL_COST, PLAN_LINE, PLAN_PURCHASE, PLAN_VENDOR, UNFILLED_LINE
from schemas.validate import validate_typed
from tests.builders.markets import (
    BUYER,
    DAY,
    make_inputs,
    make_summaries,
    vendor,
)

ORDER = ["vendor_code", "order_number"]


CONTRACTS = (MODEL_COST, PLAN_VENDOR, PLAN_PURCHASE, PLAN_LINE, UNFILLED_LINE)


def planned(
    model: Any,
    market: Any,
    day: Any = DAY,
    buyer: Any = BUYER,
    last_seen: Any = None,
    scenarios: Sequence[Any] = (),
    **tables: Any,
) -> Any:
    inputs = make_inputs((model,), (buyer,), scenarios, **tables)
    seen = market if last_seen is None else last_seen
    found = plan_model(inputs, model, day, buyer, market, seen, make_summaries(), "standard")
    assert list(found.tables) == [contract.name for contract in CONTRACTS]
    for contract in CONTRACTS:
        assert validate_typed(contract, found.tables[contract.name], where="test").equals(found.tables[contract.name])
    check_sums(found.tables)
    return found


def check_sums(tables: Any) -> None:
    """What must add up in any plan."""
    cost, vendors, purchases = tables["model_cost"], tables["plan_vendor"], tables["plan_purchase"]
    lines, unfilled = tables["plan_line"], tables["unfilled_line"]
    for row in cost.iter_rows(named=True):
        of = pl.col("scenario_code") == row["scenario_code"]
        parts = ("goods", "shipping", "handling", "tax")
        assert row["landed_cost"] == sum(row[part] for part in parts)
        for part in (*parts, "landed_cost"):
            assert row[part] == sum(vendors.filter(of)[part], Decimal(0)), part
        assert row["vendor_count"] == vendors.filter(of).height == purchases.filter(of).n_unique(ORDER)
        assert row["complete_cost"] == row["landed_cost"] + row["unfilled_estimate"]
        assert row["unfilled_estimate"] == sum(unfilled.filter(of)["unfilled_estimate"], Decimal(0))
        assert row["unfilled_piece_count"] == unfilled.filter(of)["unfilled_piece_count"].sum()
        assert row["spare_piece_count"] == purchases.filter(of)["spare_piece_count"].sum()
        assert row["lower_bound"] <= row["landed_cost"]
        assert row["gap_pct"] >= 0
        assert vendors.filter(of)["bought_piece_count"].sum() == purchases.filter(of)["bought_piece_count"].sum()
        bought = lines.filter(of & (pl.col("vendor_code") != ""))
        assert bought["quantity"].sum() == purchases.filter(of)["used_piece_count"].sum()
        on_hand = lines.filter(of & (pl.col("vendor_code") == ""))
        assert on_hand["quantity"].sum() == row["on_hand_piece_count"]
        if not lines.filter(of & (pl.col("combination_code") != "")).height:
            assert row["piece_count"] == lines.filter(of)["quantity"].sum() + row["unfilled_piece_count"]
        assert (row["plan_status"] in ("partial", "refused")) == (row["unfilled_piece_count"] > 0)


def costs(found: Any) -> Any:
    return dict(found.tables["model_cost"].select("scenario_code", "landed_cost").iter_rows())


def only(found: Any, scenario: str = "flexible", table: str = "model_cost") -> Any:
    rows = found.tables[table].filter(pl.col("scenario_code") == scenario).to_dicts()
    return rows[0] if table == "model_cost" else rows


TILL = {"vendors": [vendor("a"), vendor("b"), vendor("till", vendor_kind="maker")]}


def refuse(monkeypatch: pytest.MonkeyPatch, change: Any) -> None:
    real = solve.solve
    monkeypatch.setattr(solve, "solve", lambda problem, effort, start=None: change(real(problem, effort, start)))


class Other:
    """A solution with some attributes replaced, without the solution class's own checks."""

    def __new__(cls, solution: Any, **changed: Any) -> Any:
        from dataclasses import replace

        return replace(solution, **changed)
