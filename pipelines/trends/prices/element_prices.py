"""What the elements of a basket cost on a date, from the offers that could be bought then.

An element's price is the mean purchaser's price of the cheapest pieces that cover the need: what a buyer would pay per piece
for the goods, tax and duty included, shipping and fees aside. Vendors are compared at these prices too, because one whose
displayed price includes the tax only seems dear. It can be compared over months: need, condition and form stay the same.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from fractions import Fraction

import polars as pl

from pipelines.inputs import exchange_rate_on
from pipelines.settings import Buyer

PRICED_FROM_SHARE = 0.5
"""The stock on offer must cover this share of the need, or the element counts as without a price (common practice, no source).

With less, one remaining seller would make the price. To ask for the whole need would drop scarce elements, whose price matters
most."""

ELEMENT = ("part_code", "colour_code")


def element_prices(
    needs: pl.DataFrame,
    markets: Mapping[date, pl.DataFrame],
    buyer: Buyer,
    goods_factors: pl.DataFrame,
    exchange_rates: pl.DataFrame,
) -> pl.DataFrame:
    """Price, vendors and pieces on offer of every element on every date.

    An offer counts if it is new, not suspect, in stock, and of a stated form (an open form may turn out to be another part). It
    counts at the price of a single piece: further price steps and multiples depend on what else is bought. Pieces beyond a
    limit per order do not count. The vendor must serve the buyer's region on the date. Its currency must have an exchange rate
    (:func:`~pipelines.inputs.exchange_rate_on`), to which the buyer's exchange margin is added. The price is the displayed one
    times the vendor's goods factor of the date, which adds tax and duty.

    Args:
        needs: part_code, colour_code and quantity, one row per element.
        markets: offers by date, columns of PRICE_HISTORY and is_suspect.
        buyer: gives currency and exchange margin.
        goods_factors: day, buyer_code, vendor_code and goods_factor (Float64): what the buyer pays for goods per unit of displayed
            price. A vendor without a row on a date does not serve the buyer then.
        exchange_rates: contract EXCHANGE_RATES.

    Returns:
        One row per date and element, sorted by them: day, part_code, colour_code, element_price (Float64, buyer's currency; null
        when stock covers less than ``PRICED_FROM_SHARE`` of the need), market_vendor_count, market_quantity (Int64).
    """
    offers = usable_offers(needs, markets, buyer, goods_factors, exchange_rates)
    return prices_from_offers(offers.drop("need"), needs, sorted(markets)).drop("supplier_kinds")


def prices_from_offers(
    offers: pl.DataFrame, needs: pl.DataFrame, days: Sequence[date], per: tuple[str, ...] = ()
) -> pl.DataFrame:
    """As :func:`element_prices`, for several baskets at once, from offers looked up before.

    Args:
        offers: as :func:`usable_offers` gives them, without ``need``, for all elements of all baskets; maybe with vendor_kind.
        needs: columns ``per``, part_code, colour_code and quantity, one row per basket and element.
        days: the dates.
        per: columns of ``needs`` that distinguish baskets.

    Returns:
        The columns ``per``, those of :func:`element_prices`, and ``supplier_kinds``: whose stock made the price, ``independent``,
        ``maker`` or ``both``; null where there is none or vendor_kind is not given.
    """
    needed = needs.select(*per, *ELEMENT, pl.col("quantity").alias("need"))
    found = cheapest_cover(offers.join(needed, on=ELEMENT), (*per, "day", *ELEMENT))
    grid = pl.DataFrame({"day": days}, schema={"day": pl.Date}).join(needs.select(*per, *ELEMENT), how="cross")
    return (
        grid.join(found, on=[*per, "day", *ELEMENT], how="left")
        .with_columns(pl.col("market_vendor_count", "market_quantity").fill_null(0))
        .sort(*per, "day", *ELEMENT)
    )


def usable_offers(
    needs: pl.DataFrame,
    markets: Mapping[date, pl.DataFrame],
    buyer: Buyer,
    goods_factors: pl.DataFrame,
    exchange_rates: pl.DataFrame,
) -> pl.DataFrame:
    """The offers that count for an element's price (see :func:`element_prices`, also for the arguments), one row each.

    Returns:
        day, part_code, colour_code, need, vendor_code, listing_code, currency_code, unit_price, quantity_available,
        maximum_per_order, and ``price`` (Float64: the purchaser's price in the buyer's currency, margin included).
    """
    offers = _offers(needs, markets)
    own = goods_factors.filter(pl.col("buyer_code") == buyer.buyer_code).drop("buyer_code")
    offers = offers.join(own, on=["day", "vendor_code"])
    offers = offers.join(_currency_factors(offers, buyer, exchange_rates), on=["day", "currency_code"])
    price = pl.col("unit_price").cast(pl.Float64) * pl.col("factor") * pl.col("goods_factor")
    return offers.with_columns(price=price).drop("goods_factor")


def _offers(needs: pl.DataFrame, markets: Mapping[date, pl.DataFrame]) -> pl.DataFrame:
    """The usable offers of the elements needed, of all dates; elements first, because a market is far larger than a basket."""
    usable = (
        (pl.col("condition") == "new")
        & ~pl.col("is_suspect")
        & (pl.col("form_certainty") == "stated")
        & (pl.col("step_from_quantity") == 1)
        & (pl.col("quantity_available") > 0)
    )
    needed = needs.select(*ELEMENT, pl.col("quantity").alias("need"))
    columns = ("vendor_code", "listing_code", "currency_code", "unit_price", "quantity_available", "maximum_per_order")
    return pl.concat(
        market.join(needed, on=ELEMENT).filter(usable).select(pl.lit(day).alias("day"), *ELEMENT, "need", *columns)
        for day, market in sorted(markets.items())
    )


def _currency_factors(offers: pl.DataFrame, buyer: Buyer, exchange_rates: pl.DataFrame) -> pl.DataFrame:
    """Buyer's currency per unit of each currency on each date, margin included; currencies without a rate are absent."""
    rows = []
    for day, currency_code in offers.select("day", "currency_code").unique().sort("day", "currency_code").iter_rows():
        rate = exchange_rate_on(exchange_rates, currency_code, buyer.currency_code, day)
        if rate is not None:
            margin = Fraction(buyer.exchange_margin_pct) if currency_code != buyer.currency_code else Fraction(0)
            rows.append((day, currency_code, float(rate * (1 + margin / 100))))
    return pl.DataFrame(rows, {"day": pl.Date, "currency_code": pl.String, "factor": pl.Float64}, orient="row")


