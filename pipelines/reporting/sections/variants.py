"""Why a plan is as it is: its cost without a vendor, in fewer parcels, with other shipping, more sources."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import polars as pl

from pipelines.reporting.basis.page_data import PageData, Row
from pipelines.reporting.basis.page_tables import NOTHING, Table, columns, count, money, number
from schemas.published.plans import PLAN_LINE, PLAN_VENDOR, SECOND_SOURCE
from schemas.published.what_if import PLAN_VARIANT

FEW_SOURCES = 10
"""Portions listed that few other vendors could fill."""


def why_this_plan(page_data: PageData, plan: Row) -> dict[str, Any] | None:
    """A plan's variants as sentences (``words``) and tables (``tables``); None for a plan that has none."""
    variants = page_data.rows_of_plan(PLAN_VARIANT, plan)
    sources = page_data.rows_of_plan(SECOND_SOURCE, plan)
    if not variants.height and not sources.height:
        return None
    words = (
        _runner_up(page_data, plan, variants),
        _sources_words(sources),
        _robust_words(page_data, plan, variants, sources),
    )
    tables = (
        _without_table(page_data, plan, variants),
        _fewer_table(plan, variants),
        _shipping_table(page_data, plan, variants),
        _sources_table(page_data, plan, sources),
    )
    return {
        "words": [sentence for sentence in words if sentence],
        "tables": [table for table in tables if table is not None],
    }


def _of(variants: pl.DataFrame, kind: str) -> list[Row]:
    return list(variants.filter(pl.col("variant_kind") == kind).iter_rows(named=True))


def _extra(variant: Row, plan: Row) -> str:
    """What the best plan under a stricter rule costs more at most, as variants have no bound of their own.

    Nothing where it buys another number of pieces, because then the two can't be compared.
    """
    if variant["unfilled_piece_count"] != plan["unfilled_piece_count"]:
        return NOTHING
    return money(max(variant["landed_cost"] - plan["lower_bound"], Decimal(0)), plan["currency_code"])


def _without_table(page_data: PageData, plan: Row, variants: pl.DataFrame) -> Table | None:
    code, names = plan["currency_code"], page_data.vendor_names()
    landed = page_data.rows_of_plan(PLAN_VENDOR, plan).group_by("vendor_code").agg(pl.col("landed_cost").sum())
    orders = dict(landed.iter_rows())
    rows = tuple(
        (
            str(names.get(row["variant_value"], row["variant_value"])),
            money(orders[row["variant_value"]], code) if row["variant_value"] in orders else NOTHING,
            money(row["landed_cost"], code),
            _extra(row, plan),
            count(row["vendor_count"]),
            count(row["unfilled_piece_count"]),
        )
        for row in _of(variants, "without_vendor")
    )
    headings = columns("Vendor", "#Its order", "#All without it", "#Dearer by at most", "#Parcels", "#Missing pieces")
    return Table(f"Without one vendor, in {code}", headings, rows, is_stacked=True) if rows else None


def _runner_up(page_data: PageData, plan: Row, variants: pl.DataFrame) -> str:
    """The cheapest variant that does without a vendor and buys as much."""
    fits = [
        row for row in _of(variants, "without_vendor") if row["unfilled_piece_count"] <= plan["unfilled_piece_count"]
    ]
    if not fits:
        return ""
    best = min(fits, key=lambda row: (row["landed_cost"], row["variant_vendor_codes"]))
    names = page_data.vendor_names()
    vendors = ", ".join(names.get(code, code) for code in best["variant_vendor_codes"].split(";"))
    cost = money(best["landed_cost"], plan["currency_code"], with_code=True)
    return f"Next best vendors found: {vendors}, for {cost}."


def _fewer_table(plan: Row, variants: pl.DataFrame) -> Table | None:
    code = plan["currency_code"]
    found = sorted(_of(variants, "at_most_vendors"), key=lambda row: int(row["variant_value"]))
    rows = [
        (
            f"at most {row['variant_value']}",
            money(row["landed_cost"], code),
            _extra(row, plan),
            count(row["unfilled_piece_count"]),
        )
        for row in found
    ]
    if not rows:
        return None
    rows.append(("this plan's", money(plan["landed_cost"], code), NOTHING, count(plan["unfilled_piece_count"])))
    headings = columns("Parcels", "#Landed cost", "#Dearer by at most", "#Missing pieces")
    return Table(f"Fewer parcels, in {code}", headings, tuple(rows), is_stacked=True)


