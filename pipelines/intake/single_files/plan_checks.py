"""Checks across the rows and files of ``kitfare plan``: whether they fit together.

Rows that contradict each other come back as failures (FAILURE_SCHEMA); what has no effect comes back as cautions.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import polars as pl

from pipelines.errors import InputError
from pipelines.intake.checking.cross_checks import leaves_a_gap
from schemas.contract import Contract
from schemas.validate import FAILURE_SCHEMA, POSITION_COLUMNS

_SHOWN = 5


@dataclass(frozen=True)
class PlanFile:
    """Typed rows after their positions, and where they come from.

    Attributes:
        name: the file's path as given; empty for a file that was not.
        rows: source_line_number, record_number, and the contract's columns.
        short_names: of columns that the file calls by a shorter name, that name.
    """

    contract: Contract
    name: str
    rows: pl.DataFrame
    short_names: dict[str, str] = field(default_factory=dict)

    @property
    def frame(self) -> pl.DataFrame:
        """The contract's columns, ordered by key."""
        return self.rows.select(self.contract.columns).sort(self.contract.key)

    def failing(self, is_bad: pl.Expr, column: str, rule: str | pl.Expr, what_to_do: str) -> pl.DataFrame:
        """FAILURE_SCHEMA of the rows for which ``is_bad`` holds."""
        return (
            self.rows.filter(is_bad)
            .select(
                *POSITION_COLUMNS,
                pl.lit(self.short_names.get(column, column)).alias("quarantined_column"),
                pl.col(column).cast(pl.String).fill_null("").alias("quarantined_value"),
                (pl.lit(rule) if isinstance(rule, str) else rule).alias("quarantined_rule"),
                pl.lit(what_to_do).alias("what_to_do"),
            )
            .cast(FAILURE_SCHEMA)
        )


@dataclass(frozen=True)
class Offered:
    """Offers that count (PLAN_OFFERS), vendors left out with the reason, and cautions about what does not count."""

    kept: pl.DataFrame
    without_terms: dict[str, str]
    cautions: tuple[str, ...]


def codes_in(column: str) -> pl.Expr:
    """The codes of a cell as a list."""
    codes = pl.col(column).fill_null("").str.split(";").list.eval(pl.element().str.strip_chars())
    return codes.list.eval(pl.element().filter(pl.element() != ""))


def check_needs(needs: PlanFile) -> pl.DataFrame:
    """Failures of rows whose rule lacks what it needs, or that contradict their line."""
    rule, on_a_line = pl.col("colour_rule"), pl.struct("part_code", "colour_code").n_unique().over("line_number")
    strange = codes_in("accept_conditions").list.set_difference(["new", "used"])
    return pl.concat(
        [
            needs.failing(
                (rule == "near") & pl.col("near_distance").is_null(),
                "near_distance",
                "the rule near needs the largest distance allowed",
                "fill it in",
            ),
            needs.failing(
                (rule == "one_of") & (codes_in("accept_colour_codes").list.len() == 0),
                "accept_colour_codes",
                "the rule one_of needs the colours allowed",
                "fill them in, with semicolons between",
            ),
            needs.failing(
                strange.list.len() > 0,
                "accept_conditions",
                "must be new, used, or new;used",
                "correct the value",
            ),
            needs.failing(
                pl.col("flexible_quantity") > pl.col("quantity"),
                "flexible_quantity",
                pl.format("must be at most the quantity, {}", "quantity"),
                "correct one of them",
            ),
            needs.failing(
                on_a_line > 1,
                "line_number",
                "portions of one line name different parts or colours",
                "give each part in a colour a line of its own",
            ),
        ]
    )


