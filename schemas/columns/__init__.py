"""Every column of every table, defined once, grouped by domain."""

from schemas.columns import intake, models, parts, plans, prices, terms, trends
from schemas.contract import Column, by_name

COLUMNS: dict[str, Column] = by_name(
    [
        parts.COLUMNS,
        prices.COLUMNS,
        terms.COLUMNS,
        models.COLUMNS,
        plans.COLUMNS,
        trends.COLUMNS,
        intake.COLUMNS,
    ]
)
