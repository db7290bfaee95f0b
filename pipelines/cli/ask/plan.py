"""``kitfare plan``: the cheapest purchase for a list of needs, straight from files."""

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

from pipelines.cli.terminal.common import note, say, text_table

if TYPE_CHECKING:
    from pipelines.costing.landed_cost import LandedCost
    from pipelines.planning.plan_needs import NeedsPlan
    from pipelines.settings import Scenario

SHOWN_ROWS = 40


class Effort(StrEnum):
    """How much work the planner may do."""

    quick = "quick"
    standard = "standard"
    deep = "deep"


def _file(option: str, help_text: str) -> Any:
    return typer.Option(option, metavar="FILE", help=help_text)


def run(
    needs: Annotated[Path, _file("--needs", "What to buy.")],
    offers: Annotated[Path, _file("--offers", "Who sells what at which price.")],
    terms: Annotated[Path, _file("--terms", "What each vendor charges besides.")],
    shipping_steps: Annotated[Path | None, _file("--shipping-steps", "Shipping by weight, size or value.")] = None,
    handling: Annotated[Path | None, _file("--handling", "Handling charges by assortment.")] = None,
    substitutes: Annotated[Path | None, _file("--substitutes", "Parts that may stand in for others.")] = None,
    combinations: Annotated[Path | None, _file("--combinations", "Parts that together stand in for one.")] = None,
    colours: Annotated[Path | None, _file("--colours", "How colours look, for the rules any and near.")] = None,
    weights: Annotated[Path | None, _file("--weights", "What a piece of each part weighs.")] = None,
    rates: Annotated[Path | None, _file("--rates", "Exchange rates.")] = None,
    currency: Annotated[
        str | None,
        typer.Option(metavar="AAA", help="Currency of all totals. Default: the vendors', if they share one."),
    ] = None,
    effort: Annotated[Effort, typer.Option(help="How hard to look for a cheaper plan.")] = Effort.standard,
    max_vendors: Annotated[
        int | None, typer.Option("--max-vendors", min=1, help="Most orders: vendors to buy from.")
    ] = None,
    forced_vendor: Annotated[
        list[str] | None,
        typer.Option(
            "--forced-vendor",
            metavar="CODE",
            help="A vendor to order something needed from. May be given several times.",
        ),
    ] = None,
    forbidden_vendor: Annotated[
        list[str] | None,
        typer.Option("--forbidden-vendor", metavar="CODE", help="A vendor not to use. May be given several times."),
    ] = None,
    prefer_vendor: Annotated[
        list[str] | None,
        typer.Option(
            "--prefer-vendor",
            metavar="CODE",
            help="A vendor to order from rather than from others, if it costs no more. May be given several times.",
        ),
    ] = None,
    preference_value: Annotated[
        str,
        typer.Option(
            metavar="AMOUNT",
            help="What one order less from a vendor not preferred is worth to you. Counts like --parcel-penalty.",
        ),
    ] = "0.01",
    parcel_penalty: Annotated[
        str,
        typer.Option(
            metavar="AMOUNT",
            help="What one parcel less is worth to you, in the currency of the totals. Counts when plans are compared, "
            "never in what they cost.",
        ),
    ] = "0",
    on: Annotated[
        str | None, typer.Option("--on", metavar="DATE", help="Date of the order, for closed vendors. Default: today.")
    ] = None,
    no_spares: Annotated[bool, typer.Option("--no-spares", help="Buy no piece beyond the need.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the whole plan as JSON.")] = False,
) -> None:
    """Plan a purchase straight from files, without a workspace.

    Files are CSV, Parquet or any other kind a workspace takes; `kitfare dictionary plan_needs` explains the columns, and so with plan_offers, plan_terms and the rest. Offers that can't be used are told and left out; anything wrong elsewhere stops the plan.

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
    day = _day(on)
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
            next_step=found.next_step or "report it with the files; no order may be made from it",
        )


_OPTIONS = {
    "maximum_vendor_count": "--max-vendors",
    "forced_vendors": "--forced-vendor",
    "preferred_vendors": "--prefer-vendor",
    "preference_value": "--preference-value",
    "parcel_penalty": "--parcel-penalty",
}


def _scenario(**rules: Any) -> Scenario:
    """The rules of the options; the settings check them. Raises UsageError where they make no sense."""
    from pydantic import ValidationError

    from pipelines.errors import UsageError
    from pipelines.settings import Scenario

    try:
        return Scenario(
            scenario_code="files",
            title="Straight from files",
            maker="any_mix",
            conditions=[],  # each row of the needs says its own
            **rules,
        )
    except ValidationError as error:
        (first, *_) = error.errors()
        words = first["msg"].removeprefix("Value error, ").replace("Input should be", "must be")
        for name, option in _OPTIONS.items():
            words = words.replace(name, option)
        if first["loc"]:
            name = str(first["loc"][0])
            words = f"{_OPTIONS[name]} {rules[name]!r}: {words}"
        raise UsageError(words, next_step="change the options; kitfare plan --help explains them") from None


def _day(text: str | None) -> date:
    from pipelines.errors import UsageError

    try:
        return date.today() if text is None else date.fromisoformat(text)
    except ValueError:
        raise UsageError(f"--on {text}: not a date", next_step="write it as 2026-10-31") from None


def _require_known(option: str, codes: list[str], known: set[str]) -> None:
    from pipelines.errors import UsageError

    if unknown := sorted(set(codes) - known):
        raise UsageError(
            f"{option}: no offer that can be used is from {', '.join(unknown)}",
            next_step="write the code as in the offers; leave the option out if none of them counts",
        )


def _cautions(found: NeedsPlan) -> list[str]:
    reported = [f"vendor {code} is left out: {reason}" for code, reason in found.left_out.items()]
    if found.unweighed_count:
        is_one = found.unweighed_count == 1
        words = "is of unknown weight or size and counts as a large one"
        many = "are of unknown weight or size and count as large ones"
        reported.append(f"{_count(found.unweighed_count, 'part')} bought {words if is_one else many}")
    if found.hit_time_limit:
        reported.append("a safety time limit cut the search short: the next run may find another plan")
    return reported


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
        say(f"Spares: {_count(int(found.spares['quantity'].sum()), 'piece')} beyond the need, because that is cheaper.")
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
    """The bound holds for plans with as few pieces unfilled, so it can be told of partial plans, too."""
    if found.status == "refused":
        return "the plan was refused and buys nothing"
    alike = "no plan that fills as many pieces is cheaper" if found.unfilled.height else "no plan is cheaper"
    counted = []
    if scenario.parcel_penalty:
        counted.append(f"{_amount(scenario.parcel_penalty, money)} {money} for the parcel penalty of every parcel")
    if scenario.preferred_vendors:
        counted.append(f"{_price(scenario.preference_value)} {money} for every one from a vendor not preferred")
    if counted:
        alike += f", counting {' and '.join(counted)}"
    if found.gap_pct == 0:
        return f"{alike} (proven)" if found.status == "proven" else alike
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
    """With all of the currency's digits, also where it is nothing."""
    from pipelines.money import round_money

    return f"{round_money(amount, currency_code):f}"


def _price(price: Decimal) -> str:
    """All digits that say something: 0.045000 is 0.045, and 1000.000000 is 1000."""
    return f"{price.normalize():f}"


def _count(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"
