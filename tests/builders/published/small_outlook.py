"""Rows of the tables that look ahead, for the generation in which everything holds."""

from datetime import date
from typing import Any

import polars as pl

from schemas.published.availability import ELEMENT_AVAILABILITY, MODEL_AVAILABILITY
from schemas.published.over_time import FORECAST_TRIAL, PRICE_FORECAST
from schemas.published.price_index import PRICE_CHANGE_DISTRIBUTION, PRICE_INDEX
from schemas.validate import polars_schema

KEY = {"model_code": "mill", "buyer_code": "home"}


def outlook_tables() -> dict[str, pl.DataFrame]:
    """Two elements, one of them scarce; an index of one month and a forecast of the next."""
    return {
        contract.name: pl.DataFrame(
            [{name: (KEY | row).get(name) for name in contract.columns} for row in rows], polars_schema(contract)
        )
        for contract, rows in (
            (ELEMENT_AVAILABILITY, [element("00501", 8, 20, 1.0, 2, 2), element("00777", 4, 1, 0.25, 0, 1)]),
            (
                MODEL_AVAILABILITY,
                [
                    {
                        "month": "2026-01", "needed_piece_count": 12, "basket_element_count": 2,
                        "available_element_count": 1, "single_vendor_element_count": 1, "fillable_share": 9 / 12,
                        "buildable_copy_count": 0,
                    }
                ],
            ),
            (
                PRICE_CHANGE_DISTRIBUTION,
                [
                    {
                        "month": "2026-01", "change_month_count": 1, "item_count": 4, "change_p10_pct": -2.0,
                        "change_p25_pct": -1.0, "change_p50_pct": 0.0, "change_p75_pct": 0.0, "change_p90_pct": 5.0,
                        "risen_share": 0.25, "unchanged_share": 0.5, "fallen_share": 0.25,
                    }
                ],
            ),
            (
                PRICE_INDEX,
                [
                    {
                        "month": "2026-01", "index_method": "lowe", "base_month": "2026-01", "index_level": 100.0,
                        "basket_line_count": 2, "priced_line_count": 2, "coverage_share": 1.0, "imputed_share": 0.0,
                        "is_withheld": False,
                    }
                ],
            ),
            (
                FORECAST_TRIAL,
                [
                    {
                        "forecast_method": "theta", "origin_count": 24, "forecast_error_pct": 1.0,
                        "naive_error_pct": 2.0, "drift_error_pct": 2.0, "seasonal_naive_error_pct": 3.0,
                        "forecast_p_value": 0.01, "corrected_p_value": 0.02, "tested_series_count": 2,
                        "interval_coverage_share": 0.8, "is_forecast_shown": True, "withheld_reason": "",
                    }
                ],
            ),
            (
                PRICE_FORECAST,
                [
                    {
                        "month": "2026-02", "forecast_method": "theta", "forecast_level": 101.0, "forecast_low": 99.0,
                        "forecast_high": 103.0,
                    }
                ],
            ),
        )
    }  # fmt: skip


def element(part: str, need: int, pieces: int, share: float, copies: int, vendors: int) -> dict[str, Any]:
    return {
        "part_code": part, "colour_code": "red", "element_status": "current", "needed_piece_count": need,
        "market_vendor_count": vendors, "buyable_piece_count": pieces, "fillable_share": share,
        "copies_on_offer": copies, "last_seen_on": date(2026, 1, 20), "days_since_seen": 0, "is_running_out": False,
        "weakness_rank": 1 if copies == 0 else 2,
    }  # fmt: skip
