"""``kitfare plan``: finds the cheapest purchase for a list of needs, straight from files."""

from __future__ import annotations

import json
import sys
import time
from datetime import date
from decimal import Decimal
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipelines.cli.terminal.common import day_of, note, say, text_table

if TYPE_CHECKING:
    from pipelines.costing.landed_cost import LandedCost
    from pipelines.planning.plan_needs import NeedsPlan
    from pipelines.settings import Scenario

SHOWN_ROWS = 40


class EffortName(StrEnum):
    """How much work the planner may do."""

    quick = "quick"
    standard = "standard"
    deep = "deep"


def _file(option: str, help_text: str) -> Any:
    return typer.Option(option, metavar="FILE", help=help_text)


def run(
    needs: Annotated[Path, _file("--needs", "What to buy.")],
    offers: Annotated[Path, _file("--offers", "Who sells what at which price.")],
    terms: Annotated[Path, _file("--terms", "What each vendor charges besides its prices.")],
    shipping_steps: Annotated[
        Path | None, _file("--shipping-steps", "Shipping charges by weight, size or value.")
    ] = None,
    handling: Annotated[Path | None, _file("--handling", "Handling charges by assortment.")] = None,
    substitutes: Annotated[Path | None, _file("--substitutes", "Parts that may stand in for others.")] = None,
    combinations: Annotated[Path | None, _file("--combinations", "Parts that together stand in for one.")] = None,
    colours: Annotated[
        Path | None, _file("--colours", "What colours look like, for the colour rules any and near.")
    ] = None,
    weights: Annotated[Path | None, _file("--weights", "What a piece of each part weighs.")] = None,
    rates: Annotated[Path | None, _file("--rates", "Exchange rates.")] = None,
    currency: Annotated[
        str | None,
        typer.Option(
            metavar="CURRENCY", help="Currency of all totals, such as EUR. Default: the vendors', if all have the same."
        ),
    ] = None,
    effort: Annotated[EffortName, typer.Option(help="How hard to search for a cheaper plan.")] = EffortName.standard,
    max_vendors: Annotated[
        int | None, typer.Option("--max-vendors", min=1, metavar="NUMBER", help="Place at most this many orders.")
    ] = None,
    forced_vendor: Annotated[
        list[str] | None,
        typer.Option(
            "--forced-vendor",
            metavar="VENDOR",
            help="Buy something needed from this vendor, or refuse the plan. May be given several times.",
        ),
    ] = None,
    forbidden_vendor: Annotated[
        list[str] | None,
        typer.Option(
            "--forbidden-vendor", metavar="VENDOR", help="Buy nothing from this vendor. May be given several times."
        ),
    ] = None,
    prefer_vendor: Annotated[
        list[str] | None,
        typer.Option(
            "--prefer-vendor",
            metavar="VENDOR",
            help="Buy from this vendor rather than others where it costs no more. May be given several times.",
        ),
    ] = None,
    preference_value: Annotated[
        str,
        typer.Option(
            metavar="AMOUNT",
            help="What one order less from a vendor that is not preferred is worth to you. It is in no cost shown.",
        ),
    ] = "0.01",
    parcel_penalty: Annotated[
        str,
        typer.Option(
            metavar="AMOUNT",
            help="What one parcel less is worth to you, in the currency of the totals. It decides between plans and is in "
            "no cost shown.",
        ),
    ] = "0",
    on: Annotated[
        str | None,
        typer.Option(
            "--on", metavar="DATE", help="Date of the order; vendors closed on it are left out. Default: today."
        ),
    ] = None,
    no_spares: Annotated[bool, typer.Option("--no-spares", help="Buy no more pieces than needed.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the whole plan as JSON.")] = False,
) -> None:
    """Plan a purchase straight from files, without a workspace.

    Files may be CSV, Parquet or any other kind that a workspace takes. `kitfare dictionary plan_needs` explains the
    columns of the needs, plan_offers those of the offers, and so on. An offer that can't be used is named and left out.
    Anything wrong in another file stops the plan.

    \b
    Examples:
      kitfare plan --needs needs.csv --offers offers.csv --terms terms.csv
      kitfare plan --needs needs.csv --offers offers.parquet --terms terms.csv \\
        --colours colours.csv --max-vendors 3 --json
      kitfare plan --needs needs.csv --offers offers.csv --terms terms.csv \\
        --forced-vendor hall --forbidden-vendor barn --parcel-penalty 1.50
    """
    began = time.perf_counter()

    from pipelines.intake.single_files.plan_files import PlanPaths, read_plan_files
    from pipelines.planning.plan_needs import plan_needs

    further = {
        "shipping_steps": shipping_steps, "handling": handling, "substitutes": substitutes, "combinations": combinations,
        "colours": colours, "weights": weights, "rates": rates,
    }  # fmt: skip
    given = {name: path for name, path in further.items() if path is not None}
    scenario = _scenario(
        maximum_vendor_count=max_vendors,
        forced_vendors=forced_vendor or [],
        forbidden_vendors=forbidden_vendor or [],
        preferred_vendors=prefer_vendor or [],
        preference_value=preference_value,
        parcel_penalty=parcel_penalty,
        allow_spares=not no_spares,
    )
    day = date.today() if on is None else day_of("--on", on)
    files = read_plan_files(PlanPaths(needs, offers, terms, given), scenario, currency, day)
    known = {*files.inputs.tables["vendor_terms"]["vendor_code"], *files.offers["vendor_code"], *files.left_out}
    _require_known("--forced-vendor", scenario.forced_vendors, known)
    _require_known("--forbidden-vendor", scenario.forbidden_vendors, known)
    _require_known("--prefer-vendor", scenario.preferred_vendors, known)
    found = plan_needs(files.inputs, files.needs, files.offers, files.left_out, day, effort.value)
    money = files.inputs.settings.buyer[0].currency_code
    cautions = [*files.cautions, *_cautions(found)]
    if as_json:
        whole = _as_json(found, money, effort.value, cautions, time.perf_counter() - began)
        sys.stdout.write(json.dumps(whole, ensure_ascii=False, indent=1) + "\n")
        for caution in cautions:
            note(f"caution: {caution}")
    else:
        _print(found, money, int(files.needs["quantity"].sum()), scenario, cautions)
    if found.refusal:
        from pipelines.errors import PlanRefusedError

        raise PlanRefusedError(
            found.refusal,
            where=str(needs),
            next_step=found.next_step or "do not order from it; report the fault, with the files",
        )


