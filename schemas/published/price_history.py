"""Offers and their prices over time, where each came from, and suspect prices."""

from schemas.contract import Contract

PRICE_HISTORY = Contract(
    name="price_history",
    grain="one row per price period of an offer's price step: the time in which nothing about it changed",
    columns=(
        "offer_id", "vendor_code", "part_code", "colour_code", "condition", "listing_code", "step_from_quantity",
        "currency_code", "unit_price", "quantity_available", "sold_in_multiples_of", "assortment_code",
        "maximum_per_order", "form_certainty", "valid_from_on", "valid_to_on", "last_confirmed_on", "confirmed_from_on",
    ),
    key=("vendor_code", "part_code", "colour_code", "condition", "listing_code", "step_from_quantity", "valid_from_on"),
    optional={"maximum_per_order": None, "valid_to_on": None, "listing_code": "", "assortment_code": ""},
    notes="confirmed_from_on and last_confirmed_on are the latest run of confirmations of the price period; "
    "offer_confirmation has all runs.",
)  # fmt: skip

OFFER_CONFIRMATION = Contract(
    name="offer_confirmation",
    grain="one row per run of confirmations of an offer's price period",
    columns=("vendor_code", "offer_id", "confirmed_from_on", "confirmed_to_on"),
    key=("offer_id", "confirmed_from_on"),
    notes="With the winners of vendor_export it gives the latest confirmation up to any day. The macro market_on "
    "does this.",
)

OFFER_SOURCE = Contract(
    name="offer_source",
    grain="one row per price period of an offer's price step: the row of a price file that opened it",
    columns=("offer_id", "step_from_quantity", "file_hash", "source_line_number", "record_number"),
    key=("offer_id", "step_from_quantity"),
    notes="The file is archive/<first two digits>/<file_hash>; vendor_export has the files that confirmed it later.",
)

SUSPECT_PRICE = Contract(
    name="suspect_price",
    grain="one row per price period of an offer's price step whose price is suspect",
    columns=(
        "offer_id", "step_from_quantity", "vendor_code", "part_code", "colour_code", "condition", "listing_code",
        "currency_code", "unit_price", "price_from_on", "valid_from_on", "valid_to_on", "own_price", "own_ratio",
        "market_price", "market_ratio", "rival_vendor_count", "pack_size", "suspicion", "cleared_from_on",
        "servable_piece_count", "cost_influence", "influence_rank",
    ),
    key=("offer_id", "step_from_quantity"),
    optional={
        "listing_code": "", "valid_to_on": None, "own_price": None, "own_ratio": None, "market_price": None,
        "market_ratio": None, "pack_size": None, "cleared_from_on": None, "influence_rank": None,
    },
    notes="Such offers stay in the history, and out of plans and trends, until the price changes or "
    "tables/confirmed_prices confirms it.",
)  # fmt: skip
