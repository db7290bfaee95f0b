"""The colours of a model by share of pieces, as far as it publishes its lines."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

import polars as pl
from markupsafe import Markup

from pipelines.demand.model_portions import portions_on
from pipelines.money import rounded_together
from pipelines.reporting.basis.page_data import PageData, ReportedModel
from pipelines.reporting.model_pages.sheet_drawings import Paint, palette_bar, swatch

LEAST_PCT = 2
"""Colours of a smaller share, in per cent, are counted together."""
CLEAR = "transparent"


@dataclass(frozen=True)
class Palette:
    """A bar, and each colour of it: its swatch, its name, its share as text."""

    bar: Markup
    colours: tuple[tuple[Markup, str, str], ...]


def paint_of(page_data: PageData, colour_code: str, share_pct: int = 0) -> Paint:
    """A colour as it is drawn: its name, its look, whether light comes through."""
    looks = page_data.colour_looks.get(colour_code, ("", ""))
    return Paint(page_data.colour_name(colour_code), looks[0], share_pct, looks[1] == CLEAR)


def palette(page_data: PageData, model: ReportedModel) -> Palette | None:
    """The listed colours of the day's list, most pieces first; None where the model publishes no line, or nothing is priced."""
    if model.publish_lines == "none" or model.inputs is None or page_data.today is None:
        return None
    portions = portions_on(model.inputs, page_data.today, use_flexibility=False)
    listed = (
        portions.filter(pl.col("listed_colour_code") != "")
        .group_by("listed_colour_code")
        .agg(pl.col("quantity").sum())
        .sort("quantity", "listed_colour_code", descending=[True, False])
    )
    if not listed.height:
        return None
    pieces = listed["quantity"].to_list()
    exact = [Decimal(100) * each / sum(pieces) for each in pieces]
    kept = sum(share >= LEAST_PCT for share in exact)
    if len(exact) - kept == 1:
        kept = len(exact)
    shares = [int(share) for share in rounded_together([*exact[:kept], sum(exact[kept:], Decimal(0))], 0)]
    paints = [
        paint_of(page_data, code, share) for code, share in zip(listed["listed_colour_code"], shares, strict=False)
    ]
    paints = paints[:kept]
    if kept < len(exact):
        paints.append(Paint(f"{len(exact) - kept} more colours", "", shares[-1]))
    shown = tuple((swatch(each.srgb_hex, is_clear=each.is_clear), each.name, f"{each.share_pct} %") for each in paints)
    return Palette(palette_bar(paints), shown)
