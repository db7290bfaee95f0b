"""``kitfare whatif``: what a model costs now, and what it would cost with something changed."""

from __future__ import annotations

import json
import sys
from decimal import Decimal, InvalidOperation
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipelines.cli.ask.plan import EffortName
from pipelines.cli.ask.whatif_output import answer_as_json, print_answer
from pipelines.cli.terminal.common import (
    BuyerOption,
    ModelArgument,
    ScenarioOption,
    WorkspaceOption,
    day_of,
    open_workspace,
    published_database,
    unknown,
)

if TYPE_CHECKING:
    from datetime import date
    from pathlib import Path

    from pipelines.inputs import Model, WorkspaceInputs
    from pipelines.insight.replanning.changed_assumptions import ChangedAssumptions
    from pipelines.insight.what_if.answers import PricesOnDate
    from pipelines.settings import Buyer, Scenario


def _number(option: str, help_text: str) -> Any:
    return typer.Option(option, metavar="NUMBER", help=help_text)


def run(
    model: ModelArgument,
    shipping: Annotated[
        str | None,
        _number("--shipping", "Change all shipping charges by this percentage: 25 raises them, -25 lowers them."),
    ] = None,
    flat_shipping: Annotated[
        str | None,
        _number("--flat-shipping", "Set the flat shipping charge of all independent vendors, in the buyer's currency."),
    ] = None,
    tax: Annotated[
        str | None, _number("--tax", "Change the tax rates by this many percentage points, where tax is charged.")
    ] = None,
    prices: Annotated[str | None, _number("--prices", "Change all prices by this percentage.")] = None,
    rates: Annotated[
        str | None, _number("--rates", "Change the value of foreign currencies by this percentage.")
    ] = None,
    without: Annotated[
        list[str] | None,
        typer.Option("--without", metavar="VENDOR", help="Buy nothing from this vendor. May be given several times."),
    ] = None,
    only: Annotated[
        list[str] | None,
        typer.Option("--only", metavar="VENDOR", help="Buy only from this vendor. May be given several times."),
    ] = None,
    max_vendors: Annotated[
        int | None, typer.Option("--max-vendors", min=1, metavar="NUMBER", help="Buy from at most this many vendors.")
    ] = None,
    no_maker: Annotated[bool, typer.Option("--no-maker", help="Buy nothing from the maker's shop.")] = False,
    any_colour: Annotated[
        list[int] | None,
        typer.Option("--any-colour", metavar="LINE", help="Buy this line in any colour. May be given several times."),
    ] = None,
    as_listed: Annotated[
        list[int] | None,
        typer.Option(
            "--as-listed", metavar="LINE", help="Buy this line exactly as listed. May be given several times."
        ),
    ] = None,
    no_flexibility: Annotated[
        bool, typer.Option("--no-flexibility", help="Buy every line in its listed colour.")
    ] = False,
    no_substitutes: Annotated[
        bool, typer.Option("--no-substitutes", help="Buy no substitutes and no combinations.")
    ] = False,
    used: Annotated[bool, typer.Option("--used", help="Allow used parts for every line.")] = False,
    new_only: Annotated[bool, typer.Option("--new-only", help="Allow used parts for no line.")] = False,
    on: Annotated[
        str | None, typer.Option("--on", metavar="DATE", help="Use the prices of another date, such as 2026-10-31.")
    ] = None,
    currency: Annotated[
        str | None, typer.Option(metavar="CURRENCY", help="Pay in another currency, such as GBP.")
    ] = None,
    copies: Annotated[
        int | None, typer.Option(min=1, max=1000, metavar="NUMBER", help="Buy parts for this many copies of the model.")
    ] = None,
    buyer: BuyerOption = None,
    scenario: ScenarioOption = "cheapest",
    effort: Annotated[EffortName, typer.Option(help="How hard to search for cheaper plans.")] = EffortName.standard,
    as_json: Annotated[bool, typer.Option("--json", help="Print both plans as JSON, line by line.")] = False,
    workspace: WorkspaceOption = None,
) -> None:
    """Compare a model's cost with its cost after a change.

    Makes two plans now, with the same effort and the published prices: one as it is, one with your changes. Nothing is
    published.

    \b
    Examples:
      kitfare whatif harbour_tug --shipping 25
      kitfare whatif harbour_tug --without vessmoor --max-vendors 3
      kitfare whatif harbour_tug --any-colour 12 --any-colour 14 --json
    """
    place = open_workspace(workspace)
    database = published_database(place)

    from pipelines.insight.replanning.changed_assumptions import ChangedAssumptions
    from pipelines.insight.what_if.answers import Question, answer_what_if
    from pipelines.intake.workspace.workspace_files import read_workspace

    changes = ChangedAssumptions(
        shipping_pct=_decimal("--shipping", shipping, least=-100),
        flat_shipping=_decimal("--flat-shipping", flat_shipping, least=0),
        tax_points=_decimal("--tax", tax, least=-100),
        price_pct=_decimal("--prices", prices, least=-99),
        rate_pct=_decimal("--rates", rates, least=-99),
        without_vendors=tuple(without or ()),
        only_vendors=tuple(only or ()),
        maximum_vendor_count=max_vendors,
        with_used=used,
        new_only=new_only,
        without_flexibility=no_flexibility,
        without_substitutes=no_substitutes,
        lines_in_any_colour=tuple(any_colour or ()),
        lines_as_listed=tuple(as_listed or ()),
        without_maker=no_maker,
    )
    has_more = on is not None or currency is not None or copies is not None
    if changes == ChangedAssumptions() and not has_more:
        _refuse("no change was given", "give one, such as --shipping 25; `kitfare whatif --help` lists all")
    if used and new_only:
        _refuse("--used and --new-only contradict each other", "leave out one of them")
    inputs = read_workspace(place, is_archiving=False)
    asked = _model(inputs, model)
    who = _buyer(inputs, buyer)
    rules = _scenario(inputs, scenario)
    _check_rules(rules, changes)
    _check(
        inputs,
        asked,
        changes.without_vendors + changes.only_vendors,
        changes.lines_in_any_colour + changes.lines_as_listed,
    )
    day = _published_day(database)
    changed_day = day if on is None else day_of("--on", on)
    for each in (day, changed_day):
        if asked.settings.version_on(each) is None:
            _refuse(f"{model} had no parts list on {each}", "give a later date with --on")
    question = Question(
        model=asked,
        buyer=who,
        scenario=rules,
        day=day,
        effort=effort.value,
        rows=_published_rows(database, asked.model_code, who.buyer_code, day),
        changes=changes,
        changed_day=changed_day,
        changed_buyer=None if currency is None else _in_currency(who, currency),
        changed_model=None if copies is None else _copied(asked, copies),
    )
    stale = inputs.settings.refresh.stale_after_days
    known = {each: _prices(database, each, stale) for each in {day, changed_day}}
    answer = answer_what_if(inputs, question, known)
    if as_json:
        sys.stdout.write(json.dumps(answer_as_json(model, who, rules, answer), ensure_ascii=False, indent=1) + "\n")
    else:
        print_answer(asked.settings.title, who, rules, answer)


