"""Checks across tables: the tables of a workspace do not contradict each other.

Every check raises InputError (or SettingsError for model.toml) with the file, the first lines and values, and what to do.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

import polars as pl

from pipelines.errors import InputError, SettingsError
from pipelines.intake.checking.named_lines import check_named_lines
from pipelines.settings import ModelSettings, Settings

_SHOWN = 5
_WIDEST_MARGIN = 0.1
"""Of two exchange rates in both directions: the logarithm of their product."""
_VENDOR_TABLES = ("vendor_terms", "vendor_closures", "shipping_steps", "handling_charges")


class _Table(Protocol):
    """Rows with their source_line_number, and the path of their file; empty when there is no file."""

    @property
    def path(self) -> str:
        """Relative to the workspace."""

    @property
    def rows(self) -> pl.DataFrame:
        """Typed rows."""


def check_tables(tables: Mapping[str, _Table]) -> None:
    """Terms, closures, steps and charges are of listed vendors and end after they begin; no part is its own substitute."""
    vendors = tables["vendors"].rows["vendor_code"].implode()
    _refuse(
        tables["vendors"],
        pl.col("vendor_code").str.to_lowercase().is_duplicated(),
        "vendor_code",
        "vendors differ in upper and lower case only, and order lists are files of their names",
        "keep one of the rows, or change a code",
    )
    for name in _VENDOR_TABLES:
        _refuse_unknown(tables[name], "vendor_code", ~pl.col("vendor_code").is_in(vendors), "vendors")
    _refuse(
        tables["shipping_steps"],
        pl.col("step_to") <= pl.col("step_from"),
        "step_to",
        "shipping steps end before they begin",
        "write a step_to above step_from, or leave it empty for no end",
    )
    _refuse(
        tables["shipping_steps"],
        leaves_a_gap("vendor_code", "buyer_region_code", "valid_from_on", "step_basis"),
        "step_to",
        "shipping steps do not follow on one another",
        "write the step_from of the next step: a step applies from its step_from to just below its step_to",
    )
    _refuse(
        tables["vendor_closures"],
        pl.col("opens_again_on") <= pl.col("closed_from_on"),
        "opens_again_on",
        "vendors open again before they have closed",
        "write an opens_again_on after closed_from_on, or leave it empty if the date is not known",
    )
    _refuse(
        tables["substitutes"],
        pl.col("part_code") == pl.col("substitute_part_code"),
        "part_code",
        "parts are their own substitutes",
        "remove the rows",
    )
    _check_corrections(tables["source_corrections"])
    _check_exchange_rates(tables["exchange_rates"])


def leaves_a_gap(*table: str) -> pl.Expr:
    """Whether a shipping step ends elsewhere than where the next step begins; ``table`` names the columns that make a table."""
    following = pl.col("step_from").shift(-1).over(*table, order_by="step_from")
    return following.is_not_null() & following.ne_missing(pl.col("step_to"))


def check_model_codes(codes: Sequence[str]) -> None:
    """Model codes become file names, and some file systems ignore the case of letters."""
    seen: dict[str, str] = {}
    for code in codes:
        other = seen.setdefault(code.casefold(), code)
        if other != code:
            raise InputError(
                f"the models {other} and {code} differ in upper and lower case only",
                where=f"models/{code}",
                next_step="rename one of the folders and its model_code",
            )


def check_border_charges(settings: Settings, charges: _Table) -> None:
    """Border charges are in the currency of a buyer they are for: else every vendor of their region is left out."""
    buyers = pl.DataFrame(
        {
            "buyer_region_code": [buyer.region_code for buyer in settings.buyer],
            "_currencies": [buyer.currency_code for buyer in settings.buyer],
        }
    )
    by_region = buyers.group_by("buyer_region_code").agg("_currencies")
    every = sorted({buyer.currency_code for buyer in settings.buyer})
    stated = charges.rows.join(by_region, on="buyer_region_code", how="left").with_columns(
        pl.when(pl.col("buyer_region_code") == "*").then(every).otherwise("_currencies").alias("_currencies")
    )
    _refuse_rows(
        charges.path,
        stated.filter(~pl.col("currency_code").is_in(pl.col("_currencies"))),
        "currency_code",
        "border charges are in a currency of no buyer in their region",
        "write them in the buyer's currency, see [[buyer]] in kitfare.toml",
    )


def check_joint_orders(settings: Settings, codes: Sequence[str]) -> None:
    """Joint orders are of models that are there."""
    for order in settings.joint_order:
        missing = [code for code in order.model_codes if code not in codes]
        if missing:
            raise SettingsError(
                f"the joint order {order.joint_order_code} names models that are not there: {', '.join(missing)}",
                where="kitfare.toml, joint_order model_codes",
                next_step=f"name some of: {', '.join(sorted(codes))}",
            )


def check_scenarios(settings: Settings, vendors: _Table) -> None:
    """Scenarios name vendors that are there: a typing error would drop the rule silently."""
    known = set(vendors.rows["vendor_code"].to_list())
    for scenario in settings.scenario:
        for name in ("forced_vendors", "preferred_vendors", "forbidden_vendors", "only_vendors"):
            missing = sorted(set(getattr(scenario, name)) - known)
            if missing:
                raise SettingsError(
                    f"the scenario {scenario.scenario_code} names vendors that are not there: {', '.join(missing)}",
                    where=f"kitfare.toml, scenario {name}",
                    next_step=f"correct the codes, or add the vendors to {vendors.path}",
                )


def check_model(place: str, settings: ModelSettings, own: Mapping[str, _Table], colours: _Table) -> None:
    """A model's files fit together, and its colours exist.

    Args:
        place: the model's folder, relative to the workspace.
        settings: its model.toml.
        own: its tables parts, flexible lines and amendments.
        colours: the table colours.
    """
    _check_model_toml(place, settings, own)
    known = colours.rows["colour_code"].implode()
    for table in own.values():
        for name in ("colour_code", "accept_colour_codes", "refuse_colour_codes"):
            if name in table.rows.columns:
                codes = pl.col(name).str.split(";").list.eval(pl.element().str.strip_chars())
                unknown = codes.list.eval(pl.element().filter(pl.element() != "")).list.set_difference(known)
                _refuse_unknown(table, name, unknown.list.len() > 0, "colours")
    _check_amendments(own["parts"], own["amendments"])
    check_named_lines(place, settings, own["parts"].rows, own["amendments"].rows, own["amendments"].path)
    _check_flexible_lines(own)


def _check_model_toml(place: str, settings: ModelSettings, own: Mapping[str, _Table]) -> None:
    where = f"{place}/model.toml"
    folder = place.rsplit("/", 1)[-1]
    if settings.model_code != folder:
        raise SettingsError(
            f"model_code is {settings.model_code!r}, but the folder is called {folder!r}",
            where=where,
            next_step="give both the same name",
        )
    if own["parts"].rows.is_empty():
        raise InputError(
            f"the parts list of {settings.model_code} has no lines",
            where=own["parts"].path,
            next_step="write the designer's list into it, or move the model's folder away until you have it",
        )
    dated = [version.list_version for version in settings.versions]
    listed = own["parts"].rows["list_version"].unique().sort().to_list()
    if sorted(dated) != listed:
        raise SettingsError(
            f"model.toml dates the versions {_listed(sorted(dated))}, but the parts list has {_listed(listed)}",
            where=f"{where}, {own['parts'].path}",
            next_step="state each version of the parts list once under [[versions]], with its date",
        )
    lines = set(_lines(own)["line_number"].to_list())
    strange = sorted(set(settings.maker_lines) - lines)
    sections = set(own["parts"].rows["section_code"].drop_nulls().to_list())
    unknown = sorted(set(settings.skip_sections) - sections)
    for key, values in (("maker_lines", strange), ("skip_sections", unknown)):
        if values:
            raise SettingsError(
                f"{key} names {_listed(values)}, which the parts list does not have",
                where=where,
                next_step=f"correct {key} or {own['parts'].path}",
            )


def _check_corrections(corrections: _Table) -> None:
    action = pl.col("correction_action")
    _refuse(
        corrections,
        (action == "multiply_price") != pl.col("correction_factor").is_not_null(),
        "correction_factor",
        "a factor is needed for multiply_price, and for nothing else",
        "fill it in, or leave it empty",
    )
    _refuse(
        corrections,
        (action == "set_currency") != pl.col("corrected_currency_code").is_not_null(),
        "corrected_currency_code",
        "a currency is needed for set_currency, and for nothing else",
        "fill it in, or leave it empty",
    )
    _refuse(
        corrections,
        (pl.col("observed_to_on") < pl.col("observed_from_on"))
        | (pl.col("guard_price_to") < pl.col("guard_price_from")),
        "observed_from_on",
        "corrections end before they begin",
        "exchange the two dates, or the two prices",
    )
    has_no_guard = pl.all_horizontal(
        pl.col(name).is_null() for name in ("guard_price_from", "guard_price_to", "guard_currency_code")
    )
    _refuse(
        corrections,
        has_no_guard & pl.col("observed_to_on").is_null(),
        "observed_from_on",
        "corrections would never end",
        "state how the error shows (guard_price_from, guard_price_to or guard_currency_code), or give observed_to_on",
    )


def _check_exchange_rates(rates: _Table) -> None:
    """One day's rates of a pair in both directions agree, and a currency is worth itself."""
    rate = pl.col("exchange_rate").cast(pl.Float64)
    is_alike = pl.col("from_currency_code") == pl.col("to_currency_code")
    pair = pl.concat_list("from_currency_code", "to_currency_code").list.sort()
    # A bank's two rates differ by its margin; a rate in the wrong direction differs by much more.
    both = rate.log().sum().over("rate_on", pair).abs() > _WIDEST_MARGIN
    is_twice = pl.len().over("rate_on", pair) > 1
    _refuse(
        rates,
        pl.when(is_alike).then(rate != 1).otherwise(is_twice & both),
        "exchange_rate",
        "exchange rates contradict each other",
        "correct the rate, or leave out one of the two directions",
    )


