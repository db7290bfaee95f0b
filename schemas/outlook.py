"""Contracts of the published tables about availability, about when to buy, and about watches."""

from schemas.contract import Contract

ELEMENT_AVAILABILITY = Contract(
    name="element_availability",
    grain="one row per model, buyer and element of the parts list, on the priced date",
    columns=(
        "model_code", "buyer_code", "part_code", "colour_code", "element_status", "needed_piece_count",
        "market_vendor_count", "buyable_piece_count", "fillable_share", "copies_on_offer", "last_seen_on",
        "days_since_seen", "summary_on", "summary_piece_count", "piece_trend_pct", "piece_trend_low_pct", "piece_trend_high_pct",
        "months_left", "months_left_low", "months_left_high", "is_running_out", "weakness_rank",
    ),
    key=("model_code", "buyer_code", "part_code", "colour_code"),
    optional=dict.fromkeys(
        (
            "last_seen_on", "days_since_seen", "summary_on", "summary_piece_count", "piece_trend_pct", "piece_trend_low_pct",
            "piece_trend_high_pct", "months_left", "months_left_low", "months_left_high",
        )
    ),
    notes="As listed: neither colour freedoms nor stand-ins count.",
)  # fmt: skip

MODEL_AVAILABILITY = Contract(
    name="model_availability",
    grain="one row per model, buyer and month: what the market of the month's date offered of today's parts list",
    columns=(
        "model_code", "buyer_code", "month", "needed_piece_count", "basket_element_count", "available_element_count",
        "single_vendor_element_count", "fillable_share", "buildable_copy_count",
    ),
    key=("model_code", "buyer_code", "month"),
)  # fmt: skip

PRICE_CHANGE_DISTRIBUTION = Contract(
    name="price_change_distribution",
    grain="one row per model, buyer, month and span: how the changes of its elements' prices are spread",
    columns=(
        "model_code", "buyer_code", "month", "change_month_count", "item_count", "change_p10_pct", "change_p25_pct",
        "change_p50_pct", "change_p75_pct", "change_p90_pct", "risen_share", "unchanged_share", "fallen_share",
    ),
    key=("model_code", "buyer_code", "month", "change_month_count"),
    notes="Every element counts once, whatever its quantity.",
)  # fmt: skip

VENDOR_MOVE = Contract(
    name="vendor_move",
    grain="one row per model, buyer and vendor whose change since the last month end moves what the model costs",
    columns=(
        "model_code", "buyer_code", "vendor_code", "compared_on", "moved_element_count", "vendor_effect_pct",
        "terms_effect_pct", "terms_refusal",
    ),
    key=("model_code", "buyer_code", "vendor_code"),
    optional={"terms_effect_pct": "0", "terms_refusal": ""},
    notes="Prices and stock are those the index uses. Effects of several vendors do not add up, because one steps in for another.",
)  # fmt: skip

BUYING_TIME = Contract(
    name="buying_time",
    grain="one row per model, buyer and measure: where today stands in its own past",
    columns=(
        "model_code", "buyer_code", "buying_measure", "measure_now", "past_month_count", "cheaper_share_low",
        "cheaper_share_high", "lowest_12_months", "lowest_month", "above_lowest_pct", "withheld_reason",
    ),
    key=("model_code", "buyer_code", "buying_measure"),
    optional={
        **dict.fromkeys(
            (
                "measure_now", "cheaper_share_low", "cheaper_share_high", "lowest_12_months", "lowest_month",
                "above_lowest_pct",
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
    grain="one row per model and buyer: how forecasts of the headline index would have done",
    columns=(
        "model_code", "buyer_code", "forecast_method", "origin_count", "forecast_error_pct", "naive_error_pct",
        "is_forecast_shown", "withheld_reason",
    ),
    key=("model_code", "buyer_code"),
    optional={"forecast_error_pct": None, "naive_error_pct": None, "withheld_reason": ""},
)  # fmt: skip

PRICE_FORECAST = Contract(
    name="price_forecast",
    grain="one row per model, buyer and month to come, where the forecast beat 'same as last month'",
    columns=("model_code", "buyer_code", "month", "forecast_method", "forecast_level", "forecast_low", "forecast_high"),
    key=("model_code", "buyer_code", "month"),
)

WATCH_RESULT = Contract(
    name="watch_result",
    grain="one row per watch, model, buyer and what fired; one without a subject where nothing did",
    columns=(
        "watch_code", "model_code", "buyer_code", "watch_subject", "watch_kind", "is_fired", "watched_value",
        "watch_limit", "watch_told",
    ),
    key=("watch_code", "model_code", "buyer_code", "watch_subject"),
    optional={"watch_subject": "", "watched_value": None},
)  # fmt: skip

ALL_OUTLOOK = (
    ELEMENT_AVAILABILITY, MODEL_AVAILABILITY, PRICE_CHANGE_DISTRIBUTION, VENDOR_MOVE, BUYING_TIME, SEASONAL_PATTERN,
    FORECAST_TRIAL, PRICE_FORECAST, WATCH_RESULT,
)  # fmt: skip
"""In the order a reader meets them."""
