"""How much of a model's parts list the market offers."""

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
    notes="As listed: no flexibility of colour or form counts.",
)  # fmt: skip

MODEL_AVAILABILITY = Contract(
    name="model_availability",
    grain="one row per model, buyer and month: what of today's parts list the market offered on the month's date",
    columns=(
        "model_code", "buyer_code", "month", "needed_piece_count", "basket_element_count", "available_element_count",
        "single_vendor_element_count", "fillable_share", "buildable_copy_count",
    ),
    key=("model_code", "buyer_code", "month"),
)  # fmt: skip