def _refuse(what: str, next_step: str) -> None:
    from pipelines.errors import UsageError

    raise UsageError(what, next_step=next_step)


def _decimal(option: str, text: str | None, least: int) -> Decimal | None:
    from pipelines.errors import UsageError

    if text is None:
        return None
    try:
        value = Decimal(text)
    except InvalidOperation:
        value = Decimal("NaN")
    if not value.is_finite() or not least <= value <= 1000 or value != value.quantize(Decimal("0.000001")):
        raise UsageError(
            f"{option} {text}: must be a number from {least} to 1000", next_step=f"write it like {option} 10"
        )
    return value


def _model(inputs: WorkspaceInputs, code: str) -> Model:
    for each in inputs.models:
        if each.model_code == code:
            return each
    raise unknown("model", code, sorted(each.model_code for each in inputs.models))


def _buyer(inputs: WorkspaceInputs, code: str | None) -> Buyer:
    for each in inputs.settings.buyer:
        if code in (None, each.buyer_code):
            return each
    raise unknown("buyer", code, [each.buyer_code for each in inputs.settings.buyer])


def _scenario(inputs: WorkspaceInputs, code: str) -> Scenario:
    for each in inputs.settings.scenarios:
        if each.scenario_code == code:
            return each
    raise unknown("scenario", code, [each.scenario_code for each in inputs.settings.scenarios])


