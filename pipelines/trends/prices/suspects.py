"""Suspect prices: unlike the offer's own earlier prices, and unlike what other vendors ask on that day.

A price is suspect only if it is unlike everything it can be compared with. It is compared with what was known on the day it
came up, so a past date keeps its answer. Nothing is changed or removed. The price is listed, and plans leave its offer out
until the price changes or someone confirms it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import date

import numpy as np
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
OWN_PRICES = 5
"""An offer's new price is compared with the median of so many before it."""
LONE_FACTOR = 2.0
"""With only one thing to compare with, history or market, a suspect price is at least this many times the usual one, or at
most that part of it."""

OFFER = ["vendor_code", "part_code", "colour_code", "condition", "listing_code"]
NEW_PRICE_COLUMNS = ("price_number", "valid_from_on", "unit_price", "own_price")
FLAGGED_COLUMNS = (
    "price_number", "own_price", "own_ratio", "market_price", "market_ratio", "rival_vendor_count", "pack_size", "suspicion",
)  # fmt: skip


def new_prices(periods: pl.DataFrame, since: date) -> pl.DataFrame:
    """New prices of an offer's step that came up on a day or later: others than the one before, or first ones.

    Args:
        periods: all price periods of some steps: the rows of sql/screens/step_period.sql.
        since: the day.

    Returns:
        price_number, valid_from_on, unit_price, and own_price: the median of the last five new prices before it (null without
        any).
    """
    price, step = pl.col("unit_price"), pl.col("step")
    frame = (
        _by_step(periods)
        .with_columns(step=_is_other("step_hash", "other_hash").cum_sum())
        .filter(_is_other("step", "unit_price"))
    )
    earlier = {
        f"earlier_{places}": pl.when(step == step.shift(places)).then(price.shift(places))
        for places in range(1, 1 + OWN_PRICES)
    }
    frame = frame.with_columns(**earlier).filter(pl.col("valid_from_on") >= since)
    has_several = pl.col("earlier_2").is_not_null()
    one = frame.filter(~has_several).with_columns(own_price="earlier_1")
    several = frame.filter(has_several).with_columns(own_price=pl.concat_list(*earlier).list.median())
    return pl.concat([one, several]).select(NEW_PRICE_COLUMNS)


def _by_step(periods: pl.DataFrame) -> pl.DataFrame:
    """Sorted by step, then by date. That two steps share their first hash hardly ever happens: only then the second is sorted by."""
    frame = periods
    for keys in (("valid_from_on", "step_hash"), ("valid_from_on", "other_hash", "step_hash")):
        frame = periods[np.lexsort([periods[name].to_physical().to_numpy() for name in keys])]
        is_mixed = ~_is_other("step_hash") & _is_other("other_hash")
        if not frame.select(is_mixed.any()).item():
            break
    return frame


def _is_other(*names: str) -> pl.Expr:
    """Whether a row has another value than the one before it in one of the columns; True in the first row."""
    return pl.any_horizontal(pl.col(name) != pl.col(name).shift(1) for name in names).fill_null(True)


def standing_out(changes: pl.DataFrame) -> pl.DataFrame:
    """Changes unlike the offer's own prices before.

    A change is compared with all changes of its date in its part family: a rise that a whole family shares is news, not an
    error. It stands out if both the quartile method on log relatives and Hidiroglou and Berthelot's method flag it. The
    second lets changes of cheap pieces pass, where rounding alone may double a price.

    Args:
        changes: all new prices of some days that have others before them: the rows of sql/screens/price_change.sql.

    Returns:
        price_number and own_ratio (price through the median of the five prices before) of those that stand out.
    """
    scale = pl.col("factor").fill_null(1.0)
    before, after = pl.col("own_price") * scale, pl.col("unit_price") * scale
    is_large = pl.len().over("valid_from_on", "part_family") >= SMALLEST_GROUP
    of_group = ("valid_from_on", "group")
    frame = changes.with_columns(
        own_ratio=pl.col("unit_price") / pl.col("own_price"),
        group=pl.when(is_large).then("part_family").fill_null(""),
    ).with_columns(
        log_ratio=pl.col("own_ratio").log(), effect=screens.size_weighted_effect(before, after).over(of_group)
    )
    low, high = screens.quartile_limits(pl.col("log_ratio"), QUARTILE_CUTOFF, OWN_SPREAD)
    least, most = screens.hidiroglou_berthelot_limits(pl.col("effect"), HB_CUTOFF)
    limits = frame.group_by(of_group).agg(
        pl.len().alias("size"), low=low, high=high, least_effect=least, most_effect=most
    )
    log_ratio, effect = pl.col("log_ratio"), pl.col("effect")
    is_outside = ((log_ratio < pl.col("low")) | (log_ratio > pl.col("high"))) & (
        (effect < pl.col("least_effect")) | (effect > pl.col("most_effect"))
    )
    is_far = log_ratio.abs() > QUARTILE_CUTOFF * OWN_SPREAD
    is_decided_together = pl.col("size") >= SMALLEST_GROUP
    found = frame.join(limits, on=of_group).filter(pl.when(is_decided_together).then(is_outside).otherwise(is_far))
    return found.select("price_number", "own_ratio")