def check_charges(file: PlanFile, terms: PlanFile) -> pl.DataFrame:
    """Failures of charges by vendors without terms, and of shipping steps that overlap or leave a hole."""
    is_known = pl.col("vendor_code").is_in(terms.rows["vendor_code"].implode())
    found = [
        file.failing(~is_known, "vendor_code", f"{terms.name} has no such vendor", "add it there, or remove the row")
    ]
    if "step_to" in file.contract.columns:
        ends_early = pl.col("step_to") <= pl.col("step_from")
        found.append(file.failing(ends_early, "step_to", "must be above step_from", "correct it, or leave it empty"))
        is_apart = ~ends_early.fill_null(False) & leaves_a_gap("vendor_code", "step_basis")
        rule = "the next step begins elsewhere"
        found.append(file.failing(is_apart, "step_to", rule, "write the step_from of the next step"))
    return pl.concat(found)


def check_step_kinds(offers: PlanFile) -> pl.DataFrame:
    """Failures of offers whose price steps are not all of one kind."""
    offer = [name for name in offers.contract.key if name != "step_from_quantity"]
    return offers.failing(
        pl.col("step_kind").n_unique().over(offer) > 1,
        "step_kind",
        "other steps of the offer are of another kind",
        "state one kind for all of them",
    )


def check_substitutes(substitutes: PlanFile) -> pl.DataFrame:
    """Failures of parts that are substitutes of themselves."""
    is_itself = pl.col("part_code") == pl.col("substitute_part_code")
    return substitutes.failing(is_itself, "substitute_part_code", "the part is its own substitute", "remove the row")


def check_closures(terms: PlanFile) -> pl.DataFrame:
    """Failures of vendors that open again before they have closed."""
    return terms.failing(
        pl.col("opens_again_on") <= pl.col("closed_from_on"),
        "opens_again_on",
        "must be after closed_from_on",
        "correct it, or leave it empty if the date is not known",
    )


def check_currencies(terms: PlanFile, offers: PlanFile) -> pl.DataFrame:
    """Failures of terms that do not say which of the currencies of their vendor's offers they are in."""
    several = (
        offers.rows.group_by("vendor_code")
        .agg(pl.col("currency_code").unique().sort().alias("_currencies"))
        .filter(pl.col("_currencies").list.len() > 1)
    )
    with_currencies = PlanFile(
        terms.contract, terms.name, terms.rows.join(several, on="vendor_code", how="left", maintain_order="left")
    )
    return with_currencies.failing(
        pl.col("_currencies").is_not_null() & pl.col("currency_code").is_null(),
        "currency_code",
        pl.format("offers of {} are in {}", "vendor_code", pl.col("_currencies").list.join(", ")),
        "state which of them the terms are in; offers in another are left out",
    )


def check_colours(needs: PlanFile, offers: PlanFile, colours: PlanFile) -> tuple[pl.DataFrame, list[str]]:
    """Failures of rules that name or need colours without a description; and cautions about what is not known."""
    rule = pl.col("colour_rule")
    is_loose = rule.is_in(["any", "any_one"])
    lists = ("accept_colour_codes", "refuse_colour_codes")
    if colours.name:
        known = colours.rows["colour_code"]
        advice = f"add it to {colours.name}, or correct it"
        failures = [
            needs.failing(
                ~pl.col("colour_code").is_in(known.implode()), "colour_code", f"not a colour of {colours.name}", advice
            ),
            *(needs.failing(*_strange_colours(name, known, f"{colours.name} has no colour"), advice) for name in lists),
        ]
        strange = offers.rows.filter(~pl.col("colour_code").is_in(known.implode()))["colour_code"]
        caution = (
            f"{_count(strange.len(), 'offer is', 'offers are')} in colours that {colours.name} does not have "
            f"({_some(strange)}): they serve no colour flexibility"
        )
        return pl.concat(failures), [caution] if strange.len() and needs.rows.filter(is_loose).height else []
    failures = [
        needs.failing(
            rule == "near",
            "colour_rule",
            "the rule near needs to know how colours look",
            "give --colours, or state the colours with one_of",
        )
    ]
    known = pl.concat([needs.rows["colour_code"], offers.rows["colour_code"]]).unique()
    strange_cells = pl.concat(
        [needs.failing(*_strange_colours(name, known, "no line and no offer has the colour"), "") for name in lists]
    )
    cautions = [
        f"{needs.name}, line {line}, {column} {value!r}: {words}"
        for line, column, value, words in strange_cells.select(
            "source_line_number", "quarantined_column", "quarantined_value", "quarantined_rule"
        )
        .head(_SHOWN)
        .iter_rows()
    ]
    if needs.rows.filter(is_loose).height:
        cautions.append("without --colours every colour counts as plain and opaque, so any may bring a transparent one")
    return pl.concat(failures), cautions


