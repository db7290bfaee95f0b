"""What the watches of the settings found."""

from schemas.contract import Contract

WATCH_RESULT = Contract(
    name="watch_result",
    grain="one row per watch, model, buyer and finding; one without a subject where there is no finding",
    columns=(
        "watch_code", "model_code", "buyer_code", "watch_subject", "watch_kind", "is_fired", "watched_value",
        "watch_limit", "watch_message",
    ),
    key=("watch_code", "model_code", "buyer_code", "watch_subject"),
    optional={"watch_subject": "", "watched_value": None},
)  # fmt: skip
