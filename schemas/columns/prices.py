"""Columns of offers: price files, price history, and prices that stand out."""

from schemas.contract import Column

COLUMNS = (
    Column("listing_code", "code", "tells apart several listings of one element by one vendor; empty for one"),
    Column(
        "unit_price",
        "price",
        "price of one piece, in currency_code, as the vendor shows it",
        unit="per piece",
        minimum=0.000001,
        maximum=100000,
    ),
    Column(
        "quantity_available",
        "integer",
        "pieces on hand; price steps of a listing share them",
        unit="pieces",
        minimum=0,
        maximum=100_000_000,
    ),
    Column("observed_on", "date", "date for which the export states its offers"),
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
        "what the price of a step holds for: all_units: all pieces, once the step is reached; incremental: the pieces from the "
        "step on, while those below it cost their own steps' prices",
        allowed=("all_units", "incremental"),
    ),
    Column(
        "assortment_code",
        "code",
        "the part of a vendor's range that shares one handling charge; empty for none",
    ),
    Column("maximum_per_order", "integer", "most pieces of the listing in one order", unit="pieces", minimum=1),
    Column(
        "form_certainty",
        "code",
        "open: the vendor does not say which form of the part is sent",
        allowed=("stated", "open"),
    ),
    Column(
        "coverage",
        "code",
        "full: the export lists all the vendor sells, so what is not in it is gone; partial: it closes nothing",
        allowed=("full", "partial"),
    ),
    Column("revision_number", "integer", "of several exports of one vendor and date the highest wins", minimum=0),
    Column("last_confirmed_on", "date", "latest date on which an export confirmed the offer"),
    Column("confirmed_from_on", "date", "first confirmation of the run"),
    Column(
        "confirmed_to_on",
        "date",
        "last confirmation of the run; between the two the offer was confirmed on every date for which its vendor has a "
        "winning full export",
    ),
    Column("offer_id", "code", "names one spell of one offer: vendor, part, colour, condition, listing and start"),
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
    Column("offer_vendor_count", "integer", "vendors offering the element", unit="vendors", minimum=0),
    Column("price_from_on", "date", "the day the price came up"),
    Column(
        "own_price",
        "price",
        "median of the five prices that the offer's step had before; empty for its first price",
        unit="per piece",
    ),
    Column("own_ratio", "number", "unit_price through own_price"),
    Column(
        "market_price",
        "price",
        "median of what other vendors asked for the element on the day the price came up, in currency_code; empty with fewer "
        "than three of them",
        unit="per piece",
    ),
    Column("market_ratio", "number", "unit_price through market_price"),
    Column(
        "rival_vendor_count", "integer", "other vendors who sold the element on that day", unit="vendors", minimum=0
    ),
    Column(
        "pack_size",
        "integer",
        "the small whole number that the ratio or its inverse is near to; empty without one",
        unit="pieces",
        minimum=2,
    ),
    Column(
        "suspicion",
        "code",
        "what probably went wrong. price_per_pack: a pack's price stands for a piece's; price_divided: a piece's price was "
        "taken for a pack's; decimal_point: it slipped; stands_out: none of these",
        allowed=("price_per_pack", "price_divided", "decimal_point", "stands_out"),
    ),
    Column(
        "cleared_from_on",
        "date",
        "from this date on a confirmation says that the price is right; empty: nobody has said so",
    ),
    Column("wanted_piece_count", "integer", "pieces of the models that the offer could fill", unit="pieces", minimum=0),
    Column(
        "cost_influence",
        "price",
        "those pieces times the difference between the price and the usual one: what being wrong about it could cost",
        unit="currency of the first buyer",
        minimum=0,
    ),
    Column(
        "influence_rank",
        "integer",
        "place by cost_influence among the prices that stand on the priced date; empty for others",
        minimum=1,
    ),
)
