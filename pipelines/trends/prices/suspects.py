"""Suspect prices: unlike the offer's own earlier prices, and unlike what other vendors ask on that day.

A price is suspect only if it is unlike everything it can be compared with. It is compared with what was known on the day it
came up, so a past date keeps its answer. Nothing is changed or removed. The price is listed, and plans leave its offer out
until the price changes or someone confirms it.
"""

from __future__ import annotations

import math

import polars as pl

from pipelines.inputs import exchange_rate_on
from pipelines.trends.prices import screens

QUARTILE_CUTOFF = 2.5
HB_CUTOFF = 7.0
"""Within the usual 4 to 7; the cautious end, because a price left out may be the cheapest there is."""
OWN_SPREAD = 0.1
"""Least spread of log changes against an offer's own prices: below exp(2.5 x 0.1) = 1.28 times, or above 0.78, nothing stands out."""
MARKET_SPREAD = 0.2
"""Least spread of log prices among vendors: below exp(2.5 x 0.2) = 1.65 times, or above 0.61, nothing stands out."""
SMALLEST_GROUP = 20
"""Changes of one date and part family that are enough for a group of their own. Smaller families form one group; where even
that is smaller, a change stands out by the least spread around no change at all."""
FEWEST_RIVALS = 3
"""Other vendors needed to know an element's usual price."""
SMALL_PACKS = (2, 3, 4, 5, 6, 8, 10, 12, 20, 25, 50, 100)
"""How many pieces a pack may hold (common practice, no source)."""
NEAR = 0.07
"""How far, in logs, a ratio may lie from a pack's size: a price moves that much in a few months."""
LONE_FACTOR = 2.0
"""With only one thing to compare with, history or market, a suspect price is at least this many times the usual one, or at
most that part of it."""

OFFER = ["vendor_code", "part_code", "colour_code", "condition", "listing_code"]
CANDIDATE_COLUMNS = ("candidate_number", "vendor_code", "part_code", "colour_code", "condition", "valid_from_on")


def candidates(new_prices: pl.DataFrame, parts: pl.DataFrame, rates: pl.DataFrame) -> pl.DataFrame:
    """New prices unlike the offer's own prices before, and first prices, which have none before.

    A change is compared with all changes of its date in its part family: a rise that a whole family shares is news, not an
    error. It stands out if both the quartile method on log relatives and Hidiroglou and Berthelot's method flag it. The
    second lets changes of cheap pieces pass, where rounding alone may double a price.

    Args:
        new_prices: the rows of sql/screens/new_price.sql.
        parts: contract PARTS.
        rates: from :func:`common_rates`; prices without a rate are compared with their own history only.

    Returns:
        The new prices concerned, with candidate_number, own_ratio (price through the median of the five prices before; null
        for first prices) and log_price (natural logarithm of the price in the common currency; null without a rate).
    """
    families = parts.select("part_code", "part_family")
    price = pl.col("unit_price").cast(pl.Float64)
    frame = (
        new_prices.join(families, on="part_code", how="left", maintain_order="left")
        .join(
            rates, left_on=["valid_from_on", "currency_code"], right_on=["day", "currency_code"], how="left",
            maintain_order="left",
        )
        .with_columns(own_ratio=price / pl.col("own_price"), log_price=(price * pl.col("factor")).log())
    )  # fmt: skip
    firsts = frame.filter(pl.col("own_ratio").is_null())
    scale = pl.col("factor").fill_null(1.0)
    is_large = pl.len().over("valid_from_on", "part_family") >= SMALLEST_GROUP
    changes = frame.filter(pl.col("own_ratio").is_not_null()).with_columns(
        group=pl.when(is_large).then("part_family").fill_null("")
    )
    of_group = ("valid_from_on", "group")
    log_ratio = pl.col("own_ratio").log()
    by_quartiles = screens.quartile_outliers(log_ratio, QUARTILE_CUTOFF, OWN_SPREAD)
    by_effect = screens.hidiroglou_berthelot_outliers(
        pl.col("own_price") * scale, pl.col("unit_price").cast(pl.Float64) * scale, HB_CUTOFF
    )
    is_outside = by_quartiles.over(of_group) & by_effect.over(of_group)
    is_far = log_ratio.abs() > QUARTILE_CUTOFF * OWN_SPREAD
    is_decided_together = pl.len().over(of_group) >= SMALLEST_GROUP
    standing_out = changes.filter(pl.when(is_decided_together).then(is_outside).otherwise(is_far))
    found = pl.concat([firsts, standing_out.select(firsts.columns)])
    return found.sort(
        "vendor_code", "part_code", "colour_code", "condition", "listing_code", "step_from_quantity", "valid_from_on"
    ).with_row_index("candidate_number")