def _shipping_table(page_data: PageData, plan: Row, variants: pl.DataFrame) -> Table | None:
    code, names = plan["currency_code"], page_data.vendor_names()
    own = set(page_data.rows_of_plan(PLAN_VENDOR, plan)["vendor_code"])
    found = sorted(_of(variants, "flat_shipping"), key=lambda row: Decimal(row["variant_value"]))
    rows = []
    for row in found:
        vendors = row["variant_vendor_codes"].split(";") if row["variant_vendor_codes"] else []
        joined = [names.get(vendor, vendor) for vendor in vendors if vendor not in own]
        left = [names.get(vendor, vendor) for vendor in sorted(own) if vendor not in vendors]
        change = "; ".join(f"{word} {', '.join(who)}" for word, who in (("with", joined), ("without", left)) if who)
        rows.append(
            (
                money(Decimal(row["variant_value"]), code),
                money(row["landed_cost"], code),
                count(row["vendor_count"]),
                change or "the same vendors",
            )
        )
    headings = columns("Small vendors' shipping", "#Landed cost", "#Parcels", "Vendors")
    title = f"Other flat shipping charges of small vendors, in {code}"
    return Table(title, headings, tuple(rows), is_stacked=True) if rows else None


def _sources_words(sources: pl.DataFrame) -> str:
    if not sources.height:
        return ""
    alone = sources.filter(pl.col("second_vendor_code") == "").height
    inside = sources.filter(pl.col("is_second_in_plan")).height
    whole = (
        f"For {count(alone)} of {count(sources.height, 'portion')} no other vendor has all pieces"
        if alone
        else "Each portion could be bought whole from another vendor"
    )
    return f"{whole}. The cheapest other vendor is already in this plan for {count(inside, 'portion')}."


def _robust_words(page_data: PageData, plan: Row, variants: pl.DataFrame, sources: pl.DataFrame) -> str:
    """What it costs that no portion depends on a single vendor, where two could fill it."""
    with_two = sources.filter(pl.col("source_count") >= 2)
    alone = with_two.filter(pl.col("source_in_plan_count") < 2).height
    if not with_two.height:
        return ""
    words = f"{count(with_two.height, 'portion')} could {'' if with_two.height == 1 else 'each '}be filled by two or more vendors"
    if not alone:
        each = "" if with_two.height == 1 else " for each"
        return f"{words}; this plan orders from two of these{each}, so no plan is more robust."
    words += f"; for {count(alone)} of them this plan orders from at most one of these."
    own = set(page_data.rows_of_plan(PLAN_VENDOR, plan)["vendor_code"])
    names = page_data.vendor_names()
    for row in _of(variants, "sources_in_plan"):
        added = ", ".join(names.get(code, code) for code in row["variant_vendor_codes"].split(";") if code not in own)
        cost = money(row["landed_cost"], plan["currency_code"], with_code=True)
        extra = _extra(row, plan)
        words += f" A more robust plan also orders from {added}, for {cost}{'' if extra == NOTHING else f' (at most {extra} dearer)'}."
    return words


def _sources_table(page_data: PageData, plan: Row, sources: pl.DataFrame) -> Table | None:
    """The portions with the fewest sources."""
    scarce = sources.sort("source_count", "line_number", "portion_number").head(FEW_SOURCES)
    lines = page_data.rows_of_plan(PLAN_LINE, plan).unique(
        ["line_number", "portion_number"], keep="first", maintain_order=True
    )
    listed = lines.select("line_number", "portion_number", "listed_part_code", "listed_colour_code")
    names = page_data.vendor_names()
    rows = tuple(
        (
            page_data.element_name(row["listed_part_code"], row["listed_colour_code"]),
            f"{row['line_number']}.{row['portion_number']}",
            count(row["quantity"]),
            ", ".join(names.get(code, code) for code in row["source_vendor_codes"].split(";")),
            number(row["paid_unit_price"], 4),
            names.get(row["second_vendor_code"], row["second_vendor_code"]) or "nobody",
            number(row["second_unit_price"], 4),
        )
        for row in scarce.join(listed, on=["line_number", "portion_number"], maintain_order="left").iter_rows(
            named=True
        )
    )
    headings = columns("Listed as", "#Line.portion", "#Pieces", "Bought from", "#Price", "Next source", "#Price there")
    title = f"Portions with the fewest sources, prices with tax, in {plan['currency_code']}"
    return Table(title, headings, rows, is_stacked=True) if rows else None
