"""Columns of price exports, price summaries and the price history."""

from schemas.contract import Column

COLUMNS = (
    Column("vendor_code", "code", "the vendor, in the workspace's own naming"),
    Column("condition", "code", "condition of the pieces", allowed=("new", "used")),
    Column("listing_code", "code", "tells apart several listings of one element by one vendor; empty for one"),
    Column(
        "unit_price",
        "price",
        "price of one piece, in currency_code, as the vendor shows it",
        unit="per piece",
        minimum=0.000001,
        maximum=100000,
    ),
    Column("currency_code", "code", "currency of the amounts in the row, ISO 4217", pattern="AAA"),
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
)
