"""``kitfare whatif``: what a model would cost if something were otherwise, beside what it costs."""

from __future__ import annotations

import json
import sys
from decimal import Decimal, InvalidOperation
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipelines.cli.ask.plan import Effort
from pipelines.cli.ask.whatif_output import answer_as_json, print_answer
from pipelines.cli.terminal.common import WorkspaceOption, open_workspace, published_database, unknown

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
    model: Annotated[str, typer.Argument(help="The model's code.")],
    shipping: Annotated[
        str | None, _number("--shipping", "Shipping charges so many per cent higher (-25: lower).")
    ] = None,
    flat_shipping: Annotated[
        str | None,
        _number("--flat-shipping", "What every small vendor's parcel costs to ship, in the buyer's currency."),
    ] = None,
    tax: Annotated[
        str | None, _number("--tax", "Tax rates so many percentage points higher, where tax is charged.")
    ] = None,
    prices: Annotated[str | None, _number("--prices", "Prices so many per cent higher.")] = None,
    rates: Annotated[str | None, _number("--rates", "Foreign currencies so many per cent dearer.")] = None,
    without: Annotated[
        list[str] | None, typer.Option("--without", metavar="VENDOR", help="Not from this vendor.")
    ] = None,
    only: Annotated[list[str] | None, typer.Option("--only", metavar="VENDOR", help="Only from these vendors.")] = None,
    max_vendors: Annotated[int | None, typer.Option("--max-vendors", min=1, help="Most vendors to buy from.")] = None,
    no_maker: Annotated[bool, typer.Option("--no-maker", help="Nothing from the maker's shop.")] = False,
    free: Annotated[list[int] | None, typer.Option("--free", metavar="LINE", help="This line in any colour.")] = None,
    hold: Annotated[list[int] | None, typer.Option("--hold", metavar="LINE", help="This line as listed.")] = None,
    no_flexibility: Annotated[bool, typer.Option("--no-flexibility", help="No line in another colour.")] = False,
    no_substitutes: Annotated[bool, typer.Option("--no-substitutes", help="No part in another form.")] = False,
    used: Annotated[bool, typer.Option("--used", help="Used parts as well.")] = False,
    new_only: Annotated[bool, typer.Option("--new-only", help="No used parts.")] = False,
    on: Annotated[str | None, typer.Option("--on", metavar="DATE", help="Priced on another date.")] = None,
    currency: Annotated[str | None, typer.Option(metavar="AAA", help="Totals in another currency.")] = None,
    copies: Annotated[int | None, typer.Option(min=1, max=1000, help="So many copies.")] = None,
    buyer: Annotated[str | None, typer.Option(help="Who buys. Default: the first of the settings.")] = None,
    scenario: Annotated[str, typer.Option(help="The way of buying.")] = "cheapest",
    effort: Annotated[Effort, typer.Option(help="How hard to look for cheaper plans.")] = Effort.standard,
    as_json: Annotated[bool, typer.Option("--json", help="Print both plans as JSON.")] = False,
    workspace: WorkspaceOption = None,
) -> None:
    """Plan a model as it is and with something changed, and show both side by side.

    Nothing is published. Prices are those of the published refresh; both plans are made now, with the same effort.

    \b
    Examples:
      kitfare whatif harbour_tug --shipping 25
      kitfare whatif harbour_tug --without vessmoor --max-vendors 3
      kitfare whatif harbour_tug --free 12 --free 14 --json
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
        lines_in_any_colour=tuple(free or ()),
        lines_as_listed=tuple(hold or ()),
        without_maker=no_maker,
    )
    asks_more = on is not None or currency is not None or copies is not None
    if changes == ChangedAssumptions() and not asks_more:
        _refuse("nothing is to be changed", "say what: `kitfare whatif --help` lists the changes")
    if used and new_only:
        _refuse("--used and --new-only contradict each other", "give one of them")
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
    changed_day = _day(on, day)
    for each in (day, changed_day):
        if asked.settings.version_on(each) is None:
            _refuse(f"{model} had no parts list on {each}", "ask for a later date")
    changed = asked if copies is None else _copied(asked, copies)
    question = Question(
        model=asked,
        buyer=who,
        scenario=rules,
        day=day,
        effort=effort.value,
        rows=_published_rows(database, asked.model_code, who.buyer_code, day),
        changes=changes,
        changed_day=changed_day,
        changed_buyer=who if currency is None else _in_currency(who, currency),
        changed_model=changed,
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
        raise UsageError(f"{option} {text}: must be a number from {least} to 1000", next_step=f"such as {option} 10")
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
    """Changes that the way of buying makes already would be told to change nothing, which answers no question."""
    for option, is_asked, is_so, why in (
        ("--no-maker", changes.without_maker, rules.maker == "none", "it buys nothing from the maker's shop"),
        (
            "--no-flexibility",
            changes.without_flexibility,
            not rules.use_flexibility,
            "it buys every line in its listed colour",
        ),
        ("--no-substitutes", changes.without_substitutes, not rules.use_substitutes, "it buys every line in its form"),
        ("--used", changes.with_used, "used" in rules.conditions, "it takes used parts already"),
    ):
        if is_asked and is_so:
            reported = f"{option} changes nothing about {rules.scenario_code}: {why}"
            _refuse(reported, "leave the option out, or ask about another way of buying with --scenario")


def _check(inputs: WorkspaceInputs, model: Model, vendors: tuple[str, ...], lines: tuple[int, ...]) -> None:
    strangers = sorted(set(vendors) - set(inputs.tables["vendors"]["vendor_code"]))
    if strangers:
        _refuse(f"no such vendor: {', '.join(strangers)}", "tables/vendors.csv has their codes")
    known = {*model.parts_list["line_number"], *model.amendments["line_number"]}
    unknown = sorted(set(lines) - known)
    if unknown:
        _refuse(f"{model.model_code} has no line {', '.join(map(str, unknown))}", "see its parts.csv")


def _day(text: str | None, published: date) -> date:
    from datetime import date

    from pipelines.errors import UsageError

    if text is None:
        return published
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise UsageError(f"--on {text}: not a date", next_step="write it as 2026-10-31") from None


def _in_currency(buyer: Buyer, currency: str) -> Buyer:
    from pipelines.money import is_currency

    if not is_currency(currency):
        _refuse(f"{currency} is not a currency of ISO 4217", "such as --currency EUR")
    return buyer.model_copy(update={"currency_code": currency})


def _copied(model: Model, copies: int) -> Model:
    from dataclasses import replace

    return replace(model, settings=model.settings.model_copy(update={"copy_count": copies}))


def _published_day(database: Path) -> date:
    from pipelines.errors import UsageError
    from pipelines.warehouse.query import run_query

    day: date | None = run_query(database, "select max(priced_on) as day from model_cost")["day"][0]
    if day is None:
        raise UsageError("no model has been priced yet", next_step="add a model and run `kitfare refresh`")
    return day


def _published_rows(database: Path, model: str, buyer: str, day: date) -> dict[str, dict[str, Any]]:
    """plan_purchase and plan_line of the model's plans, with order codes, by scenario."""
    import polars as pl

    from pipelines.costing.several_orders import with_order_codes
    from pipelines.warehouse.query import run_query

    rows: dict[str, dict[str, Any]] = {}
    for name in ("plan_purchase", "plan_line"):
        frame = run_query(database, f"select * from {name} where priced_on = date '{day}'", max_rows=None)
        own = frame.filter((pl.col("model_code") == model) & (pl.col("buyer_code") == buyer))
        for scenario in own["scenario_code"].unique().sort():
            rows.setdefault(scenario, {})[name] = with_order_codes(own.filter(pl.col("scenario_code") == scenario))
    return {scenario: of for scenario, of in rows.items() if len(of) == 2}


def _prices(database: Path, day: date, stale_after_days: int) -> PricesOnDate:
    from pipelines.insight.what_if.answers import PricesOnDate
    from pipelines.warehouse.query import run_query
    from schemas.inputs.price_files import PRICE_SUMMARY
    from schemas.validate import empty_frame

    # Summaries are not published: pieces that only they could estimate are told as without a price.
    return PricesOnDate(
        run_query(database, f"select * from market_on(date '{day}', {stale_after_days})", max_rows=None),
        run_query(database, f"select * from last_seen_prices(date '{day}')", max_rows=None),
        empty_frame(PRICE_SUMMARY),
    )
