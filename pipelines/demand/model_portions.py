"""What a model needs on a date: its parts list with amendments, split into portions with one colour rule each."""

from __future__ import annotations

from datetime import date
from typing import NoReturn

import polars as pl

from pipelines.errors import InputError
from pipelines.inputs import Model, decisions_on

PORTIONS_SCHEMA = pl.Schema(
    {
        "line_number": pl.Int64(),
        "portion_number": pl.Int64(),
        "portion_source": pl.String(),  # designer or amendment
        "listed_part_code": pl.String(),
        "listed_colour_code": pl.String(),  # "" for an amendment in any colour
        "quantity": pl.Int64(),  # pieces for all copies, at least 1
        "colour_rule": pl.String(),
        "accept_colour_codes": pl.List(pl.String()),
        "refuse_colour_codes": pl.List(pl.String()),
        "group_code": pl.String(),  # portions that share it end up in one colour; "" for none
        "near_distance": pl.Float64(),
        "accept_conditions": pl.List(pl.String()),
        "is_load_bearing": pl.Boolean(),
    }
)
_LINES_SCHEMA = pl.Schema(
    {
        "line_number": pl.Int64(),
        "portion_source": pl.String(),
        "listed_part_code": pl.String(),
        "listed_colour_code": pl.String(),
        "quantity": pl.Int64(),
        "own_rule": pl.String(),  # the rule where no decision says otherwise
    }
)
_COLOURLESS_RULES = ("any", "any_one")


def portions_on(model: Model, day: date, use_flexibility: bool) -> pl.DataFrame:
    """The portions of a model on a date, for all its copies.

    These are the lines of the day's list version, without the skipped sections and with the amendments, each split by its
    latest decision. Portions take their line's pieces in the order of portion_number, those with a stated quantity first. What
    a later version or an amendment took away is missing from the last ones. Pieces that no portion covers are one more
    portion, as listed (``undecided`` where the line was never decided).

    Args:
        model: the model.
        day: whose version, amendments and decisions count.
        use_flexibility: whether flexible lines count. Without them the portions are the same, so that plans can be compared
            portion by portion, but their colour is as listed. Which of them bear load and which conditions they accept is no
            matter of colour and stays; so do the rules of amendments, which are not the designer's.

    Returns:
        PORTIONS_SCHEMA, by line and portion; empty before the model's first version.

    Raises:
        InputError: an amendment adds a line under a number of the parts list, or without the part or colour it needs.
    """
    lines = _lines_on(model, day)
    if not lines.height:
        return pl.DataFrame(schema=PORTIONS_SCHEMA)
    copies = model.settings.copy_count
    lines = lines.with_columns(pl.col("quantity") * copies)
    decided = decisions_on(model, day).rows.with_columns(pl.col("quantity") * copies).drop("part_code", "colour_code")
    portions = pl.concat([_decided_portions(lines, decided), _left_over_portions(lines, decided)])
    if not use_flexibility:
        portions = _as_listed(portions)
    own_group = pl.format("line {} portion {}", "line_number", "portion_number")
    needs_group = (pl.col("colour_rule") == "any_one") & (pl.col("group_code") == "")
    return (
        portions.with_columns(pl.when(needs_group).then(own_group).otherwise("group_code").alias("group_code"))
        .sort("line_number", "portion_number")
        .select(PORTIONS_SCHEMA.names())
        .cast(PORTIONS_SCHEMA)
    )


def latest_change(model: Model, day: date) -> date | None:
    """The last date up to a day on which the model's needs may have changed; from then to the day they are the same."""
    dates = [
        *(version.released_on for version in model.settings.versions),
        *model.amendments["valid_from_on"].to_list(),
        *model.flexible_lines["decided_on"].to_list(),
    ]
    return max((changed_on for changed_on in dates if changed_on <= day), default=None)


def _lines_on(model: Model, day: date) -> pl.DataFrame:
    version = model.settings.version_on(day)
    if version is None:
        return pl.DataFrame(schema=_LINES_SCHEMA)
    listed = model.parts_list.filter(pl.col("list_version") == version)
    in_use = listed.filter(~pl.col("section_code").fill_null("").is_in(model.settings.skip_sections)).select(
        "line_number",
        pl.lit("designer").alias("portion_source"),
        pl.col("part_code").alias("listed_part_code"),
        pl.col("colour_code").alias("listed_colour_code"),
        "quantity",
        pl.lit("undecided").alias("own_rule"),
    )
    amendments = model.amendments.filter(pl.col("valid_from_on") <= day)
    added = _added_lines(model, amendments, listed)
    lines = pl.concat([in_use.cast(_LINES_SCHEMA), added.cast(_LINES_SCHEMA)])
    return _without_removed(lines, amendments)


def _added_lines(model: Model, amendments: pl.DataFrame, listed: pl.DataFrame) -> pl.DataFrame:
    """The added lines, each by its latest addition."""
    added = (
        amendments.filter(pl.col("amendment_action") == "add")
        .sort("valid_from_on")
        .unique("line_number", keep="last", maintain_order=True)
        .select(
            "line_number",
            pl.lit("amendment").alias("portion_source"),
            pl.col("part_code").fill_null("").alias("listed_part_code"),
            pl.col("colour_code").fill_null("").alias("listed_colour_code"),
            "quantity",
            pl.col("colour_rule").alias("own_rule"),
        )
    )
    taken = added.join(listed, on="line_number", how="semi")["line_number"].sort().to_list()
    if taken:
        _refuse(model, f"line {taken[0]} is added, but the parts list has a line {taken[0]}", "give it a free number")
    colourless = (pl.col("listed_colour_code") == "") & ~pl.col("own_rule").is_in(_COLOURLESS_RULES)
    lacking = added.filter((pl.col("listed_part_code") == "") | colourless)["line_number"].sort().to_list()
    if lacking:
        _refuse(model, f"added line {lacking[0]} lacks the part or the colour its rule needs", "fill it in")
    return added


