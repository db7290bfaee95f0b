"""How price changes of a model's elements spread, and which vendors' price changes move a model."""

from __future__ import annotations

from datetime import date

import polars as pl

from pipelines.inputs import WorkspaceInputs
from pipelines.settings import Buyer
from pipelines.trends.model_index.basket import basket_lines
from pipelines.trends.months import month_before
from pipelines.trends.prices.element_prices import ELEMENT, cheapest_cover, usable_offers
from schemas.published.over_time import VENDOR_CHANGE
from schemas.published.price_index import PRICE_CHANGE_DISTRIBUTION
from schemas.validate import empty_frame, polars_schema, validate_typed

SPANS = (1, 12)
NO_CHANGE_PCT = 1e-9
"""Means of equal prices may differ in their last bits."""
PERCENTILES = (10, 25, 50, 75, 90)


def price_change_distribution(element_price: pl.DataFrame) -> pl.DataFrame:
    """Percentiles of the changes of the elements' prices over 1 and 12 months, and how many rose, stood still and fell.

    Only elements with a price of their own in both months count, each once. Percentiles are of type 7 (linear interpolation).

    Args:
        element_price: contract ELEMENT_PRICE.

    Returns:
        A frame of the contract PRICE_CHANGE_DISTRIBUTION.
    """
    group = ("model_code", "buyer_code", "month")
    observed = (
        element_price.filter(pl.col("element_price").is_not_null() & ~pl.col("is_imputed"))
        .unique([*group, *ELEMENT], keep="first", maintain_order=True)
        .select(*group, *ELEMENT, "element_price")
    )
    months = observed["month"].unique().to_list()
    found = []
    for span in SPANS:
        earlier = pl.DataFrame(
            {"month": months, "earlier": [month_before(month, span) for month in months]},
            {"month": pl.String, "earlier": pl.String},
        )
        pairs = observed.join(earlier, on="month").join(
            observed.rename({"month": "earlier", "element_price": "price_before"}),
            on=["model_code", "buyer_code", "earlier", *ELEMENT],
        )
        change = 100 * (pl.col("element_price") / pl.col("price_before") - 1)
        found.append(
            pairs.with_columns(change=change)
            .group_by(group)
            .agg(
                change_month_count=pl.lit(span, pl.Int64),
                item_count=pl.len().cast(pl.Int64),
                risen_share=(pl.col("change") > NO_CHANGE_PCT).mean(),
                unchanged_share=(pl.col("change").abs() <= NO_CHANGE_PCT).mean(),
                fallen_share=(pl.col("change") < -NO_CHANGE_PCT).mean(),
                **{f"change_p{p}_pct": pl.col("change").quantile(p / 100, "linear") for p in PERCENTILES},
            )
        )
    rows = pl.concat(found).select(PRICE_CHANGE_DISTRIBUTION.columns).sort(PRICE_CHANGE_DISTRIBUTION.key)
    return validate_typed(PRICE_CHANGE_DISTRIBUTION, rows, where="distribution of price changes")


def vendor_changes(
    inputs: WorkspaceInputs,
    before_on: date,
    before: pl.DataFrame,
    day: date,
    market: pl.DataFrame,
    goods_factors: pl.DataFrame,
) -> pl.DataFrame:
    """What each vendor's new prices and stock since a date do to the cost of each model's basket.

    For every vendor the basket is priced twice: with today's market, and with the vendor's earlier offers in place of today's.
    The effect is the ratio. Prices are those of the index (:func:`~pipelines.trends.prices.element_prices.element_prices`), over
    the elements priced both times, so shipping and charges are left out. Tax and duty are those of the later date on both sides:
    a change of terms is no new price. A vendor that did not serve the buyer's region on the earlier date had no offers for the
    buyer then.

    Args:
        inputs: settings, models and exchange_rates.
        before_on: the earlier date, and ``before`` its market, as ``market_on`` gives it.
        day: the later date, and ``market`` its market.
        goods_factors: of both dates (:func:`~pipelines.trends.prices.element_prices.element_prices`).

    Returns:
        A frame of the contract VENDOR_CHANGE; vendors that move nothing are absent.
    """
    needs = pl.concat(
        [
            pl.DataFrame(schema=_NEEDS),
            *(
                basket_lines(model, day)
                .group_by(ELEMENT)
                .agg(need=pl.col("quantity").sum())
                .select(pl.lit(model.model_code).alias("model_code"), *ELEMENT, "need")
                for model in inputs.models
            ),
        ]
    )
    found = [empty_frame(VENDOR_CHANGE)]
    for buyer in inputs.settings.buyer if needs.height else ():
        effects = _effects(needs, buyer, inputs, before_on, before, day, market, goods_factors)
        rows = effects.with_columns(
            buyer_code=pl.lit(buyer.buyer_code),
            compared_on=pl.lit(before_on),
            terms_effect_pct=0.0,
            terms_refusal=pl.lit(""),
        )
        found.append(rows.select(VENDOR_CHANGE.columns).cast(polars_schema(VENDOR_CHANGE)))
    return validate_typed(VENDOR_CHANGE, pl.concat(found).sort(VENDOR_CHANGE.key), where=VENDOR_CHANGE.name)


