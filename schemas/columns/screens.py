"""Columns of the screen of suspicious prices."""

from schemas.contract import Column

COLUMNS = (
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
