"""What pieces that could not be bought would probably cost: a stated estimate, never a promise."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, timedelta
from fractions import Fraction

import polars as pl

from pipelines.costing.candidates import OFFER_KEY
from pipelines.costing.fitting import PORTION_KEY, fitting_elements
from pipelines.costing.terms_on import buyers_rate
from pipelines.inputs import WorkspaceInputs
from pipelines.money import round_half_up
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
CONDITIONS = ["new", "used"]
_ELEMENT = ["part_code", "colour_code", "condition"]


def estimates(
    unfilled: pl.DataFrame,
    last_seen: pl.DataFrame,
    summaries: pl.DataFrame,
    inputs: WorkspaceInputs,
    day: date,
    buyer: Buyer,
    scenario: Scenario,
) -> pl.DataFrame:
    """A price for one piece of each portion, from the first basis that knows one.

    ``last_seen``: the latest price of every fitting offer, fresh or not, of any vendor, at most a year old. Of each
    vendor its cheapest fitting offer at its price for the fewest pieces counts, and among vendors the median (the lower
    of the middle two): one odd price, or one vendor with many listings, does not move it.
    ``other_condition``: the same over offers in a condition the portion does not take.
    ``summary``: of each source the lowest average among the fitting elements, and among sources the lower median.
    ``none``: nothing is known.

    Args:
        unfilled: the portions concerned, PORTIONS_SCHEMA of demand.py.
        last_seen: PRICE_HISTORY columns, the latest price of every offer.
        summaries: PRICE_SUMMARY, the latest per source and element.
        inputs: the workspace.
        day: whose rates and interchange hold; prices after it do not count.
        buyer: whose currency the estimate is in, exchange margin included.
        scenario: the rules.

    Returns:
        ESTIMATE_SCHEMA, one row per portion, in their order.
    """
    everything = fitting_elements(
        unfilled, inputs.tables, day, use_interchange=scenario.use_interchange, conditions=CONDITIONS
    ).filter(pl.col("make_up_code") == "")
    accepted = pl.col("condition").is_in(pl.col("accept_conditions").list.concat(pl.lit(list(scenario.conditions))))
    marked = everything.join(unfilled.select(*PORTION_KEY, "accept_conditions"), on=PORTION_KEY).with_columns(
        accepted.alias("is_accepted")
    )
    fits, others = marked.filter("is_accepted"), marked.filter(~pl.col("is_accepted"))
    oldest = day - timedelta(days=MAXIMUM_AGE_DAYS)
    seen = _single_prices(last_seen.filter(pl.col("last_confirmed_on").is_between(oldest, day)))
    known = summaries.filter(pl.col("observed_on").is_between(oldest, day)).select(
        *_ELEMENT,
        "currency_code",
        pl.col("source_code").alias("seller"),
        pl.col("average_price").alias("price"),
        pl.lit("stated").alias("form_certainty"),
    )
    rates = _rates(pl.concat([seen["currency_code"], known["currency_code"]]), inputs, day, buyer)
    found: dict[tuple[int, int], tuple[Fraction, str]] = {}
    for basis, fitting, prices in (
        ("summary", fits, known),
        ("other_condition", others, seen),
        ("last_seen", fits, seen),
    ):
        for portion, price in _median_prices(fitting, prices, rates).items():
            found[portion] = (price, basis)
    rows = [
        (
            *portion,
            None if portion not in found else round_half_up(found[portion][0], 6),
            found.get(portion, (0, "none"))[1],
        )
        for portion in unfilled.select(PORTION_KEY).iter_rows()
    ]
    return pl.DataFrame(rows, schema=ESTIMATE_SCHEMA, orient="row")


def _single_prices(offers: pl.DataFrame) -> pl.DataFrame:
    """Each offer's price for the fewest pieces."""
    trusted = offers.filter(~pl.col("is_suspect")) if "is_suspect" in offers.columns else offers
    return (
        trusted.sort(*OFFER_KEY, "step_from_quantity")
        .unique(OFFER_KEY, keep="first", maintain_order=True)
        .select(
            *_ELEMENT,
            "currency_code",
            pl.col("vendor_code").alias("seller"),
            pl.col("unit_price").alias("price"),
            "form_certainty",
        )
    )


def _rates(currencies: Iterable[str], inputs: WorkspaceInputs, day: date, buyer: Buyer) -> dict[str, Fraction]:
    rates = {code: buyers_rate(inputs, code, day, buyer) for code in sorted(set(currencies))}
    return {code: rate for code, rate in rates.items() if rate is not None}


def _median_prices(
    fits: pl.DataFrame, prices: pl.DataFrame, rates: dict[str, Fraction]
) -> dict[tuple[int, int], Fraction]:
    lowest = (
        fits.join(prices, on=_ELEMENT)
        .filter(~pl.col("needs_stated_form") | (pl.col("form_certainty") == "stated"))
        .group_by(*PORTION_KEY, "seller", "currency_code")
        .agg(pl.col("price").min())
    )
    by_seller: dict[tuple[int, int], dict[str, Fraction]] = {}
    for line, portion, seller, currency, price in lowest.iter_rows():
        if currency in rates:
            known = by_seller.setdefault((line, portion), {})
            converted = Fraction(price) * rates[currency]
            known[seller] = min(converted, known.get(seller, converted))
    return {portion: sorted(known.values())[(len(known) - 1) // 2] for portion, known in by_seller.items()}