def common_rates(
    days: Iterable[date], currency_codes: Iterable[str], exchange_rates: pl.DataFrame, common_currency_code: str
) -> pl.DataFrame:
    """What a unit of every currency was worth in one of them, on every date on which a price came up.

    Returns:
        day, currency_code, factor (Float64); without those for which there is no rate within a week.
    """
    rows = []
    for code in currency_codes:
        pair = [code, common_currency_code]
        known = exchange_rates.filter(pl.col("from_currency_code").is_in(pair) & pl.col("to_currency_code").is_in(pair))
        rows += [
            (day, code, float(rate))
            for day in days
            if (code == common_currency_code or known.height)
            and (rate := exchange_rate_on(known, code, common_currency_code, day)) is not None
        ]
    return pl.DataFrame(rows, {"day": pl.Date, "currency_code": pl.String, "factor": pl.Float64}, orient="row")


def against_market(candidates: pl.DataFrame) -> pl.DataFrame:
    """Those candidates that are outliers on the market too, or that have a history and no market.

    A price is compared with the lowest price for few pieces of every other vendor of the element on the day, by the quartile
    method on logarithms. With fewer than ``FEWEST_RIVALS`` of them its own history alone decides, and for a first price the
    market alone; then the price must be off by ``LONE_FACTOR`` as well. A first price without a market is never suspect.

    Args:
        candidates: the rows of sql/screens/candidate_market.sql.

    Returns:
        The prices that stand out: price_number, own_price, own_ratio, market_price (in the currency of the price) and
        market_ratio (both null without enough rivals), rival_vendor_count, pack_size and suspicion (see
        :func:`with_likely_cause`).
    """
    low, high = screens.limits_from_quartiles(
        pl.col("first_quartile"), pl.col("median_log_price"), pl.col("third_quartile"), QUARTILE_CUTOFF, MARKET_SPREAD
    )
    has_market = (pl.col("rival_vendor_count") >= FEWEST_RIVALS) & pl.col("log_price").is_not_null()
    usual = pl.col("median_log_price")
    is_outside = (pl.col("log_price") < low) | (pl.col("log_price") > high)
    compared = candidates.with_columns(has_market=has_market).with_columns(
        market_ratio=pl.when("has_market").then((pl.col("log_price") - usual).exp()),
        market_price=pl.when("has_market").then(usual.exp() / pl.col("factor")),
    )
    own, market = pl.col("own_ratio").log().abs(), pl.col("market_ratio").log().abs()
    is_far = pl.max_horizontal(own, market) > math.log(LONE_FACTOR)
    compared = compared.filter(
        pl.when(~pl.col("has_market"))
        .then(pl.col("own_ratio").is_not_null() & is_far)
        .otherwise(is_outside & (pl.col("own_ratio").is_not_null() | is_far))
    )
    return with_likely_cause(compared).select(FLAGGED_COLUMNS)


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


def exact_prices(price_periods: pl.DataFrame) -> pl.DataFrame:
    """The rows of sql/screens/suspect_price_period.sql with exact prices: the columns of SUSPECT_PRICE that no model decides."""
    return price_periods.with_columns(_exact("own_price"), _exact("market_price"))


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
