"""Buying several copies of a model, or buying it together with other models."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import polars as pl

from pipelines.insight.together.joint_orders import SETS_AT_FULL_EFFORT_UP_TO
from pipelines.money import cost_interval, exactly
from pipelines.reporting.basis.page_data import PageData, ReportedModel, Row
from pipelines.reporting.basis.page_tables import Table, accuracy, between, columns, count, money, unit_price
from pipelines.reporting.basis.words import with_order, with_range
from pipelines.settings import Buyer
from schemas.published.joint_orders import JOINT_ORDER, JOINT_PLAN, JOINT_SEQUENCE, JOINT_SHARE
from schemas.published.whole_costs import COPY_COST

METHOD_WORDS = {
    "shapley": "A model's fair share is what it adds to the cost, on average over every sequence in which the models could join "
    "(Shapley value).",
    "proportional": "Shares are in proportion to the models' costs alone: there are too many models for a fairer rule.",
}


def copies_table(page_data: PageData, model: ReportedModel) -> Table | None:
    """One table for all buyers, and for one or several copies; money is in each buyer's own currency."""
    found = page_data.rows_today(COPY_COST).filter(pl.col("model_code") == model.code)
    rows = []
    for buyer in page_data.buyers:
        own = found.filter(pl.col("buyer_code") == buyer.buyer_code).sort("copies").to_dicts()
        for row in own:
            code = row["currency_code"]
            least = "at least " if row["unfilled_estimate_count"] else ""
            rows.append(
                (
                    f"{buyer.title}, {count(row['copies'], 'copy', 'copies')}",
                    least + money(row["complete_cost"], code, with_code=True),
                    least + money(row["cost_per_copy"], code, with_code=True),
                    count(row["vendor_count"]),
                    count(row["unfilled_piece_count"]),
                )
            )
    if len(rows) < 2:
        return None
    headings = columns("Buyer and copies", "#Complete cost", "#Per copy", "#Parcels", "#Missing pieces")
    return Table("The cheapest mix by buyer and number of copies", headings, tuple(rows), is_stacked=True)


def together_of(page_data: PageData, model: ReportedModel, buyer: Buyer) -> list[dict[str, Any]]:
    """The joint orders that a model is part of."""
    orders = page_data.rows_today(JOINT_ORDER).filter(pl.col("buyer_code") == buyer.buyer_code).to_dicts()
    own = [order for order in orders if model.code in order["joint_model_codes"].split(";")]
    return [_order(page_data, order) for order in own]


def _of(frame: pl.DataFrame, order: Row) -> pl.DataFrame:
    return frame.filter(
        (pl.col("joint_order_code") == order["joint_order_code"]) & (pl.col("buyer_code") == order["buyer_code"])
    )


def _titles(page_data: PageData) -> dict[str, str]:
    return {model.code: model.title for model in page_data.models}


def _order(page_data: PageData, order: Row) -> dict[str, Any]:
    code, titles = order["currency_code"], _titles(page_data)
    shares = _of(page_data.rows_today(JOINT_SHARE), order).to_dicts()
    rows = [
        (
            titles.get(row["model_code"], row["model_code"]),
            money(row["separate_cost"], code),
            money(row["joint_share"], code),
            money(row["joint_saving"], code, signed=True),
        )
        for row in shares
    ]
    rows.append(
        (
            "All together",
            money(order["separate_cost"], code),
            money(order["complete_cost"], code),
            money(order["joint_saving"], code, signed=True),
        )
    )
    headings = columns("Model", "#Bought alone", "#Fair share together", "#Saved")
    table = Table(
        f"Complete cost alone and together, in {code}",
        headings,
        tuple(rows),
        frozenset({len(rows) - 1}),
        is_stacked=True,
    )
    return {
        "title": order["joint_order_title"],
        "table": table,
        "words": _words(page_data, order, shares),
    }


