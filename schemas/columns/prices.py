"""Columns of offers: price files, price history, and suspect prices."""

from schemas.contract import FIRST_PRICE_DAY, LAST_PRICE_DAY, Column

COLUMNS = (
    Column(
        "listing_code", "code", "distinguishes several listings of one element by one vendor; empty where there is one"
    ),
    Column(
        "unit_price",
        "price",
        "price of one piece, in currency_code, as the vendor displays it",
        unit="per piece",
        minimum=0.000001,
        maximum=100000,
    ),
    Column(
        "quantity_available",
        "integer",
        "pieces on hand; the price steps of a listing share them",
        unit="pieces",
        minimum=0,
        maximum=100_000_000,
    ),
    Column(
        "observed_on",
        "date",
        "date for which the export states its offers",
        minimum=FIRST_PRICE_DAY,
        maximum=LAST_PRICE_DAY,
    ),
    Column(
        "sold_in_multiples_of",
        "integer",
        "pieces are sold in multiples of this",
        unit="pieces",
        minimum=1,
        maximum=1_000_000,
    ),
    Column(
        "step_from_quantity",
        "integer",
        "the unit price holds from this many pieces",
        unit="pieces",
        minimum=1,
        maximum=100_000_000,
    ),
    Column(
        "step_kind",
        "code",
        "what the price of a step is for. all_units: all pieces, once the step is reached; incremental: the pieces from the "
        "step on, while those below it cost their own steps' prices",
        allowed=("all_units", "incremental"),
    ),
    Column(
        "assortment_code",
        "code",
        "the part of the vendor's range that shares one handling charge; empty where there is none",
    ),
    Column(
        "maximum_per_order", "integer", "largest number of pieces of the listing in one order", unit="pieces", minimum=1
    ),
    Column(
        "form_certainty",
        "code",
        "stated: the vendor states the form of the part; open: it does not, so any form may be sent",
        allowed=("stated", "open"),
    ),
    Column(
        "coverage",
        "code",
        "full: the export lists all that the vendor sells, so what it does not list is no longer sold; "
        "partial: other offers stay as they are",
        allowed=("full", "partial"),
    ),
    Column(
        "revision_number",
        "integer",
        "of several full exports of one vendor and date, the one with the highest number holds; partial ones "
        "are applied in the order of their numbers",
        minimum=0,
    ),
    Column("last_confirmed_on", "date", "latest date on which an export confirmed the offer"),
    Column("confirmed_from_on", "date", "first date of a run of confirmations"),
    Column(
        "confirmed_to_on",
        "date",
        "last date of a run of confirmations; in between, every winning full export of the vendor confirmed the offer",
    ),
    Column(
        "offer_id", "code", "names one price period of one offer: vendor, part, colour, condition, listing and start"
    ),
    Column(
        "lowest_price",
        "price",
        "lowest price on the market",
        unit="per piece",
        minimum=0.000001,
        maximum=100000,
    ),
    Column(
        "average_price",
        "price",
        "quantity-weighted mean price on the market",
        unit="per piece",
        minimum=0.000001,
        maximum=100000,
    ),
    Column(
        "offer_vendor_count",
        "integer",
        "vendors that offer the element, as the summary states",
        unit="vendors",
        minimum=0,
    ),
    Column("price_from_on", "date", "the day the price began"),
    Column(
        "own_price",
        "price",
        "median of the five prices that the offer's price step had before; empty for its first price",
        unit="per piece",
    ),
    Column("own_ratio", "number", "unit_price divided by own_price"),
    Column(
        "market_price",
        "price",
        "median price of other vendors for the element on the day the price began, in currency_code; empty "
        "where fewer than three of them sold it",
        unit="per piece",
    ),
    Column("market_ratio", "number", "unit_price divided by market_price"),
    Column(
        "rival_vendor_count", "integer", "other vendors that sold the element on that day", unit="vendors", minimum=0
    ),
    Column(
        "pack_size",
        "integer",
        "the small whole number that the ratio, or one divided by the ratio, is close to; empty where there is none",
        unit="pieces",
        minimum=2,
    ),
    Column(
        "suspicion",
        "code",
        "what probably went wrong. price_per_pack: the price is for a pack, not for a piece; price_divided: "
        "the price of a piece was divided as if it were for a pack; decimal_point: the decimal point is in "
        "the wrong place; stands_out: none of these",
        allowed=("price_per_pack", "price_divided", "decimal_point", "stands_out"),
    ),
    Column(
        "cleared_from_on",
        "date",
        "from this date on a user's confirmation states that the price is right; empty where there is none",
    ),
    Column(
        "servable_piece_count", "integer", "pieces of the models that the offer could fill", unit="pieces", minimum=0
    ),
    Column(
        "cost_influence",
        "price",
        "what an error would cost: those pieces, times the difference between the price and the usual price",
        unit="currency of the first buyer",
        minimum=0,
    ),
    Column(
        "influence_rank",
        "integer",
        "place by cost_influence, from the largest, among the prices that hold on the priced date; empty for others",
        minimum=1,
    ),
)
