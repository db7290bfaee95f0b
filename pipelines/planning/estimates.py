"""About what pieces that can't be bought would cost: a stated estimate, never a promise."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction

import polars as pl

from pipelines.costing.terms_on import buyers_rate
from pipelines.demand.fitting import PORTION_KEY
from pipelines.inputs import WorkspaceInputs
from pipelines.money import round_half_up
from pipelines.planning.candidates import OFFER_KEY
from pipelines.settings import Buyer, Scenario

ESTIMATE_SCHEMA = pl.Schema(
    {
        "line_number": pl.Int64(),
        "portion_number": pl.Int64(),
        "estimated_unit_price": pl.Decimal(18, 6),  # buyer's currency; null without an estimate
        "estimate_basis": pl.String(),
    }
)
MAXIMUM_AGE_DAYS = 365
BASES = ("last_seen", "other_condition", "summary")
"""What an estimate is based on: the first of these that has a price."""
_ELEMENT = ["part_code", "colour_code", "condition"]


@dataclass(frozen=True)
class KnownPrices:
    """Prices of one piece of an element, seen up to a date.

    Attributes:
        prices: part_code, colour_code, condition, seller, currency_code, price, form_certainty, is_summary.
        rates: the buyer's currency for one unit of each currency; prices in others do not count.
    """

    prices: pl.DataFrame
    rates: dict[str, Fraction]


def known_prices(
    last_seen: pl.DataFrame, summaries: pl.DataFrame, inputs: WorkspaceInputs, day: date, buyer: Buyer
) -> KnownPrices:
    """What estimates are based on: each offer's price for the fewest pieces, and averages, at most a year old.

    Args:
        last_seen: PRICE_HISTORY columns, the latest price of every offer.
        summaries: PRICE_SUMMARY, the latest per source and element.
        inputs: the workspace.
        day: whose rates count; later prices do not.
        buyer: whose currency estimates are in, exchange margin included.
    """
    last_seen, summaries = young_enough(last_seen, summaries, day)
    trusted = last_seen.filter(~pl.col("is_suspect")) if "is_suspect" in last_seen.columns else last_seen
    seen = (
        trusted.sort(*OFFER_KEY, "step_from_quantity")
        .unique(OFFER_KEY, keep="first", maintain_order=True)
        .select(
            *_ELEMENT,
            pl.col("vendor_code").alias("seller"),
            "currency_code",
            pl.col("unit_price").alias("price"),
            "form_certainty",
            pl.lit(False).alias("is_summary"),
        )
    )
    averages = summaries.select(
        *_ELEMENT,
        pl.col("source_code").alias("seller"),
        "currency_code",
        pl.col("average_price").alias("price"),
        pl.lit("stated").alias("form_certainty"),
        pl.lit(True).alias("is_summary"),
    )
    prices = pl.concat([seen, averages])
    rates = {code: buyers_rate(inputs, code, day, buyer) for code in sorted(set(prices["currency_code"].to_list()))}
    return KnownPrices(prices, {code: rate for code, rate in rates.items() if rate is not None})


def young_enough(last_seen: pl.DataFrame, summaries: pl.DataFrame, day: date) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Of prices seen and averages, those that estimates of a day look at."""
    oldest = day - timedelta(days=MAXIMUM_AGE_DAYS)
    return (
        last_seen.filter(pl.col("last_confirmed_on").is_between(oldest, day)),
        summaries.filter(pl.col("observed_on").is_between(oldest, day)),
    )


def estimates(unfilled: pl.DataFrame, fits: pl.DataFrame, known: KnownPrices, scenario: Scenario) -> pl.DataFrame:
    """A price for one piece of each portion, from the first basis that has one.

    - ``last_seen``: the latest price of every fitting offer of any vendor, fresh or not, at most a year old. Each vendor counts
      once, by its cheapest fitting offer at the price for the fewest pieces. The estimate is the median over vendors (the lower
      of the middle two), so that one odd price, or one vendor with many offers, does not change it.
    - ``other_condition``: the same over offers in a condition that the portion does not accept.
    - ``summary``: the lower median over sources of each one's lowest average among the fitting elements.
    - ``none``: no price is known.

    Args:
        unfilled: these portions, PORTIONS_SCHEMA.
        fits: FIT_SCHEMA, the elements that may fill these portions, and perhaps others, in any condition.
        known: the prices.
        scenario: the rules.

    Returns:
        ESTIMATE_SCHEMA, one row per portion, in their order.
    """
    if not unfilled.height:
        return pl.DataFrame(schema=ESTIMATE_SCHEMA)
    is_accepted = pl.col("condition").is_in(scenario.conditions) | pl.col("condition").is_in("accept_conditions")
    lowest = (
        unfilled.select(*PORTION_KEY, "accept_conditions")
        .join(fits.filter(pl.col("combination_code") == ""), on=PORTION_KEY)
        .join(known.prices, on=_ELEMENT)
        .filter(~pl.col("needs_stated_form") | (pl.col("form_certainty") == "stated"))
        .with_columns(is_accepted.alias("is_accepted"))
        .filter(pl.col("is_accepted") | ~pl.col("is_summary"))
        .group_by(*PORTION_KEY, "is_summary", "is_accepted", "seller", "currency_code")
        .agg(pl.col("price").min())
    )
    sellers: dict[tuple[int, int], dict[str, dict[str, Fraction]]] = {}
    for line, portion, is_summary, is_taken, seller, currency, price in lowest.iter_rows():
        if currency in known.rates:
            basis = "summary" if is_summary else "last_seen" if is_taken else "other_condition"
            of_basis = sellers.setdefault((line, portion), {}).setdefault(basis, {})
            converted = Fraction(price) * known.rates[currency]
            of_basis[seller] = min(converted, of_basis.get(seller, converted))
    rows = []
    for key in unfilled.select(PORTION_KEY).iter_rows():
        of_portion = sellers.get(key, {})
        basis = next((basis for basis in BASES if basis in of_portion), "none")
        price = None if basis == "none" else round_half_up(_lower_median(of_portion[basis].values()), 6)
        rows.append((*key, price, basis))
    return pl.DataFrame(rows, schema=ESTIMATE_SCHEMA, orient="row")


def _lower_median(prices: Iterable[Fraction]) -> Fraction:
    ordered = sorted(prices)
    return ordered[(len(ordered) - 1) // 2]