def cheapest_cover(offers: pl.DataFrame, group: tuple[str, ...]) -> pl.DataFrame:
    """Mean price of the cheapest pieces up to the need, per group, such as date and element; offers of :func:`usable_offers`.

    Returns:
        ``group``, element_price, market_vendor_count, market_quantity, and supplier_kinds (see :func:`prices_from_offers`).
    """
    buyable = pl.min_horizontal("quantity_available", "maximum_per_order")
    before = (pl.col("buyable").cum_sum() - pl.col("buyable")).over(group)
    taken = (pl.col("need") - pl.col("before")).clip(0, pl.col("buyable"))
    is_priced = pl.col("covered") >= PRICED_FROM_SHARE * pl.col("need")
    kind = pl.col("vendor_kind") if "vendor_kind" in offers.columns else pl.lit(None, dtype=pl.String)
    supplies = pl.col("taken") > 0
    from_maker, from_others = ((supplies & is_kind).any() for is_kind in (kind == "maker", kind != "maker"))
    kinds = (
        pl.when(pl.col("from_maker") & pl.col("from_others"))
        .then(pl.lit("both"))
        .when(pl.col("from_maker"))
        .then(pl.lit("maker"))
        .when(pl.col("from_others"))
        .then(pl.lit("independent"))
    )
    return (
        offers.with_columns(buyable=buyable)
        .sort(*group, "price", "vendor_code", "listing_code")
        .with_columns(before=before)
        .with_columns(taken=taken)
        .group_by(group, maintain_order=True)
        .agg(
            pl.col("need").first(),
            pl.col("taken").sum().alias("covered"),
            (pl.col("price") * pl.col("taken")).sum().alias("paid"),
            pl.col("vendor_code").n_unique().cast(pl.Int64).alias("market_vendor_count"),
            pl.col("quantity_available").sum().alias("market_quantity"),
            from_maker.alias("from_maker"),
            from_others.alias("from_others"),
        )
        .with_columns(
            element_price=pl.when(is_priced).then(pl.col("paid") / pl.col("covered")),
            supplier_kinds=pl.when(is_priced).then(kinds),
        )
        .select(*group, "element_price", "market_vendor_count", "market_quantity", "supplier_kinds")
    )