def _check_amendments(parts: _Table, amendments: _Table) -> None:
    is_added = pl.col("amendment_action") == "add"
    listed = parts.rows["line_number"].implode()
    added = amendments.rows.filter(is_added)["line_number"].implode()
    number = pl.col("line_number")
    _refuse(
        amendments,
        is_added & number.is_in(listed),
        "line_number",
        "added lines have a number that the parts list uses",
        "give each a number of its own, above all of the parts list",
    )
    _refuse(
        amendments,
        ~is_added & ~number.is_in(listed) & ~number.is_in(added),
        "line_number",
        "lines to remove pieces from are not in the parts list",
        "correct line_number",
    )
    _refuse(
        amendments, is_added & (pl.col("part_code") == ""), "part_code", "added lines lack their part", "fill it in"
    )
    needs_colour = ~pl.col("colour_rule").is_in(["any", "any_one"])
    _refuse(
        amendments,
        is_added & needs_colour & (pl.col("colour_code") == ""),
        "colour_code",
        "added lines lack the colour that their rule needs",
        "fill it in, or state the rule any",
    )


def _check_flexible_lines(own: Mapping[str, _Table]) -> None:
    flexible_lines, lines = own["flexible_lines"], _lines(own)
    rule, decision = pl.col("colour_rule"), ["line_number", "part_code", "colour_code", "decided_on"]
    _refuse(
        flexible_lines,
        (pl.col("part_code") == "") & ~pl.col("line_number").is_in(lines["line_number"].implode()),
        "line_number",
        "flexible lines are of lines that no version of the parts list has",
        "correct line_number",
    )
    _refuse(
        flexible_lines,
        (pl.col("part_code") == "") & (pl.col("colour_code") != ""),
        "colour_code",
        "flexible lines name a colour without its part",
        "fill in part_code, or leave both empty",
    )
    needs = (
        ("any_one", pl.col("group_code") == "", "group_code", "the group whose portions must be alike"),
        ("one_of", pl.col("accept_colour_codes") == "", "accept_colour_codes", "the colours allowed"),
        ("near", pl.col("near_distance").is_null(), "near_distance", "the largest distance allowed"),
    )
    for name, is_absent, column, meaning in needs:
        _refuse(
            flexible_lines,
            (rule == name) & is_absent,
            column,
            f"portions with the rule {name} lack {meaning}",
            "fill it in",
        )
    conditions = pl.col("accept_conditions").str.split(";").list.eval(pl.element().str.strip_chars())
    _refuse(
        flexible_lines,
        conditions.list.set_difference(["new", "used"]).list.len() > 0,
        "accept_conditions",
        "conditions are neither new nor used",
        "write new, used, or new;used",
    )
    rests = pl.col("quantity").is_null()
    _refuse(
        flexible_lines,
        rests & (rests.sum().over(decision) > 1),
        "portion_number",
        "several portions of one line leave their quantity empty",
        "state the quantity in all but one",
    )
    # A decision that names its part follows it to whatever line has it, and takes at most the pieces that line has.
    most = lines.group_by("line_number").agg(pl.col("quantity").max().alias("_most"))
    bare = flexible_lines.rows.filter(pl.col("part_code") == "")
    counted = bare.join(most, on="line_number", how="left").with_columns(
        pl.col("quantity").sum().over(decision).alias("_stated")
    )
    _refuse_rows(
        flexible_lines.path,
        counted.filter(pl.col("_stated") > pl.col("_most")),
        "quantity",
        "portions add up to more pieces than their line has",
        "correct the quantities; an empty one takes what the others leave",
    )


