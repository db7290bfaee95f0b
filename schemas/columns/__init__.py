"""Every column of every table, defined once, grouped by domain."""

from schemas.columns import buying, intake, models, outlook, parts, plans, prices, savings, screens, terms, trends
from schemas.contract import Column, by_name

COLUMNS: dict[str, Column] = by_name(
    [
        parts.COLUMNS,
        prices.COLUMNS,
        terms.COLUMNS,
        models.COLUMNS,
        plans.COLUMNS,
        savings.COLUMNS,
        trends.COLUMNS,
        screens.COLUMNS,
        outlook.COLUMNS,
        buying.COLUMNS,
        intake.COLUMNS,
    ]
)