_OPTIONS = {
    "maximum_vendor_count": "--max-vendors",
    "forced_vendors": "--forced-vendor",
    "preferred_vendors": "--prefer-vendor",
    "preference_value": "--preference-value",
    "parcel_penalty": "--parcel-penalty",
}


def _scenario(**rules: Any) -> Scenario:
    """The rules that the options give, checked like settings.

    Raises:
        UsageError: an option is wrong, or two contradict each other.
    """
    from pydantic import ValidationError

    from pipelines.errors import UsageError
    from pipelines.settings import Scenario

    try:
        return Scenario(
            scenario_code="files",
            title="Straight from files",
            maker="any_mix",
            conditions=[],  # each row of the needs has its own
            **rules,
        )
    except ValidationError as error:
        (first, *_) = error.errors()
        message = first["msg"].removeprefix("Value error, ").replace("Input should be", "must be")
        for name, option in _OPTIONS.items():
            message = message.replace(name, option)
        if first["loc"]:
            name = str(first["loc"][0])
            message = f"{_OPTIONS[name]} {rules[name]!r}: {message}"
        raise UsageError(message, next_step="correct the options; `kitfare plan --help` explains them") from None


def _require_known(option: str, codes: list[str], known: set[str]) -> None:
    from pipelines.errors import UsageError

    if unknown := sorted(set(codes) - known):
        raise UsageError(
            f"{option}: there is no usable offer from {', '.join(unknown)}",
            next_step="write the code as in the offers, or leave out the option",
        )


def _cautions(found: NeedsPlan) -> list[str]:
    cautions = [f"vendor {code} is left out: {reason}" for code, reason in found.left_out.items()]
    if found.unweighed_count:
        parts = _count(found.unweighed_count, "bought part")
        verbs = ("has", "counts") if found.unweighed_count == 1 else ("have", "count")
        cautions.append(f"{parts} {verbs[0]} no known weight or size and {verbs[1]} as large")
    if found.hit_time_limit:
        cautions.append("a safety time limit ended the search early: the next run may find another plan")
    return cautions


def _print(found: NeedsPlan, money: str, needed: int, scenario: Scenario, cautions: list[str]) -> None:
    from pipelines.costing.several_orders import in_words

    landed_cost = found.landed_cost
    if landed_cost.vendors:
        rows = [
            [
                in_words(order.vendor_code), order.piece_count, order.rounded.goods, order.rounded.shipping, order.rounded.handling,
                order.rounded.tax, order.rounded.total,
            ]
            for order in landed_cost.vendors
        ]  # fmt: skip
        parts = landed_cost.rounded
        pieces = sum(order.piece_count for order in landed_cost.vendors)
        rows.append(["all", pieces, parts.goods, parts.shipping, parts.handling, parts.tax, landed_cost.total])
        header = ["vendor", "pieces", "goods", "shipping", "handling", "tax", f"cost {money}"]
        say(text_table(header, rows, numbers=range(1, len(header))))
        say("")
    missing = int(found.unfilled["quantity"].sum())
    filled = f"all {needed} pieces" if not missing else f"{needed - missing} of {needed} pieces"
    say(f"Cost: {_amount(landed_cost.total, money)} {money} for {filled} {_from_whom(landed_cost)}.")
    say(f"How exact: {_how_exact(found, money, scenario)}.")
    if found.spares.height:
        say(
            f"Spares: {_count(int(found.spares['quantity'].sum()), 'piece')} more than needed, because that is cheaper."
        )
    if missing:
        say("")
        shown = found.unfilled.head(SHOWN_ROWS)
        header = ["line", "portion", "part", "colour", "unfilled", "what would help"]
        say(text_table(header, list(shown.iter_rows()), numbers=(0, 1, 4)))
        if found.unfilled.height > SHOWN_ROWS:
            say(f"and {found.unfilled.height - SHOWN_ROWS} more; --json has all")
    for caution in cautions:
        say(f"Caution: {caution}.")