def common_rates(new_prices: pl.DataFrame, exchange_rates: pl.DataFrame, currency_code: str) -> pl.DataFrame:
    """What a unit of every currency was worth in one of them, on every date on which a price came up.

    Returns:
        day, currency_code, factor (Float64); without those for which there is no rate within a week.
    """
    days = new_prices["valid_from_on"].unique().sort()
    codes = new_prices["currency_code"].unique().sort()
    rows = [
        (day, code, float(rate))
        for code in codes
        for day in days
        if (rate := exchange_rate_on(exchange_rates, code, currency_code, day)) is not None
    ]
    return pl.DataFrame(rows, {"day": pl.Date, "currency_code": pl.String, "factor": pl.Float64}, orient="row")


def against_market(found: pl.DataFrame, rival_prices: pl.DataFrame, rates: pl.DataFrame) -> pl.DataFrame:
    """Those candidates that are outliers on the market too, or that have a history and no market.

    A price is compared with the lowest price for few pieces of every other vendor of the element on the day, by the quartile
    method on logarithms. With fewer than ``FEWEST_RIVALS`` of them its own history alone decides, and for a first price the
    market alone; then the price must be off by ``LONE_FACTOR`` as well. A first price without a market is never suspect.

    Args:
        found: from :func:`candidates`.
        rival_prices: the rows of sql/screens/rival_price.sql for them.
        rates: as for :func:`candidates`.

    Returns:
        The prices that stand out: columns of ``found``, rival_vendor_count, market_ratio and market_price (in the
        currency of the price; both null without enough rivals), pack_size and suspicion (see :func:`with_likely_cause`).
    """
    log_rival = (pl.col("unit_price").cast(pl.Float64) * pl.col("factor")).log()
    rivals = rival_prices.join(
        rates, left_on=["valid_from_on", "currency_code"], right_on=["day", "currency_code"]
    ).with_columns(log_rival=log_rival)
    rival = pl.col("log_rival")
    limits = rivals.group_by("candidate_number").agg(
        rival.quantile(0.25, interpolation="linear").alias("first"),
        rival.median().alias("usual"),
        rival.quantile(0.75, interpolation="linear").alias("third"),
        pl.len().alias("rivals"),
    )
    low, high = screens.limits_from_quartiles(
        pl.col("first"), pl.col("usual"), pl.col("third"), QUARTILE_CUTOFF, MARKET_SPREAD
    )
    limits = limits.select("candidate_number", low.alias("low"), high.alias("high"), "usual", "rivals")
    has_market = (pl.col("rivals") >= FEWEST_RIVALS) & pl.col("log_price").is_not_null()
    is_outside = (pl.col("log_price") < pl.col("low")) | (pl.col("log_price") > pl.col("high"))
    compared = found.join(limits, on="candidate_number", how="left", maintain_order="left").with_columns(
        rival_vendor_count=pl.col("rivals").fill_null(0).cast(pl.Int64), has_market=has_market.fill_null(False)
    )
    compared = compared.with_columns(
        market_ratio=pl.when("has_market").then((pl.col("log_price") - pl.col("usual")).exp()),
        market_price=pl.when("has_market").then(pl.col("usual").exp() / pl.col("factor")),
    )
    own, market = pl.col("own_ratio").log().abs(), pl.col("market_ratio").log().abs()
    is_far = pl.max_horizontal(own, market) > math.log(LONE_FACTOR)
    compared = compared.filter(
        pl.when(~pl.col("has_market"))
        .then(pl.col("own_ratio").is_not_null() & is_far)
        .otherwise(is_outside & (pl.col("own_ratio").is_not_null() | is_far))
    )
    return with_likely_cause(compared).drop("low", "high", "usual", "rivals", "has_market")