_NEEDS = {"model_code": pl.String, **dict.fromkeys(ELEMENT, pl.String), "need": pl.Int64}


def _effects(
    needs: pl.DataFrame,
    buyer: Buyer,
    inputs: WorkspaceInputs,
    before_on: date,
    before: pl.DataFrame,
    day: date,
    market: pl.DataFrame,
    goods_factors: pl.DataFrame,
) -> pl.DataFrame:
    """model_code, vendor_code, moved_element_count and vendor_effect_pct."""
    needed = needs.select(*ELEMENT, pl.lit(1, pl.Int64).alias("quantity")).unique()
    today = goods_factors.filter(pl.col("day") == day)
    served_before = goods_factors.filter(pl.col("day") == before_on)
    then_served = today.join(served_before, on=["buyer_code", "vendor_code"], how="semi")
    # Both markets at the exchange rates, taxes and duties of today: none of them is a new price of a vendor.
    now, then = (
        usable_offers(needed, {day: frame}, buyer, factors, inputs.tables["exchange_rates"]).drop("need")
        for frame, factors in ((market, today), (before, then_served))
    )
    changed = _changed(then, now)
    columns = ("variant", *now.columns)
    variants = pl.concat(
        [
            # Of the elements that a vendor changed: all others' offers as they are today, and its own as they were.
            changed.rename({"vendor_code": "variant"})
            .join(now, on=ELEMENT)
            .filter(pl.col("vendor_code") != pl.col("variant"))
            .select(columns),
            then.join(changed, on=["vendor_code", *ELEMENT])
            .with_columns(variant=pl.col("vendor_code"))
            .select(columns),
        ]
    )
    group = ("model_code", *ELEMENT)
    priced_now = cheapest_cover(now.join(needs, on=ELEMENT), group).select(*group, price_now="element_price")
    priced_then = cheapest_cover(variants.join(needs, on=ELEMENT), ("variant", *group)).select(
        *group, "variant", price_then="element_price"
    )
    paid = needs.join(priced_now.drop_nulls("price_now"), on=group)
    baskets = paid.group_by("model_code").agg(basket=(pl.col("need") * pl.col("price_now")).sort().sum())
    # Sums in one order: joins keep none, and sums of floats depend on it.
    effect = pl.col("need") * (pl.col("price_now") - pl.col("price_then"))
    moved = paid.join(priced_then.drop_nulls("price_then"), on=group).with_columns(effect=effect)
    return (
        moved.filter(pl.col("effect").abs() > NO_CHANGE_PCT / 100 * pl.col("need") * pl.col("price_now"))
        .group_by("model_code", vendor_code=pl.col("variant"))
        .agg(moved_element_count=pl.len().cast(pl.Int64), effect=pl.col("effect").sort().sum())
        .join(baskets, on="model_code")
        .with_columns(vendor_effect_pct=100 * pl.col("effect") / (pl.col("basket") - pl.col("effect")))
    )


def _changed(then: pl.DataFrame, now: pl.DataFrame) -> pl.DataFrame:
    """Vendors and elements whose offers differ between two sets of offers."""
    content = ("vendor_code", *ELEMENT, "listing_code", "price", "quantity_available", "maximum_per_order")
    old, new = then.select(content), now.select(content)
    both = pl.concat(
        [
            old.join(new, on=content, how="anti", nulls_equal=True),
            new.join(old, on=content, how="anti", nulls_equal=True),
        ]
    )
    return both.select("vendor_code", *ELEMENT).unique().sort("vendor_code", *ELEMENT)