def _from_whom(landed_cost: LandedCost) -> str:
    from pipelines.costing.several_orders import vendor_of

    vendors = len({vendor_of(order.vendor_code) for order in landed_cost.vendors})
    orders = "" if vendors == len(landed_cost.vendors) else f"in {len(landed_cost.vendors)} orders "
    return f"{orders}from {_count(vendors, 'vendor')}"


def _how_exact(found: NeedsPlan, money: str, scenario: Scenario) -> str:
    """How far from the best possible; the bound is for plans that miss as few pieces, so partial plans have it too."""
    if found.status == "refused":
        return "the plan was refused and buys nothing"
    claim = "no plan that fills as many pieces is cheaper" if found.unfilled.height else "no plan is cheaper"
    penalties = []
    if scenario.parcel_penalty:
        penalties.append(f"{_amount(scenario.parcel_penalty, money)} {money} for every parcel")
    if scenario.preferred_vendors:
        penalties.append(
            f"{_price(scenario.preference_value)} {money} for every order from a vendor that is not preferred"
        )
    if penalties:
        claim += f", counting {' and '.join(penalties)}"
    if found.gap_pct == 0:
        return f"{claim} (proven)" if found.status == "proven" else claim
    if found.gap_pct == float("inf"):
        return "how much cheaper a plan could be is not known"
    return f"at most {found.gap_pct:.2f} % above the best possible, which is no less than {found.lower_bound} {money}"


def _as_json(found: NeedsPlan, money: str, effort: str, cautions: list[str], seconds: float) -> dict[str, Any]:
    from pipelines.costing.several_orders import order_number_of, vendor_of

    landed_cost, parts = found.landed_cost, found.landed_cost.rounded
    lines, spares, orders = found.lines, found.spares, {}
    vendors = list(dict.fromkeys(vendor_of(order.vendor_code) for order in landed_cost.vendors))
    if found.takes_several_orders:
        orders["orders"] = [
            {
                "vendor_code": vendor_of(order.vendor_code),
                "order_number": order_number_of(order.vendor_code),
                "piece_count": order.piece_count,
                **{
                    name: _amount(getattr(order.rounded, name), money)
                    for name in ("goods", "shipping", "handling", "tax")
                },
                "landed_cost": _amount(order.rounded.total, money),
            }
            for order in landed_cost.vendors
        ]
    else:
        lines, spares = lines.drop("order_number"), spares.drop("order_number")
    return {
        "status": found.status,
        "currency_code": money,
        "landed_cost": _amount(landed_cost.total, money),
        "goods": _amount(parts.goods, money),
        "shipping": _amount(parts.shipping, money),
        "handling": _amount(parts.handling, money),
        "tax": _amount(parts.tax, money),
        "lower_bound": _amount(found.lower_bound, money),
        "gap_pct": None if found.gap_pct == float("inf") else round(found.gap_pct, 6),
        "vendor_count": len(vendors),
        "vendors": vendors,
        **orders,
        "lines": [_row(row) for row in lines.iter_rows(named=True)],
        "spares": [_row(row) for row in spares.iter_rows(named=True)],
        "unfilled": [_row(row) for row in found.unfilled.iter_rows(named=True)],
        "effort": effort,
        "seconds": round(seconds, 3),
        "cautions": cautions,
    }


def _row(row: dict[str, Any]) -> dict[str, Any]:
    return {name: _price(value) if isinstance(value, Decimal) else value for name, value in row.items()}


def _amount(amount: Decimal, currency_code: str) -> str:
    """With all of the currency's digits, also for zero."""
    from pipelines.money import round_money

    return f"{round_money(amount, currency_code):f}"


def _price(price: Decimal) -> str:
    """Without zeros at the end: 0.045000 is 0.045, and 1000.000000 is 1000."""
    return f"{price.normalize():f}"


def _count(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"
