"""Colours bought instead of a listed one because they are close to it, with the distance in words."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipelines.demand.colour_distance import srgb_distance
from pipelines.reporting.basis.page_data import PageData, Row
from pipelines.reporting.basis.page_tables import count, number
from schemas.published.plans import PLAN_LINE

DISTANCES = (
    (1.0, "no difference most people see"),
    (2.3, "hardly a difference"),
    (5.0, "a slight difference"),
    (10.0, "a clear difference, the same kind of colour"),
    (20.0, "a strong difference"),
)
"""CIEDE2000 distances up to which a word holds (common practice, no source)."""
BEYOND = "another colour"


@dataclass(frozen=True)
class NearColour:
    """A listed colour and one bought instead: names, sRGB values, distance, and number of pieces, as text."""

    listed_name: str
    listed_hex: str
    bought_name: str
    bought_hex: str
    words: str
    figure: str
    pieces: str


def distance_words(distance: float) -> str:
    """A CIEDE2000 distance in words."""
    return next((words for most, words in DISTANCES if distance <= most), BEYOND)


def near_colours(page_data: PageData, plan: Row | None) -> tuple[NearColour, ...]:
    """Pairs of colours of portions that take a colour near the listed one, as a plan buys; closest first."""
    if plan is None:
        return ()
    lines = page_data.rows_of_plan(PLAN_LINE, plan).filter(
        (pl.col("colour_rule") == "near") & ~pl.col("is_listed_colour")
    )
    pairs = lines.group_by("listed_colour_code", "colour_code").agg(pl.col("quantity").sum())
    colours = page_data.workspace_table("colours")
    if colours is None or not pairs.height:
        return ()
    codes = dict(colours.select("colour_code", "srgb_hex").drop_nulls().iter_rows())
    found = []
    for listed, bought, quantity in pairs.iter_rows():
        if listed in codes and bought in codes:
            distance = srgb_distance(codes[listed].upper(), codes[bought].upper())
            found.append((distance, listed, bought, quantity))
    return tuple(
        NearColour(
            page_data.colour_name(listed),
            codes[listed],
            page_data.colour_name(bought),
            codes[bought],
            distance_words(distance),
            number(distance),
            count(quantity, "piece"),
        )
        for distance, listed, bought, quantity in sorted(found)
    )