def with_likely_cause(flagged: pl.DataFrame) -> pl.DataFrame:
    """Add what probably went wrong: ``pack_size`` and ``suspicion``.

    ``pack_size`` is the small whole number that the ratio to the offer's own price (for a first price, to the market's) or
    its inverse is near; null without one. ``suspicion`` is one of:

    - price_per_pack: so many times the usual price, as if a pack's price stood for a piece's
    - price_divided: the usual price divided by so many, as if a piece's price were taken for a pack's
    - decimal_point: ten or a hundred times, or a tenth or hundredth, where the offer is not sold in such packs
    - stands_out: none of these
    """
    distance = pl.coalesce("own_ratio", "market_ratio").log()
    off = {pack: (distance.abs() - math.log(pack)).abs() for pack in SMALL_PACKS}
    nearest = pl.min_horizontal(*off.values(), pl.lit(NEAR))
    size = pl.coalesce(pl.when(value == nearest).then(pack) for pack, value in off.items())
    is_slip = pl.col("pack_size").is_in([10, 100]) & (pl.col("sold_in_multiples_of") != pl.col("pack_size"))
    suspicion = (
        pl.when(pl.col("pack_size").is_null())
        .then(pl.lit("stands_out"))
        .when(is_slip)
        .then(pl.lit("decimal_point"))
        .when(distance > 0)
        .then(pl.lit("price_per_pack"))
        .otherwise(pl.lit("price_divided"))
    )
    return flagged.with_columns(pack_size=size.cast(pl.Int64)).with_columns(suspicion=suspicion)


def flagged_prices(flagged: pl.DataFrame) -> pl.DataFrame:
    """The columns that sql/screens/suspect_price_period.sql needs of the prices from :func:`against_market`."""
    return flagged.select(
        pl.col("candidate_number").alias("price_number"),
        *OFFER,
        "step_from_quantity",
        "currency_code",
        pl.col("valid_from_on").alias("price_from_on"),
        "next_price_on",
    )


def price_periods(flagged: pl.DataFrame, found: pl.DataFrame) -> pl.DataFrame:
    """The flagged prices by price period: the columns of SUSPECT_PRICE that do not depend on the models.

    Args:
        flagged: from :func:`against_market`.
        found: the rows of sql/screens/suspect_price_period.sql for them.
    """
    prices = flagged.select(
        pl.col("candidate_number").alias("price_number"),
        *OFFER,
        "currency_code",
        "unit_price",
        pl.col("valid_from_on").alias("price_from_on"),
        _exact("own_price"),
        "own_ratio",
        _exact("market_price"),
        "market_ratio",
        "rival_vendor_count",
        "pack_size",
        "suspicion",
    )
    return found.join(prices, on="price_number", maintain_order="left").drop("price_number")


def _exact(name: str) -> pl.Expr:
    return pl.col(name).round(6).cast(pl.Decimal(18, 6))


def cleared(flagged: pl.DataFrame, confirmed: pl.DataFrame) -> pl.DataFrame:
    """Add ``cleared_from_on``: from when on a price is confirmed; null where it is not.

    A confirmation is about an offer at a price. It also clears that offer's prices within a usual change around it, or the
    next small change would make the offer suspect again.

    Args:
        flagged: with the offer's key, unit_price.
        confirmed: contract CONFIRMED_PRICES.
    """
    both = flagged.with_row_index("row").join(
        confirmed.select(*OFFER, pl.col("unit_price").alias("right_price"), pl.col("valid_from_on").alias("since")),
        on=OFFER,
    )
    change = (pl.col("unit_price").cast(pl.Float64) / pl.col("right_price").cast(pl.Float64)).log()
    since = (
        both.filter(change.abs() <= QUARTILE_CUTOFF * OWN_SPREAD)
        .group_by("row")
        .agg(pl.col("since").min().alias("cleared_from_on"))
    )
    return flagged.with_row_index("row").join(since, on="row", how="left", maintain_order="left").drop("row")
