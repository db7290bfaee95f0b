"""Which elements may fill which portion: parts by substitutes, colours by the portion's rule, conditions. No offers yet.

A substitute or a component has the listed part's surface and material. Colours stay within the listed colour's finish, however
near others are; only a portion's own list of accepted colours goes beyond it. Colours that a portion refuses are refused under
every rule.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

import polars as pl

from pipelines.demand.colour_distance import distances

PORTION_KEY = ["line_number", "portion_number"]
CONDITIONS = ["new", "used"]
FIT_SCHEMA = pl.Schema(
    {
        "line_number": pl.Int64(),
        "portion_number": pl.Int64(),
        "part_code": pl.String(),
        "colour_code": pl.String(),
        "condition": pl.String(),
        "combination_code": pl.String(),  # "" where the part itself fills the portion
        "component_count": pl.Int64(),  # pieces of the part in one piece of the portion
        "needs_stated_form": pl.Boolean(),  # offers that leave their form open don't fit
    }
)
_PART_COLUMNS = [
    *PORTION_KEY,
    "listed_part_code",
    "part_code",
    "combination_code",
    "component_count",
    "is_load_bearing",
]


def fitting_elements(
    portions: pl.DataFrame,
    tables: Mapping[str, pl.DataFrame],
    day: date,
    *,
    use_substitutes: bool,
) -> pl.DataFrame:
    """Every element that may fill a portion, directly or as a component, in any condition (``accepted`` chooses).

    Args:
        portions: PORTIONS_SCHEMA.
        tables: the workspace tables colours, parts, substitutes and combinations.
        day: whose substitutes and combinations count.
        use_substitutes: whether substitutes and combinations count.

    Returns:
        FIT_SCHEMA, one row per portion, element, condition and combination, sorted.
    """
    parts = _parts_that_fit(portions, tables, day, use_substitutes)
    return (
        parts.join(_colours_that_fit(portions, tables["colours"]), on=PORTION_KEY)
        .join(pl.DataFrame({"condition": CONDITIONS}), how="cross")
        .with_columns(pl.col("is_load_bearing").alias("needs_stated_form"))
        .select(FIT_SCHEMA.names())
        .cast(FIT_SCHEMA)
        .sort(*PORTION_KEY, "combination_code", "part_code", "colour_code", "condition")
    )


def accepted(fits: pl.DataFrame, portions: pl.DataFrame, conditions: Sequence[str]) -> pl.DataFrame:
    """The fitting elements of the portions that are in a condition that the portion accepts.

    Args:
        fits: FIT_SCHEMA, of these portions and perhaps others.
        portions: PORTIONS_SCHEMA.
        conditions: conditions that every portion accepts beside its own.
    """
    own = portions.select(*PORTION_KEY, pl.col("accept_conditions").alias("own"))
    is_taken = pl.col("condition").is_in(list(conditions)) | pl.col("condition").is_in(pl.col("own"))
    return fits.join(own, on=PORTION_KEY, maintain_order="left").filter(is_taken).select(FIT_SCHEMA.names())


def parts_in_reach(part_codes: pl.Series, tables: Mapping[str, pl.DataFrame]) -> pl.Series:
    """The parts, and every substitute and component they have on any date: all parts that a plan could use."""
    needed = part_codes.rename("part_code").to_frame().unique()
    found = [
        needed["part_code"],
        tables["substitutes"].join(needed, on="part_code", how="semi")["substitute_part_code"].rename("part_code"),
        tables["combinations"].join(needed, on="part_code", how="semi")["component_part_code"].rename("part_code"),
    ]
    return pl.concat(found).unique().sort()


def _parts_that_fit(
    portions: pl.DataFrame, tables: Mapping[str, pl.DataFrame], day: date, use_substitutes: bool
) -> pl.DataFrame:
    """The listed part; its resolutions where its number leaves the form open; substitutes and combinations.

    A portion that bears load takes nothing weaker, no combination, and only offers that state their form. Where its listed
    number leaves the form open, only a resolution that is stronger or equal fills it.
    """
    substitutes = (
        tables["substitutes"]
        .filter(pl.col("valid_from_on") <= day)
        .sort("valid_from_on")
        .unique(["part_code", "substitute_part_code"], keep="last", maintain_order=True)
        .rename({"part_code": "listed_part_code", "substitute_part_code": "part_code"})
    )
    resolutions = substitutes.filter(pl.col("substitute_kind") == "resolves_open_form")
    needed = portions.select(*PORTION_KEY, "listed_part_code", "is_load_bearing").with_columns(
        pl.col("listed_part_code").is_in(resolutions["listed_part_code"].unique().implode()).alias("is_open")
    )
    open_and_loaded = pl.col("is_open") & pl.col("is_load_bearing")
    is_strong_enough = ~pl.col("is_load_bearing") | (pl.col("strength") != "weaker")
    found = [
        needed.filter(~open_and_loaded).with_columns(pl.col("listed_part_code").alias("part_code")),
        needed.join(resolutions, on="listed_part_code").filter(is_strong_enough),
    ]
    if use_substitutes:
        other_forms = substitutes.filter(pl.col("substitute_kind") == "other_form")
        found.append(needed.filter(~open_and_loaded).join(other_forms, on="listed_part_code").filter(is_strong_enough))
    direct = [
        frame.with_columns(pl.lit("").alias("combination_code"), pl.lit(1, pl.Int64).alias("component_count"))
        for frame in found
    ]
    made_up = [_components(needed, tables["combinations"], day)] if use_substitutes else []
    fitting = pl.concat([frame.select(_PART_COLUMNS) for frame in [*direct, *made_up]])
    return _of_like_kind(fitting, tables["parts"]).unique(_PART_COLUMNS, maintain_order=True)


def _components(needed: pl.DataFrame, combinations: pl.DataFrame, day: date) -> pl.DataFrame:
    """The components of each combination's latest version, for portions that bear no load."""
    begun = combinations.filter(pl.col("valid_from_on") <= day)
    latest = begun.filter(
        pl.col("valid_from_on") == pl.col("valid_from_on").max().over("part_code", "combination_code")
    ).select(
        pl.col("part_code").alias("listed_part_code"),
        "combination_code",
        pl.col("component_part_code").alias("part_code"),
        "component_count",
    )
    return needed.filter(~pl.col("is_load_bearing")).join(latest, on="listed_part_code")


