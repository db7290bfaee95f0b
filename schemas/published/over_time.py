"""Costs over time: what changed, who moved them, and when to buy."""

from schemas.contract import Contract
from schemas.published.keys import PLAN_KEY

NIGHTLY_COST = Contract(
    name="nightly_cost",
    grain="one row per plan of each of the last two months' nights, as that night published it",
    columns=(*PLAN_KEY, "plan_status", "landed_cost", "unfilled_estimate", "complete_cost", "unfilled_piece_count"),
    key=PLAN_KEY,
    notes="The priced date included. Earlier nights are read from the workspace's night_costs/.",
)

COST_CHANGE = Contract(
    name="cost_change",
    grain="one row per plan, the earlier plan it is compared with, and part of the change in complete cost",
    columns=(
        *PLAN_KEY, "compared_on", "change_part", "cost_change", "cost_change_low", "cost_change_high", "is_break",
    ),
    key=(*PLAN_KEY, "compared_on", "change_part"),
    notes="Consecutive month ends, the priced date last. The parts add up to the change exactly, and their ranges to its range.",
)  # fmt: skip

VENDOR_CHANGE = Contract(
    name="vendor_change",
    grain="one row per model, buyer and vendor whose changes since the last month end change what the model costs",
    columns=(
        "model_code", "buyer_code", "vendor_code", "compared_on", "moved_element_count", "vendor_effect_pct",
        "terms_effect_pct", "terms_refusal",
    ),
    key=("model_code", "buyer_code", "vendor_code"),
    optional={"terms_effect_pct": "0", "terms_refusal": ""},
    notes="Prices and stock are those the index uses. The effects of several vendors do not add up, because one can "
    "replace another.",
)  # fmt: skip

BUYING_TIME = Contract(
    name="buying_time",
    grain="one row per model, buyer and measure: how today compares with the past",
    columns=(
        "model_code", "buyer_code", "buying_measure", "measure_now", "measure_least", "past_month_count",
        "cheaper_share_low", "cheaper_share_high", "lowest_12_months", "lowest_12_months_least", "lowest_month",
        "above_lowest_low_pct", "above_lowest_high_pct", "withheld_reason",
    ),
    key=("model_code", "buyer_code", "buying_measure"),
    optional={
        **dict.fromkeys(
            (
                "measure_now", "measure_least", "cheaper_share_low", "cheaper_share_high", "lowest_12_months",
                "lowest_12_months_least", "lowest_month", "above_lowest_low_pct", "above_lowest_high_pct",
            )
        ),
        "withheld_reason": "",
    },
)  # fmt: skip

SEASONAL_PATTERN = Contract(
    name="seasonal_pattern",
    grain="one row per model, buyer and month of the year, where three years of the headline index allow",
    columns=(
        "model_code", "buyer_code", "month_of_year", "seasonal_pct", "seasonal_low_pct", "seasonal_high_pct",
        "year_count", "seasonal_strength",
    ),
    key=("model_code", "buyer_code", "month_of_year"),
)  # fmt: skip

FORECAST_TRIAL = Contract(
    name="forecast_trial",
    grain="one row per model and buyer: how good past forecasts of the headline index would have been",
    columns=(
        "model_code", "buyer_code", "forecast_method", "origin_count", "forecast_error_pct", "naive_error_pct",
        "drift_error_pct", "seasonal_naive_error_pct", "forecast_p_value", "corrected_p_value", "tested_series_count",
        "interval_coverage_share", "is_forecast_shown", "withheld_reason",
    ),
    key=("model_code", "buyer_code"),
    optional={
        **dict.fromkeys(
            (
                "forecast_error_pct", "naive_error_pct", "drift_error_pct", "seasonal_naive_error_pct",
                "forecast_p_value", "corrected_p_value", "interval_coverage_share",
            )
        ),
        "withheld_reason": "",
    },
    notes="The test is that of Diebold and Mariano, with the correction for small samples.",
)  # fmt: skip

PRICE_FORECAST = Contract(
    name="price_forecast",
    grain="one row per model, buyer and future month, where the forecast is earned (forecast_trial)",
    columns=("model_code", "buyer_code", "month", "forecast_method", "forecast_level", "forecast_low", "forecast_high"),
    key=("model_code", "buyer_code", "month"),
)