def _words(page_data: PageData, order: Row, shares: list[Row]) -> list[str]:
    code, titles = order["currency_code"], _titles(page_data)
    parcels = count(order["order_count"], "parcel")
    finding = f"{_saved_words(page_data, order, shares)}, in {parcels}"
    words = [f"{finding}; it is {accuracy(order['gap_pct'])} with one order per vendor."]
    sequence = _of(page_data.rows_today(JOINT_SEQUENCE), order).filter(pl.col("sequence_number") == 1)
    first = sequence.sort("sequence_position").to_dicts()
    names = ", then ".join(titles.get(row["model_code"], row["model_code"]) for row in first)
    after = money(order["sequence_cost"], code, with_code=True)
    words.append(f"One after the other they cost {after} at best: {_first_words(page_data, order, first, names)}")
    owned = order["on_hand_piece_count"]
    if owned:
        words.append(
            f"All figures use stock on hand ({count(owned, 'piece')} together); alone, each model counts on all of it."
        )
    several = order["order_count"] - order["vendor_count"]
    if several:
        words.append(
            f"There {'is' if several == 1 else 'are'} {count(several, 'order')} more than vendors, because of a limit or charge."
        )
    if order["unfilled_piece_count"]:
        words.append(f"{count(order['unfilled_piece_count'], 'piece')} can't be bought and are estimated.")
    if order["share_method"] == "shapley" and len(shares) > SETS_AT_FULL_EFFORT_UP_TO:
        words.append(
            f"Shares may be a few per cent off, because costs of some of the {len(shares)} models are planned with little effort."
        )
    return words


def _saved_words(page_data: PageData, order: Row, shares: list[Row]) -> str:
    """What buying together saves or costs, with its range; that it is not clear where the range has both signs."""
    code, saved = order["currency_code"], order["joint_saving"]
    plans = [page_data.plan(row["model_code"], order["buyer_code"], order["scenario_code"]) for row in shares]
    known = [plan for plan in plans if plan is not None]
    separate = sum((cost_interval(plan) for plan in known), exactly(Decimal(0)))
    if len(known) < len(plans) or separate.high != order["separate_cost"]:
        return f"Together the plans cost {money(order['complete_cost'], code, with_code=True)}"
    found = separate - cost_interval(order)
    if found.direction is None:
        return with_range("Buying together saves nothing that is clear", between(found, code))
    if saved >= 0:
        return with_range(f"Buying together saves {money(saved, code, with_code=True)}", between(found, code))
    more = with_range(f"Buying together costs {money(-saved, code, with_code=True)} more", between(-found, code))
    return f"{more}, because each model bought alone counts on the same stock"


def _first_words(page_data: PageData, order: Row, first: list[Row], names: str) -> str:
    sums = (
        _of(page_data.rows_today(JOINT_SEQUENCE), order)
        .group_by("sequence_number")
        .agg(pl.col("complete_cost").sum(), pl.col("unfilled_piece_count").sum())
    )
    if sums.select("complete_cost", "unfilled_piece_count").n_unique() == 1:
        return "the sequence makes no difference."
    worth = sum(row["spares_worth"] for row in first)
    code = order["currency_code"]
    spares = f", with {money(worth, code, with_code=True)} saved by spares of earlier ones" if worth else ""
    return f"{names}{spares}."


def joint_purchases(page_data: PageData, model: ReportedModel, buyer: Buyer) -> Table | None:
    """For the details page: what the joint orders buy for a model, by vendor's order."""
    found = page_data.rows_today(JOINT_PLAN).filter(
        (pl.col("model_code") == model.code) & (pl.col("buyer_code") == buyer.buyer_code)
    )
    names = page_data.vendor_names()
    rows = tuple(
        (
            with_order(names.get(row["vendor_code"], row["vendor_code"]), row),
            page_data.part_name(row["part_code"]),
            page_data.colour_name(row["colour_code"]),
            count(row["quantity"]),
            unit_price(row["unit_price"], row["vendor_currency_code"]) + f" {row['vendor_currency_code']}",
        )
        for row in found.sort("joint_order_code", "vendor_code", "order_number", "part_code", "colour_code").to_dicts()
    )
    headings = columns("Vendor", "Part", "Colour", "#Pieces", "#Unit price")
    return Table("Bought for this model in orders with others", headings, rows) if rows else None