def _of_like_kind(fitting: pl.DataFrame, parts: pl.DataFrame) -> pl.DataFrame:
    """Keep parts with the listed part's surface and material; a combination with one other component goes as a whole."""
    kinds = parts.select("part_code", pl.struct("surface", "material").alias("kind"))
    plain = pl.lit({"surface": "plain", "material": "hard"}, dtype=kinds.schema["kind"])
    compared = (
        fitting.join(kinds, on="part_code", how="left", maintain_order="left")
        .join(
            kinds.rename({"part_code": "listed_part_code", "kind": "listed_kind"}),
            on="listed_part_code",
            how="left",
            maintain_order="left",
        )
        .with_columns((pl.col("kind").fill_null(plain) == pl.col("listed_kind").fill_null(plain)).alias("is_like"))
    )
    is_direct = pl.col("combination_code") == ""
    whole_is_like = pl.col("is_like").all().over(*PORTION_KEY, "combination_code")
    return compared.filter(pl.when(is_direct).then("is_like").otherwise(whole_is_like)).select(fitting.columns)


def _colours_that_fit(portions: pl.DataFrame, colours: pl.DataFrame) -> pl.DataFrame:
    """PORTION_KEY and colour_code, one row per colour that a portion accepts."""
    finishes = colours.select("colour_code", "finish")
    needed = portions.join(
        finishes.rename({"colour_code": "listed_colour_code", "finish": "listed_finish"}),
        on="listed_colour_code",
        how="left",
        maintain_order="left",
    ).with_columns(pl.col("listed_finish").fill_null("plain"))
    rule = pl.col("colour_rule")
    near = needed.filter(rule == "near")
    measured = distances(colours, near["listed_colour_code"]).join(finishes, on="colour_code")
    found = [
        needed.filter(pl.col("listed_colour_code") != "").with_columns(
            pl.col("listed_colour_code").alias("colour_code")
        ),
        needed.filter(rule.is_in(["any", "any_one"])).join(finishes, left_on="listed_finish", right_on="finish"),
        near.join(measured, on="listed_colour_code").filter(
            (pl.col("finish") == pl.col("listed_finish")) & (pl.col("distance") <= pl.col("near_distance").fill_null(0))
        ),
        needed.filter(rule.is_in(["any", "any_one", "one_of", "near"]))
        .explode("accept_colour_codes")
        .filter(pl.col("accept_colour_codes").is_not_null())
        .with_columns(pl.col("accept_colour_codes").alias("colour_code")),
    ]
    refused = portions.select(*PORTION_KEY, pl.col("refuse_colour_codes").alias("colour_code")).explode("colour_code")
    return (
        pl.concat([frame.select(*PORTION_KEY, "colour_code") for frame in found])
        .unique()
        .join(refused, on=[*PORTION_KEY, "colour_code"], how="anti")
    )