def _strange_colours(column: str, known: pl.Series, words: str) -> tuple[pl.Expr, str, pl.Expr]:
    strange = codes_in(column).list.set_difference(known.to_list()).list.sort()
    return strange.list.len() > 0, column, pl.format("{} {}", pl.lit(words), strange.list.join(", "))


def idle_flexibility(needs: PlanFile) -> list[str]:
    """Cautions about flexible quantities whose rule allows no other colour."""
    idle = needs.rows.filter(
        pl.col("colour_rule").is_in(["as_listed", "undecided"]) & (pl.col("flexible_quantity").fill_null(0) > 0)
    )
    return [
        f"{needs.name}, line {line}: flexible_quantity has no effect with the rule {rule}; state another rule, such as any"
        for line, rule in idle.select("source_line_number", "colour_rule").head(_SHOWN).iter_rows()
    ]


def offers_left_out(offers: PlanFile, terms: PlanFile) -> Offered:
    """The offers that count: in stock, of a vendor with terms, in the currency of its terms.

    Raises:
        InputError: there is none.
    """
    stated = terms.rows.select("vendor_code", pl.col("currency_code").alias("_stated"))
    rows = offers.rows.join(stated, on="vendor_code", how="left", maintain_order="left").with_columns(
        pl.col("vendor_code").is_in(stated["vendor_code"].implode()).alias("_has_terms")
    )
    has_terms, in_stock = pl.col("_has_terms"), pl.col("quantity_available") > 0
    in_currency = pl.col("_stated").is_null() | (pl.col("_stated") == pl.col("currency_code"))
    empty = rows.filter(~in_stock)
    strangers = rows.filter(in_stock & ~has_terms)
    foreign = rows.filter(in_stock & has_terms & ~in_currency)
    cautions = []
    for left, words in (
        (empty, "without stock"),
        (strangers, f"by vendors without terms in {terms.name} ({_some(strangers['vendor_code'])})"),
        (foreign, f"in another currency than their vendor's terms ({_some(foreign['vendor_code'])})"),
    ):
        if left.height:
            count = _count(left.height, "offer", "offers")
            cautions.append(f"{offers.name}: left out: {count} {words}, first on line {left['source_line_number'][0]}")
    idle = terms.rows.join(offers.rows, on="vendor_code", how="anti", maintain_order="left")
    if idle.height:
        places = ", ".join(
            f"{code} (line {line})" for line, code in idle.select(POSITION_COLUMNS[0], "vendor_code").rows()[:_SHOWN]
        )
        more = f" and {idle.height - _SHOWN} more" if idle.height > _SHOWN else ""
        cautions.append(f"{terms.name}: terms of vendors without offers: {places}{more}")
    kept = rows.filter(in_stock & has_terms & in_currency)
    if not kept.height:
        raise InputError(
            f"no offer of {offers.name} can be used",
            where="; ".join(cautions),
            state="nothing was planned",
            next_step=f"check that {offers.name} and {terms.name} call vendors alike",
        )
    reasons = dict.fromkeys(strangers["vendor_code"].unique().sort(), f"it has no terms in {terms.name}")
    return Offered(kept.select(offers.contract.columns), reasons, tuple(cautions))


def _some(codes: pl.Series | Sequence[str]) -> str:
    names = sorted(set(codes))
    return ", ".join(names[:_SHOWN]) + (f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else "")


def _count(count: int, one: str, several: str) -> str:
    return f"{count} {one if count == 1 else several}"
