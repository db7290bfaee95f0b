"""Monthly index numbers, and the element prices they are made of."""

from schemas.contract import Contract

PRICE_INDEX = Contract(
    name="price_index",
    grain="one row per model, buyer, month and index method",
    columns=(
        "model_code", "buyer_code", "month", "index_method", "base_month", "index_level", "change_1_month_pct",
        "change_12_months_pct", "basket_line_count", "priced_line_count", "coverage_share", "imputed_share",
        "is_withheld",
    ),
    key=("model_code", "buyer_code", "month", "index_method"),
    optional={"index_level": None, "change_1_month_pct": None, "change_12_months_pct": None},
    notes="Of purchasers' prices: a change of tax on goods moves it, one of shipping or fees does not.",
)  # fmt: skip

ELEMENT_PRICE = Contract(
    name="element_price",
    grain="one row per model, buyer, month and line of the parts list",
    columns=(
        "model_code", "buyer_code", "month", "line_number", "part_code", "colour_code", "quantity", "element_price",
        "is_imputed", "price_change_pct", "contribution_points", "market_vendor_count", "market_quantity",
    ),
    key=("model_code", "buyer_code", "month", "line_number"),
    optional={"element_price": None, "price_change_pct": None, "contribution_points": None},
)  # fmt: skip

INDEX_BAND = Contract(
    name="index_band",
    grain="one row per model, buyer and month shown: how far the index methods are apart",
    columns=("model_code", "buyer_code", "month", "lowest_index_level", "highest_index_level", "band_reason"),
    key=("model_code", "buyer_code", "month"),
)

INDEX_CONTRIBUTION = Contract(
    name="index_contribution",
    grain="one row per model, buyer, month, months compared, view and group: the group's part of the change of lowe",
    columns=(
        "model_code", "buyer_code", "month", "change_month_count", "contribution_view", "contribution_group",
        "group_contribution_points", "contributing_line_count",
    ),
    key=("model_code", "buyer_code", "month", "change_month_count", "contribution_view", "contribution_group"),
    notes="The groups of a view add up to the change of lowe. Lines one by one are in element_price.",
)  # fmt: skip

INDEX_VINTAGE = Contract(
    name="index_vintage",
    grain="one row per model, buyer, past month and method: its level as first published, never changed afterwards",
    columns=(
        "model_code", "buyer_code", "month", "index_method", "first_published_on", "first_published_level",
        "first_published_base_month", "list_version",
    ),
    key=("model_code", "buyer_code", "month", "index_method"),
    notes="What earlier refreshes published, read from the workspace's index_vintages/.",
)  # fmt: skip

INDEX_REVISION = Contract(
    name="index_revision",
    grain="one row per model, buyer, month and method whose level differs from the one first published",
    columns=(
        "model_code", "buyer_code", "month", "index_method", "first_published_on", "first_published_level", "index_level",
        "revision_points", "revision_reason",
    ),
    key=("model_code", "buyer_code", "month", "index_method"),
    optional={"index_level": None, "revision_points": None},
    notes="index_level and revision_points are empty where the month is withheld now.",
)  # fmt: skip

PRICE_CHANGE_DISTRIBUTION = Contract(
    name="price_change_distribution",
    grain="one row per model, buyer, month and number of months compared: how the price changes of its elements are "
    "spread",
    columns=(
        "model_code", "buyer_code", "month", "change_month_count", "item_count", "change_p10_pct", "change_p25_pct",
        "change_p50_pct", "change_p75_pct", "change_p90_pct", "risen_share", "unchanged_share", "fallen_share",
    ),
    key=("model_code", "buyer_code", "month", "change_month_count"),
    notes="Every element counts once, whatever its quantity.",
)  # fmt: skip
