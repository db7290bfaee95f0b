"""``kitfare trace``: shows which rows of price files a published number comes from."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipelines.cli.terminal.common import (
    BuyerOption,
    ModelArgument,
    ScenarioOption,
    WorkspaceOption,
    open_workspace,
    published_database,
    say,
    scenario_titles,
    text_table,
    titled,
    unknown,
)

if TYPE_CHECKING:
    from pipelines.warehouse.publishing.query import Asked
    from pipelines.workspace import Workspace

_KEY = "model_code = {model} and scenario_code = {scenario} and buyer_code = {buyer} and priced_on = {day}"


def run(
    model: ModelArgument,
    scenario: ScenarioOption = "cheapest",
    buyer: BuyerOption = None,
    on: Annotated[str | None, typer.Option(metavar="DATE", help="The priced date. Default: the latest.")] = None,
    line: Annotated[int | None, typer.Option(metavar="LINE", help="Only this line of the parts list.")] = None,
    month: Annotated[
        str | None,
        typer.Option(metavar="MONTH", help="Trace the price index of a month, such as 2026-09, instead of a cost."),
    ] = None,
    workspace: WorkspaceOption = None,
) -> None:
    """Show where a published number comes from.

    Shows a model's cost by vendor and by purchase, each purchase with the file and line that its price comes from. With
    --month it shows the prices behind a price index, with --line as well the offers for that line. The last line is a
    query that gives the same.

    \b
    Examples:
      kitfare trace tram_depot
      kitfare trace tram_depot --scenario listed --line 12
      kitfare trace tram_depot --month 2026-09 --line 12
    """
    place = open_workspace(workspace)
    database = published_database(place)

    from pipelines.warehouse.publishing.query import asking

    with asking(database) as ask:
        if buyer is None:
            buyer = _first_buyer(ask, model, place)
        titles = scenario_titles(place)
        if month:
            lines = _index(ask, model, buyer, month, line)
        else:
            lines = _cost(ask, titles, model, scenario, buyer, on, line)
        for text in lines:
            say(text)
    say(f"The files are in {place.archive}, in folders named by the first two digits of their hash.")


def _first_buyer(ask: Asked, model: str, place: Workspace) -> str | None:
    """The first buyer of the settings for whom the model is published; None: any published buyer."""
    from pipelines.errors import SettingsError

    try:
        codes = [buyer.buyer_code for buyer in place.settings().buyer]
    except SettingsError:  # the user is editing them; what is published can still be traced
        return None
    known = {
        row["buyer_code"]
        for row in ask(f"select distinct buyer_code from model_cost where model_code = {_quoted(model)}")
    }
    return next((code for code in codes if code in known), None)


def _cost(
    ask: Asked,
    titles: Mapping[str, str],
    model: str,
    scenario: str,
    buyer: str | None,
    on: str | None,
    line: int | None,
) -> Iterator[str]:
    from pipelines.reporting.basis.words import ESTIMATE_BASES, with_order

    cost = _plan(ask, model, scenario, buyer, on)
    key = _KEY.format(**{name: _quoted(cost[column]) for name, column in _PLAN_COLUMNS.items()})
    if line is not None:
        lines = f"select line_number from plan_line where {key} union select line_number from unfilled_line where {key}"
        _must_be_known(
            "line", line, ask(f"{lines} order by all"), f"the published plan of {model}, scenario {scenario}"
        )
    currency = cost["currency_code"]
    yield (
        f"{cost['model_title']}, {titled(scenario, titles)}, buyer {cost['buyer_code']}, prices of {cost['priced_on']}: complete cost "
        f"{cost['complete_cost']} {currency}"
    )
    yield (
        f"= goods {cost['goods']} + shipping {cost['shipping']} + handling {cost['handling']} + tax {cost['tax']} + estimate "
        f"{cost['unfilled_estimate']} for {cost['unfilled_piece_count']} pieces that can't be bought"
    )
    yield ""
    vendors = ask(f"from plan_vendor where {key} order by vendor_code, order_number")
    rows = [[with_order(v["vendor_code"], v), v["goods"], v["shipping"], v["handling"], v["tax"], v["landed_cost"], v["vendor_total"],
             v["vendor_currency_code"], v["exchange_rate_used"]] for v in vendors]  # fmt: skip
    header = ["vendor", "goods", "shipping", "handling", "tax", f"cost {currency}", "its total", "in", "rate"]
    yield text_table(header, rows, numbers=range(1, 7))
    yield ""
    shown = f" and line_number = {line}" if line is not None else ""
    query = f"from purchase_source where {key}{shown}"
    for row in ask(query):
        yield _purchase(ask, row)
    for row in ask(
        f"from plan_line where {key} and vendor_code = ''{shown} order by line_number, part_code, colour_code"
    ):
        yield f"Line {row['line_number']}: {row['quantity']} x {row['part_code']} {row['colour_code']} ({row['condition']}) on hand"
    for row in ask(f"from unfilled_line where {key}{shown}"):
        yield (
            f"Line {row['line_number']}: {row['unfilled_piece_count']} of {row['listed_part_code']} {row['listed_colour_code']} can't be "
            f"bought; estimated at {row['unfilled_estimate']} {currency} ({ESTIMATE_BASES[row['estimate_basis']]})"
        )
    yield ""
    yield f'The same in one query: kitfare query "{query}"'
    if any(name.endswith("vendor_terms.csv") for name in _inputs(ask)):
        yield 'Terms, rates and lists that shaped it, with their hashes: kitfare query "from input_file"'


def _purchase(ask: Asked, row: dict[str, Any]) -> str:
    from pipelines.reporting.basis.words import with_order

    text = (
        f"Line {row['line_number']}: {row['quantity']} x {row['part_code']} {row['colour_code']} ({row['condition']}) from "
        f"{with_order(row['vendor_code'], row)} at {row['unit_price']} {row['vendor_currency_code']}\n"
        f"    {row['file_name']}, line {row['source_line_number']} (hash {str(row['file_hash'])[:12]}); this price since "
        f"{row['valid_from_on']}, last confirmed on {row['last_confirmed_on']}"
    )
    if row["reason"] is not None:
        where = f"file_hash = {_quoted(row['file_hash'])} and record_number = {row['record_number']}"
        (received,) = ask(f"select unit_price, currency_code from corrected_row where {where}")
        text += f"\n    the file has {received['unit_price']} {received['currency_code']}; corrected, because: {row['reason']}"
    return text


def _index(ask: Asked, model: str, buyer: str | None, month: str, line: int | None) -> Iterator[str]:
    needed = {"model_code": model, "buyer_code": buyer, "month": month}
    levels = _found(ask, "price_index", needed, "order by buyer_code, index_method")
    buyer = levels[0]["buyer_code"]
    levels = [row for row in levels if row["buyer_code"] == buyer]
    where = f"model_code = {_quoted(model)} and month = {_quoted(month)} and buyer_code = {_quoted(buyer)}"
    if line is not None:
        known = ask(f"select distinct line_number from element_price where {where} order by all")
        _must_be_known("line", line, known, f"the published price index of {model} for {month}")
    yield f"Price index of {model}, buyer {buyer}, {month} (base {levels[0]['base_month']})"
    for row in levels:
        level = "withheld" if row["index_level"] is None else f"{row['index_level']:.2f}"
        yield f"  {row['index_method']}: {level}, from {row['priced_line_count']} of {row['basket_line_count']} lines"
    yield ""
    query = f"from element_price where {where}" + (f" and line_number = {line}" if line is not None else "")
    lines = ask(query)
    rows = [[row["line_number"], row["part_code"], row["colour_code"], row["quantity"],
             "none" if row["element_price"] is None else f"{row['element_price']:.6f}",
             "imputed" if row["is_imputed"] else f"{row['market_vendor_count']} vendors"] for row in lines]  # fmt: skip
    yield text_table(["line", "part", "colour", "pieces", "price", "from"], rows, numbers=[0, 3, 4])
    if line is not None:
        query = f"from element_source({_quoted(lines[0]['part_code'])}, {_quoted(lines[0]['colour_code'])})"
        first, end = f"{month}-01", f"last_day(date '{month}-01')"
        query += f" where valid_from_on <= {end} and coalesce(valid_to_on, date '9999-12-31') > date '{first}'"
        yield ""
        yield f"All offers of the element in {month}, also those that this buyer can't use:"
        for row in ask(query):
            yield (
                f"  {row['vendor_code']}: {row['quantity_available']} at {row['unit_price']} {row['currency_code']} ({row['condition']}), "
                f"{row['valid_from_on']} to {row['valid_to_on'] or 'now'}: {row['file_name']}, line {row['source_line_number']} "
                f"(hash {str(row['file_hash'])[:12]})"
            )
    yield ""
    yield f'The same in one query: kitfare query "{query}"'


_PLAN_COLUMNS = {"model": "model_code", "scenario": "scenario_code", "buyer": "buyer_code", "day": "priced_on"}


def _plan(ask: Asked, model: str, scenario: str, buyer: str | None, on: str | None) -> dict[str, Any]:
    needed = {"model_code": model, "scenario_code": scenario, "buyer_code": buyer, "priced_on": on}
    return _found(ask, "model_cost", needed, "order by priced_on desc, buyer_code limit 1")[0]


_NAMED = {
    "model_code": "model", "scenario_code": "scenario", "buyer_code": "buyer", "priced_on": "date priced", "month": "month",
}  # fmt: skip


def _found(ask: Asked, table: str, needed: dict[str, str | None], order: str) -> list[dict[str, Any]]:
    """The rows of a table with these values; None leaves a column open.

    Raises:
        UsageError: no row has one of them together with those before it.
    """
    conditions, where = ["true"], f"published table {table}"
    for column, value in needed.items():
        if value is None:
            continue
        known = ask(f"select distinct {column} from {table} where {' and '.join(conditions)} order by all")
        _must_be_known(_NAMED[column], value, known, where)
        conditions.append(f"{column} = {_quoted(value)}")
        where += f", {_NAMED[column]} {value}"
    return ask(f"from {table} where {' and '.join(conditions)} {order}")


def _must_be_known(kind: str, given: object, known: list[dict[str, Any]], where: str) -> None:
    names = [str(value) for row in known for value in row.values()]
    if str(given) not in names:
        raise unknown(kind, given, names, where)


def _inputs(ask: Asked) -> list[str]:
    return [Path(row["input_path"]).name for row in ask("select input_path from input_file")]


def _quoted(value: Any) -> str:
    return "'" + str(value).replace("'", "''") + "'"
