"""Columns of index numbers, and of the element prices they are made of."""

from schemas.contract import BUYERS_CURRENCY, FIRST_PRICE_DAY, LAST_PRICE_DAY, Column

COLUMNS = (
    Column("base_month", "month", "month in which the index is 100", pattern="2026-10"),
    Column(
        "index_method",
        "code",
        "index formula; lowe is the headline. lowe, geks-tornqvist and matched-chain use the quantities of "
        "the parts list, geks-tornqvist-bought those that each month's plan uses; jevons counts every element "
        "equally",
        allowed=("lowe", "jevons", "geks-tornqvist", "geks-tornqvist-bought", "matched-chain"),
    ),
    Column("index_level", "number", "index, base month = 100"),
    Column("change_1_month_pct", "number", "change from the month before, from unrounded levels", unit="%"),
    Column(
        "change_12_months_pct", "number", "change from the same month a year before, from unrounded levels", unit="%"
    ),
    Column("priced_line_count", "integer", "lines with a price of their own in the month", unit="lines"),
    Column("basket_line_count", "integer", "lines of the parts list", unit="lines"),
    Column(
        "coverage_share",
        "number",
        "share of the basket with a price of its own, by cost in the base month, or by cost in the first "
        "month shown where the base month is not shown",
        minimum=0,
        maximum=1,
    ),
    Column(
        "imputed_share",
        "number",
        "share of the basket whose price is imputed, by the same costs",
        minimum=0,
        maximum=1,
    ),
    Column("is_withheld", "flag", "coverage is below the stated minimum, so the figure is not shown"),
    Column(
        "element_price",
        "number",
        "quantity-weighted purchaser's price of the cheapest stock that covers the need: tax and duty on goods as of the month "
        "are in it, shipping and fees are not",
        unit=BUYERS_CURRENCY,
    ),
    Column("is_imputed", "flag", "no price in the month: the last one is carried on by the mean change of its class"),
    Column(
        "contribution_points",
        "number",
        "share of the one-month change of the index",
        unit="percentage points",
    ),
    Column("price_change_pct", "number", "change of the element's price from the month before", unit="%"),
    Column(
        "market_vendor_count",
        "integer",
        "vendors whose offer of the element the index may use: fresh, new, not suspect, of a stated form, for the buyer",
        unit="vendors",
    ),
    Column("market_quantity", "integer", "pieces on offer", unit="pieces"),
    Column("lowest_index_level", "number", "lowest level of lowe, geks-tornqvist and geks-tornqvist-bought"),
    Column("highest_index_level", "number", "highest level of lowe, geks-tornqvist and geks-tornqvist-bought"),
    Column(
        "band_reason",
        "code",
        "why the methods differ. quantities: the quantities of the months' plans change; gaps: prices are "
        "missing; both; neither: only the formulas differ, and the difference means nothing",
        allowed=("quantities", "gaps", "both", "neither"),
    ),
    Column(
        "change_month_count", "integer", "months between the two months compared: 1 or 12", unit="months", minimum=1
    ),
    Column(
        "contribution_view",
        "code",
        "how lines are grouped: by part family, by colour family, or by the kinds of vendors whose stock made "
        "the price",
        allowed=("part_family", "colour_family", "vendor_kinds"),
    ),
    Column(
        "contribution_group",
        "text",
        "the group. In every view, lines whose price is imputed and lines priced again after a gap are groups "
        "of their own: imputed, newly priced",
    ),
    Column("group_contribution_points", "number", "the group's part of the change of lowe", unit="percentage points"),
    Column("contributing_line_count", "integer", "lines in the group", unit="lines"),
    Column(
        "first_published_on",
        "date",
        "priced date of the refresh that first published the month's level",
        minimum=FIRST_PRICE_DAY,
        maximum=LAST_PRICE_DAY,
    ),
    Column("first_published_level", "number", "the level as first published"),
    Column(
        "first_published_base_month", "month", "month in which the index was 100 in that refresh", pattern="2026-10"
    ),
    Column("revision_points", "number", "level now minus level as first published", unit="index points"),
    Column(
        "revision_reason",
        "code",
        "list: another version of the parts list is priced now; prices: the price history, the terms or the settings changed",
        allowed=("list", "prices"),
    ),
    Column("item_count", "integer", "elements with a price of their own in both months", unit="elements", minimum=1),
    Column("change_p10_pct", "number", "10th percentile of the elements' price changes", unit="%"),
    Column("change_p25_pct", "number", "25th percentile of the elements' price changes", unit="%"),
    Column("change_p50_pct", "number", "median of the elements' price changes", unit="%"),
    Column("change_p75_pct", "number", "75th percentile of the elements' price changes", unit="%"),
    Column("change_p90_pct", "number", "90th percentile of the elements' price changes", unit="%"),
    Column("risen_share", "number", "share of the elements whose price rose", minimum=0, maximum=1),
    Column("unchanged_share", "number", "share of the elements whose price did not change", minimum=0, maximum=1),
    Column("fallen_share", "number", "share of the elements whose price fell", minimum=0, maximum=1),
)
