"""A small generation in which everything holds: two vendors, stock on hand, a combination, an unfilled line."""

from datetime import date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl

from pipelines.warehouse import connect
from pipelines.warehouse.price_history import history, load, tables
from schemas.inputs.catalogue import COMBINATIONS
from schemas.published.plans import MODEL_COST, PLAN_LINE, PLAN_PURCHASE, PLAN_VENDOR, UNFILLED_LINE
from schemas.published.price_history import SUSPECT_PRICE
from schemas.published.runs import REFRESH_RUN
from schemas.validate import polars_schema
from tests.builders.published.order_amounts import order_amounts
from tests.builders.published.small_buying import buying_tables
from tests.builders.published.small_outlook import outlook_tables
from tests.builders.published.small_savings import savings_tables
from tests.builders.taken_files import NOW, failures_of, quarantined_keys_of, taken

DAY = date(2026, 1, 20)
PLAN = {"priced_on": DAY, "model_code": "mill", "scenario_code": "flexible", "buyer_code": "home"}


def published_tables() -> dict[str, pl.DataFrame]:
    """Tables as a refresh gathers them."""
    found = warehouse_tables()
    offers = {row["part_code"]: row["offer_id"] for row in found["price_history"].to_dicts()}
    return {
        **found,
        "combinations": typed(COMBINATIONS, *combination_rows()),
        "model_cost": typed(MODEL_COST, model_cost_row()),
        "plan_vendor": typed(PLAN_VENDOR, *vendor_rows()),
        "plan_purchase": typed(PLAN_PURCHASE, *purchase_rows(offers)),
        "plan_line": typed(PLAN_LINE, *line_rows(offers)),
        "unfilled_line": typed(UNFILLED_LINE, unfilled_row()),
        "suspect_price": typed(SUSPECT_PRICE, suspect_row(offers)),
        "refresh_run": typed(REFRESH_RUN, run_row("first")),
        **outlook_tables(),
        **savings_tables(PLAN),
        **buying_tables(PLAN),
    }


def warehouse_tables() -> dict[str, pl.DataFrame]:
    acorn: list[dict[str, Any]] = [{"step_from_quantity": 1}, {"step_from_quantity": 50, "unit_price": Decimal("0.08")}]
    birch = [{"vendor_code": "birch", "part_code": "00777", "unit_price": Decimal("0.05"), "quantity_available": 50}]
    quarantined = {"failures": failures_of(2), "quarantined_keys": quarantined_keys_of({2: {"part_code": "00999"}}), "read_row_count": 3,
            "duplicate_row_count": 1}  # fmt: skip
    with connect.writer(Path(":memory:")) as con:
        load.load_file(con, taken("aa", acorn), NOW)
        load.load_file(con, taken("bb", birch, **quarantined), NOW)
        load.load_file(con, taken("cc", [{**row, "observed_on": date(2026, 1, 15)} for row in acorn]), NOW)
        history.fold(con)
        return tables.intake_tables(con)


def combination_rows() -> list[dict[str, Any]]:
    shared = {"part_code": "00900", "combination_code": "stack", "reason": ""}
    return [
        {**shared, "component_part_code": "00501", "component_count": 1, "valid_from_on": date(2025, 1, 1)},
        {**shared, "component_part_code": "00777", "component_count": 5, "valid_from_on": date(2024, 1, 1)},
        {**shared, "component_part_code": "00777", "component_count": 2, "valid_from_on": date(2025, 1, 1)},
    ]


def model_cost_row() -> dict[str, Any]:
    return {
        **PLAN, "model_title": "A mill", "list_version": 1, "copy_count": 1, "currency_code": "EUR",
        "plan_status": "partial", "goods": Decimal("1.10"), "shipping": Decimal("5.00"), "handling": Decimal("0.50"), "tax": Decimal("0.40"),
        "landed_cost": Decimal("7.00"), "unfilled_estimate": Decimal("0.40"), "complete_cost": Decimal("7.40"),
        "instructions_cost": Decimal("12.50"), "lower_bound": Decimal("6.90"), "gap_pct": 1.4, "vendor_count": 2,
        "element_count": 2, "piece_count": 11, "on_hand_piece_count": 2, "spare_piece_count": 1,
        "unfilled_piece_count": 2, "unfilled_estimate_count": 0, "oldest_offer_on": date(2026, 1, 10),
        "effort": "standard",
    }  # fmt: skip


def vendor_rows() -> list[dict[str, Any]]:
    shared = {
        **PLAN, "vendor_kind": "independent", "element_count": 1,
    }  # fmt: skip
    return [
        {
            **shared, "vendor_code": "acorn", "order_number": 1, "vendor_name": "=Acorn",
            **order_amounts("0.80", "3.00", "0.50", "0.20"), "bought_piece_count": 8,
        },
        {
            **shared, "vendor_code": "birch", "order_number": 1, "vendor_name": "Birch, the 2nd",
            **order_amounts("0.30", "2.00", "0.00", "0.20"), "bought_piece_count": 6,
        },
    ]  # fmt: skip