def _check_rules(rules: Scenario, changes: ChangedAssumptions) -> None:
    """Refuses changes that change nothing, because the way of buying has these rules already."""
    for option, is_asked, is_so, why in (
        ("--no-maker", changes.without_maker, rules.maker == "none", "it buys nothing from the maker's shop"),
        (
            "--no-flexibility",
            changes.without_flexibility,
            not rules.use_flexibility,
            "it buys every line in its listed colour",
        ),
        (
            "--no-substitutes",
            changes.without_substitutes,
            not rules.use_substitutes,
            "it buys every line in its listed form",
        ),
        ("--used", changes.with_used, "used" in rules.conditions, "it allows used parts already"),
    ):
        if is_asked and is_so:
            _refuse(
                f"{option} changes nothing about {rules.title} ({rules.scenario_code}): {why}",
                "leave out the option, or choose another way of buying with --scenario",
            )


def _check(inputs: WorkspaceInputs, model: Model, vendors: tuple[str, ...], lines: tuple[int, ...]) -> None:
    unknown_vendors = sorted(set(vendors) - set(inputs.tables["vendors"]["vendor_code"]))
    if unknown_vendors:
        _refuse(f"no such vendor: {', '.join(unknown_vendors)}", "tables/vendors.csv has their codes")
    known = {*model.parts_list["line_number"], *model.amendments["line_number"]}
    unknown_lines = sorted(set(lines) - known)
    if unknown_lines:
        _refuse(
            f"{model.model_code} has no line {', '.join(map(str, unknown_lines))}",
            "parts.csv and amendments.csv of the model have its lines",
        )


def _in_currency(buyer: Buyer, currency: str) -> Buyer:
    from pipelines.money import is_currency

    if not is_currency(currency):
        _refuse(f"{currency} is not a currency of ISO 4217", "write it like --currency EUR")
    return buyer.model_copy(update={"currency_code": currency})


def _copied(model: Model, copies: int) -> Model:
    from dataclasses import replace

    return replace(model, settings=model.settings.model_copy(update={"copy_count": copies}))


def _published_day(database: Path) -> date:
    from pipelines.errors import UsageError
    from pipelines.warehouse.publishing.query import run_query

    day: date | None = run_query(database, "select max(priced_on) as day from model_cost")["day"][0]
    if day is None:
        raise UsageError("no model has a published cost yet", next_step="add a model and run `kitfare refresh`")
    return day


def _published_rows(database: Path, model: str, buyer: str, day: date) -> dict[str, dict[str, Any]]:
    """plan_purchase and plan_line of the model's plans, with order codes, by scenario."""
    import polars as pl

    from pipelines.costing.several_orders import with_order_codes
    from pipelines.warehouse.publishing.query import run_query

    rows: dict[str, dict[str, Any]] = {}
    for name in ("plan_purchase", "plan_line"):
        frame = run_query(database, f"select * from {name} where priced_on = date '{day}'", max_rows=None)
        own = frame.filter((pl.col("model_code") == model) & (pl.col("buyer_code") == buyer))
        for scenario in own["scenario_code"].unique().sort():
            rows.setdefault(scenario, {})[name] = with_order_codes(own.filter(pl.col("scenario_code") == scenario))
    return {scenario: of for scenario, of in rows.items() if len(of) == 2}


def _prices(database: Path, day: date, stale_after_days: int) -> PricesOnDate:
    from pipelines.insight.what_if.answers import PricesOnDate
    from pipelines.warehouse.publishing.query import run_query
    from schemas.inputs.price_files import PRICE_SUMMARY
    from schemas.validate import empty_frame

    # Summaries are not published, so pieces that only they could estimate count as without a price.
    return PricesOnDate(
        run_query(database, f"select * from market_on(date '{day}', {stale_after_days})", max_rows=None),
        run_query(database, f"select * from last_seen_prices(date '{day}')", max_rows=None),
        empty_frame(PRICE_SUMMARY),
    )
