"""Columns that tables of many domains have: when a row holds, why, its month, currency and condition."""

from schemas.contract import FIRST_DAY, LAST_DAY, Column

COLUMNS = (
    Column("valid_from_on", "date", "first date on which the row holds", minimum=FIRST_DAY, maximum=LAST_DAY),
    Column(
        "valid_to_on",
        "date",
        "first date on which the row no longer holds; empty while it does",
        minimum=FIRST_DAY,
        maximum=LAST_DAY,
    ),
    Column("reason", "text", "why, in the user's words"),
    Column("month", "month", "calendar month", pattern="2026-10"),
    Column("currency_code", "code", "currency of the amounts in the row, ISO 4217", pattern="AAA"),
    Column("condition", "code", "condition of the pieces", allowed=("new", "used")),
)