def _lines(own: Mapping[str, _Table]) -> pl.DataFrame:
    """Every line there is in some version or by an amendment, with its quantity."""
    added = own["amendments"].rows.filter(pl.col("amendment_action") == "add")
    return pl.concat([table.select("line_number", "quantity") for table in (own["parts"].rows, added)])


def _refuse_unknown(table: _Table, column: str, is_bad: pl.Expr, other: str) -> None:
    _refuse(
        table,
        is_bad,
        column,
        f"{column} names what tables/{other} does not have",
        f"add it to tables/{other}, or correct the rows",
    )


def _refuse(table: _Table, is_bad: pl.Expr, column: str, what: str, next_step: str) -> None:
    _refuse_rows(table.path, table.rows.filter(is_bad), column, what, next_step)


def _refuse_rows(path: str, bad: pl.DataFrame, column: str, what: str, next_step: str) -> None:
    if not bad.height:
        return
    shown = bad.sort("source_line_number").head(_SHOWN)
    places = [
        f"line {line} ({column} {_spoken(value)})"
        for line, value in shown.select("source_line_number", column).iter_rows()
    ]
    more = [f"and {bad.height - _SHOWN} more"] if bad.height > _SHOWN else []
    raise InputError(
        f"{path}: {what}",
        where=f"{path}, {', '.join([*places, *more])}",
        state="nothing was computed from this file",
        next_step=next_step,
    )


def _spoken(value: object) -> str:
    """A cell as its file has it."""
    if value is None or value == "":
        return "is empty"
    return repr(value) if isinstance(value, str) else str(value)


def _listed(values: Sequence[object]) -> str:
    return ", ".join(str(value) for value in values[:_SHOWN]) + (", ..." if len(values) > _SHOWN else "")
