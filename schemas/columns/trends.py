"""Columns of monthly indices, contributions, movers and coverage."""

from schemas.contract import Column

COLUMNS = (
    Column("month", "month", "calendar month", pattern="2026-10"),
    Column("base_month", "month", "month in which the index is 100", pattern="2026-10"),
    Column("index_method", "code", "index formula", allowed=("lowe", "jevons", "geks-tornqvist")),
    Column("index_level", "number", "index, base month = 100"),
    Column("change_1_month_pct", "number", "change against the month before, from unrounded levels", unit="%"),
    Column("change_12_months_pct", "number", "change against the same month a year before", unit="%"),
    Column("priced_line_count", "integer", "lines with a price of their own in the month", unit="lines"),
    Column("basket_line_count", "integer", "lines of the parts list", unit="lines"),
    Column(
        "coverage_share",
        "number",
        "share of the basket, by base-month cost, with a price of its own",
        minimum=0,
        maximum=1,
    ),
    Column(
        "imputed_share",
        "number",
        "share of the basket, by base-month cost, whose price is imputed",
        minimum=0,
        maximum=1,
    ),
    Column("is_withheld", "flag", "coverage is below the stated floor: the figure is not shown"),
    Column(
        "element_price",
        "number",
        "quantity-weighted price of the cheapest stock that covers the need",
        unit="currency of the buyer",
    ),
    Column("is_imputed", "flag", "no price in the month: carried by its class's mean change"),
    Column(
        "contribution_points",
        "number",
        "share of the one-month change of the index",
        unit="percentage points",
    ),
    Column("price_change_pct", "number", "change of the element's price against the month before", unit="%"),
    Column("market_vendor_count", "integer", "vendors with a fresh offer of the element", unit="vendors"),
    Column("market_quantity", "integer", "pieces on offer", unit="pieces"),
)