def _refuse(model: Model, what: str, next_step: str) -> NoReturn:
    raise InputError(what, where=f"models/{model.model_code}/amendments.csv", next_step=next_step)


def _without_removed(lines: pl.DataFrame, amendments: pl.DataFrame) -> pl.DataFrame:
    """The lines less what was removed: removals add up, but those before a line's latest addition no longer count."""
    last_added = (
        amendments.filter(pl.col("amendment_action") == "add")
        .group_by("line_number")
        .agg(pl.col("valid_from_on").max().alias("added_on"))
    )
    removed = (
        amendments.filter(pl.col("amendment_action") == "remove")
        .join(last_added, on="line_number", how="left")
        .filter(pl.col("added_on").is_null() | (pl.col("valid_from_on") > pl.col("added_on")))
        .group_by("line_number")
        .agg(pl.col("quantity").sum().alias("removed"))
    )
    return (
        lines.join(removed, on="line_number", how="left")
        .with_columns(pl.col("quantity") - pl.col("removed").fill_null(0))
        .filter(pl.col("quantity") > 0)
        .drop("removed")
    )


def _decided_portions(lines: pl.DataFrame, decided: pl.DataFrame) -> pl.DataFrame:
    """Each portion with its pieces: the quantity it states, or all that is left, as far as the line's pieces go."""
    split = (
        lines.rename({"quantity": "line_quantity"})
        .join(decided, on="line_number")
        .sort("line_number", pl.col("quantity").is_null(), "portion_number")
        .with_columns(pl.coalesce("quantity", "line_quantity").alias("needed"))
        .with_columns((pl.col("needed").cum_sum() - pl.col("needed")).over("line_number").alias("before"))
        .with_columns(pl.min_horizontal("needed", pl.col("line_quantity") - pl.col("before")).alias("quantity"))
        .filter(pl.col("quantity") > 0)
    )
    return split.select(
        "line_number",
        "portion_number",
        "portion_source",
        "listed_part_code",
        "listed_colour_code",
        "own_rule",
        "quantity",
        "colour_rule",
        _codes("accept_colour_codes"),
        _codes("refuse_colour_codes"),
        pl.col("group_code").fill_null(""),
        "near_distance",
        _codes("accept_conditions"),
        "is_load_bearing",
    )


def _codes(name: str) -> pl.Expr:
    """A cell of several codes as a list."""
    pieces = pl.col(name).fill_null("").str.split(";").list.eval(pl.element().str.strip_chars())
    return pieces.list.eval(pl.element().filter(pl.element() != "")).alias(name)


def _left_over_portions(lines: pl.DataFrame, decided: pl.DataFrame) -> pl.DataFrame:
    covered = decided.group_by("line_number").agg(
        pl.col("portion_number").max().alias("last_portion"),
        pl.col("quantity").sum().alias("covered"),
        pl.col("quantity").is_null().any().alias("covers_rest"),
    )
    decided_rule = pl.when(pl.col("own_rule") == "undecided").then(pl.lit("as_listed")).otherwise("own_rule")
    return (
        lines.join(covered, on="line_number", how="left")
        .filter(~pl.col("covers_rest").fill_null(False) & (pl.col("quantity") > pl.col("covered").fill_null(0)))
        .select(
            "line_number",
            (pl.col("last_portion").fill_null(0) + 1).alias("portion_number"),
            "portion_source",
            "listed_part_code",
            "listed_colour_code",
            "own_rule",
            pl.col("quantity") - pl.col("covered").fill_null(0),
            pl.when(pl.col("last_portion").is_null()).then("own_rule").otherwise(decided_rule).alias("colour_rule"),
            pl.lit([], dtype=pl.List(pl.String)).alias("accept_colour_codes"),
            pl.lit([], dtype=pl.List(pl.String)).alias("refuse_colour_codes"),
            pl.lit("").alias("group_code"),
            pl.lit(None, dtype=pl.Float64).alias("near_distance"),
            pl.lit(["new"], dtype=pl.List(pl.String)).alias("accept_conditions"),
            pl.lit(True).alias("is_load_bearing"),
        )
    )


def _as_listed(portions: pl.DataFrame) -> pl.DataFrame:
    is_designers = pl.col("portion_source") == "designer"
    no_codes = pl.lit([], dtype=pl.List(pl.String))

    def unless_designers(name: str, plain: pl.Expr) -> pl.Expr:
        return pl.when(is_designers).then(plain).otherwise(pl.col(name)).alias(name)

    return portions.with_columns(
        unless_designers("colour_rule", pl.lit("as_listed")),
        unless_designers("accept_colour_codes", no_codes),
        unless_designers("refuse_colour_codes", no_codes),
        unless_designers("group_code", pl.lit("")),
        unless_designers("near_distance", pl.lit(None, dtype=pl.Float64)),
    )
