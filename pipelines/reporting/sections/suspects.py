"""Prices that stand out, and what today's plans would cost with them."""

from __future__ import annotations

from datetime import date
from typing import Any

import polars as pl

from pipelines.reporting.basis.page_data import PageData, Row
from pipelines.reporting.basis.page_tables import Table, columns, count, money, number, unit_price
from schemas.published.price_history import SUSPECT_PRICE
from schemas.published.what_if import PLAN_VARIANT

MOST_SHOWN = 10
_OFFER = ("vendor_code", "part_code", "colour_code", "condition", "listing_code")


def suspect_words(page_data: PageData, on: date | None) -> list[str]:
    """How many prices were left out as suspect on a date, in a sentence that names none; nothing if there were none."""
    count_out = 0 if on is None else _standing(page_data, on).height
    is_one = count_out == 1
    words = f"{count(count_out, 'price')} that {'stands' if is_one else 'stand'} out {'is' if is_one else 'are'} left out until confirmed."
    return [words] if count_out else []


def suspect_section(page_data: PageData) -> dict[str, Any] | None:
    """Today's suspect prices: ``table``, ``more`` (a sentence), ``effects`` (sentences); None without any.

    It names elements of every model, so it is for private pages. Of an offer's price steps the one for the fewest pieces is shown.
    """
    if page_data.today is None:
        return None
    standing = _standing(page_data, page_data.today)
    if not standing.height:
        return None
    more = standing.height - MOST_SHOWN
    return {
        "table": _table(page_data, standing.head(MOST_SHOWN)),
        "more": f"{more} more are in the table suspect_price." if more > 0 else "",
        "effects": _effects(page_data),
    }


def _standing(page_data: PageData, on: date) -> pl.DataFrame:
    """Suspect offers of a date, a row each; of today those that some model could take, the most influential first."""
    standing = page_data.table(SUSPECT_PRICE).filter(
        (pl.col("valid_from_on") <= on)
        & (pl.col("valid_to_on").is_null() | (pl.col("valid_to_on") > on))
        & (pl.col("cleared_from_on").is_null() | (pl.col("cleared_from_on") > on))
    )
    if on == page_data.today:
        standing = standing.filter(pl.col("influence_rank").is_not_null())
    standing = standing.sort(*_OFFER, "step_from_quantity").unique(_OFFER, keep="first", maintain_order=True)
    return standing.sort("influence_rank", *_OFFER, nulls_last=True)


def _table(page_data: PageData, standing: pl.DataFrame) -> Table:
    vendors = page_data.vendor_names()
    currency = page_data.settings.buyer[0].currency_code
    rows = []
    for row in standing.iter_rows(named=True):
        code = row["currency_code"]
        usual = row["market_price"] if row["market_price"] is not None else row["own_price"]
        rows.append(
            (
                page_data.element_name(row["part_code"], row["colour_code"]),
                vendors.get(row["vendor_code"], row["vendor_code"]),
                f"{unit_price(row['unit_price'], code)} {code}",
                unit_price(row["own_price"], code),
                unit_price(row["market_price"], code),
                in_words(row, float(row["unit_price"] / usual)),
                count(row["servable_piece_count"]),
                money(row["cost_influence"], currency),
            )
        )
    headings = columns(
        "Element",
        "Vendor",
        "#Price",
        "#Its own before",
        "#Others that day",
        "What it looks like",
        "#Pieces the models could take",
        f"#Could be wrong by, {currency}",
    )
    return Table("Prices that stand out, kept out of the plans", headings, tuple(rows), is_stacked=True)


def in_words(row: Row, ratio: float) -> str:
    """What a price looks like, such as: 10 times the usual price, as for a pack of 10."""
    pack = row["pack_size"]
    if row["suspicion"] == "stands_out" or pack is None:
        return f"{number(ratio, 1 if ratio >= 1 else 2)} times the usual price"
    far = f"about {pack} times the usual price" if ratio > 1 else f"about 1/{pack} of the usual price"
    if row["suspicion"] == "decimal_point":
        return f"{far}: a slipped decimal point, or a pack of {pack}"
    if row["suspicion"] == "price_per_pack":
        return f"{far}: the price of a pack of {pack}?"
    return f"{far}: divided by a pack of {pack} once too often?"


def _effects(page_data: PageData) -> list[str]:
    """What today's cheapest mixes would cost with these prices; only where that makes a difference."""
    words = []
    for model in page_data.models:
        for buyer in page_data.buyers:
            plan = page_data.plan(model.code, buyer.buyer_code, "cheapest")
            if plan is None:
                continue
            variants = page_data.rows_of_plan(PLAN_VARIANT, plan).filter(pl.col("variant_kind") == "suspects_trusted")
            for variant in variants.iter_rows(named=True):
                if (variant["landed_cost"], variant["unfilled_piece_count"]) != (
                    plan["landed_cost"],
                    plan["unfilled_piece_count"],
                ):
                    code = plan["currency_code"]
                    words.append(
                        f"{model.title} for {buyer.title}: {money(variant['landed_cost'], code, with_code=True)} if they were "
                        f"right, {money(plan['landed_cost'], code, with_code=True)} without them"
                        + _pieces(variant["unfilled_piece_count"], plan["unfilled_piece_count"])
                    )
    return words


def _pieces(trusted: int, plan: int) -> str:
    return "." if trusted == plan else f" ({count(trusted)} missing pieces instead of {count(plan)})."