def purchase_rows(offers: dict[str, str]) -> list[dict[str, Any]]:
    shared = {
        **PLAN, "colour_code": "7", "condition": "new", "listing_code": "", "step_from_quantity": 1,
        "vendor_currency_code": "EUR",
    }  # fmt: skip
    return [
        {
            **shared, "vendor_code": "acorn", "order_number": 1, "part_code": "00501", "offer_id": offers["00501"],
            "bought_piece_count": 8, "used_piece_count": 7, "spare_piece_count": 1, "unit_price": Decimal("0.10"),
            "purchase_value": Decimal("0.80"),
        },
        {
            **shared, "vendor_code": "birch", "order_number": 1, "part_code": "00777", "offer_id": offers["00777"],
            "bought_piece_count": 6, "used_piece_count": 6, "spare_piece_count": 0, "unit_price": Decimal("0.05"),
            "purchase_value": Decimal("0.30"),
        },
    ]  # fmt: skip


def line_rows(offers: dict[str, str]) -> list[dict[str, Any]]:
    """Line 1: 4 bought and 2 on hand; line 2: 3 pieces, each a combination of one 00501 and two 00777."""
    shared = {
        **PLAN, "portion_number": 1, "portion_source": "designer", "listed_colour_code": "7", "colour_rule": "any",
        "colour_code": "7", "condition": "new", "listing_code": "", "is_listed_colour": True, "combination_code": "",
    }  # fmt: skip
    acorn = {
        "vendor_code": "acorn", "order_number": 1, "offer_id": offers["00501"], "part_code": "00501", "unit_price": Decimal("0.10"),
        "vendor_currency_code": "EUR",
    }  # fmt: skip
    birch = {
        "vendor_code": "birch", "order_number": 1, "offer_id": offers["00777"], "part_code": "00777", "unit_price": Decimal("0.05"),
        "vendor_currency_code": "EUR",
    }  # fmt: skip
    on_hand = {
        "vendor_code": "", "order_number": 1, "offer_id": "", "part_code": "00501", "unit_price": None, "vendor_currency_code": "",
    }  # fmt: skip
    first = {"line_number": 1, "listed_part_code": "00501", "is_listed_part": True}
    second = {"line_number": 2, "listed_part_code": "00900", "is_listed_part": False, "combination_code": "stack"}
    return [
        {**shared, **first, **acorn, "quantity": 4},
        {**shared, **first, **on_hand, "quantity": 2},
        {**shared, **second, **acorn, "quantity": 3},
        {**shared, **second, **birch, "quantity": 6},
    ]


def unfilled_row() -> dict[str, Any]:
    return {
        **PLAN, "line_number": 3, "portion_number": 1, "listed_part_code": "00999", "listed_colour_code": "7",
        "unfilled_piece_count": 2, "estimated_unit_price": Decimal("0.20"), "unfilled_estimate": Decimal("0.40"),
        "estimate_basis": "last_seen", "remedies": "-1 would do",
    }  # fmt: skip


def suspect_row(offers: dict[str, str]) -> dict[str, Any]:
    """A price that was confirmed in time."""
    return {
        "offer_id": offers["00777"], "step_from_quantity": 1, "vendor_code": "birch", "part_code": "00777", "colour_code": "7",
        "condition": "new", "listing_code": "", "currency_code": "EUR", "unit_price": Decimal("0.05"),
        "price_from_on": date(2026, 1, 10), "valid_from_on": date(2026, 1, 10), "valid_to_on": None, "own_price": Decimal("0.50"),
        "own_ratio": 0.1, "market_price": None, "market_ratio": None, "rival_vendor_count": 0, "pack_size": 10,
        "suspicion": "decimal_point", "cleared_from_on": date(2026, 1, 20), "servable_piece_count": 6,
        "cost_influence": Decimal("2.70"), "influence_rank": None,
    }  # fmt: skip


def run_row(refresh_id: str) -> dict[str, Any]:
    return {
        "refresh_id": refresh_id, "priced_on": DAY, "started_at": datetime(2026, 1, 20, 2, 30), "finished_at": None,
        "software_version": "0", "inputs_hash": "0", "step_name": "everything", "step_seconds": 0.1, "row_count": 1,
    }  # fmt: skip


def typed(contract: Any, *rows: dict[str, Any]) -> pl.DataFrame:
    return pl.DataFrame(list(rows), schema=polars_schema(contract), orient="row")
