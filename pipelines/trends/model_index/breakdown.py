"""What groups of lines add to the change of the headline index: part families, colour families, kinds of vendors."""

from __future__ import annotations

import polars as pl

from pipelines.trends.months import month_before
from schemas.published.price_index import INDEX_CONTRIBUTION
from schemas.validate import polars_schema

IMPUTED, NEWLY_PRICED, UNKNOWN = "imputed", "newly priced", "unknown"
SPANS = (1, 12)
VIEWS = {"part_family": "part_family", "colour_family": "colour_family", "vendor_kinds": "supplier_kinds"}
_BASKET = ("model_code", "buyer_code")


def contributions(lines: pl.DataFrame, shown: pl.DataFrame, parts: pl.DataFrame, colours: pl.DataFrame) -> pl.DataFrame:
    """Contract INDEX_CONTRIBUTION: percentage points of each group in the change of lowe over 1 and over 12 months.

    A line adds q (p_t - p_s) / sum(q p_s), prices imputed where missing, s the earlier month: its price-updated weight times its
    relative change. A line whose price is imputed in t is in the group ``imputed``. One that is priced in t and was imputed in s
    is in ``newly priced``: its change corrects what was imputed. All others are in their own group. So each view adds up.

    Args:
        lines: model_code, buyer_code, month, line_number, part_code, colour_code, quantity, element_price (null if the line never had one),
            is_imputed and supplier_kinds.
        shown: model_code, buyer_code and month of the months that are not withheld.
        parts: contract PARTS.
        colours: contract COLOURS.
    """
    priced = lines.filter(pl.col("element_price").is_not_null()).join(shown, on=[*_BASKET, "month"], how="semi")
    cost = (pl.col("quantity") * pl.col("element_price")).alias("cost")
    named = (
        priced.join(parts.select("part_code", "part_family"), on="part_code", how="left")
        .join(colours.select("colour_code", "colour_family"), on="colour_code", how="left")
        .with_columns(cost)
    )
    months = named["month"].unique().to_list()
    return (
        pl.concat(_over(named, months, span) for span in SPANS)
        .cast(polars_schema(INDEX_CONTRIBUTION))
        .sort(INDEX_CONTRIBUTION.key)
    )


def _over(named: pl.DataFrame, months: list[str], span: int) -> pl.DataFrame:
    before = named.select(*_BASKET, "line_number", earlier="month", cost_before="cost", was_imputed="is_imputed")
    earlier = pl.DataFrame(
        {"month": months, "earlier": [month_before(month, span) for month in months]},
        schema={"month": pl.String, "earlier": pl.String},
    )
    pairs = named.join(earlier, on="month").join(before, on=[*_BASKET, "line_number", "earlier"])
    cost_before = pl.col("cost_before").sum().over(*_BASKET, "month")
    pairs = pairs.with_columns(points=100 * (pl.col("cost") - pl.col("cost_before")) / cost_before)
    grouped = [_grouped(pairs, view, column) for view, column in VIEWS.items()]
    return pl.concat(grouped).with_columns(pl.lit(span).alias("change_month_count")).select(INDEX_CONTRIBUTION.columns)


def _grouped(pairs: pl.DataFrame, view: str, column: str) -> pl.DataFrame:
    own = pl.when(pl.col(column).fill_null("") == "").then(pl.lit(UNKNOWN)).otherwise(pl.col(column))
    group = (
        pl.when(pl.col("is_imputed"))
        .then(pl.lit(IMPUTED))
        .when(pl.col("was_imputed"))
        .then(pl.lit(NEWLY_PRICED))
        .otherwise(own)
    )
    return (
        # In the order of lines, so that sums come out alike to the last bit whatever the order of rows was.
        pairs.sort(*_BASKET, "month", "line_number")
        .with_columns(contribution_group=group)
        .group_by(*_BASKET, "month", "contribution_group", maintain_order=True)
        .agg(
            pl.col("points").sum().alias("group_contribution_points"),
            pl.len().alias("contributing_line_count"),
        )
        .with_columns(pl.lit(view).alias("contribution_view"))
    )
