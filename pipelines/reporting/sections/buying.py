"""Where a model's money goes: whole cost, dearest lines, maker's shop, the assumption that matters most."""

from __future__ import annotations

from collections import Counter
from decimal import Decimal
from typing import Any

import polars as pl

from pipelines.money import Interval, lowest
from pipelines.reporting.basis.page_data import PageData, ReportedModel, Row
from pipelines.reporting.basis.page_tables import NOTHING, Table, columns, count, money, number, percent
from pipelines.reporting.basis.words import difference_in_words
from pipelines.reporting.drawings.tornado import Change, TwoSidedBar, tornado
from pipelines.reporting.sections.orders_together import together_of
from pipelines.settings import Buyer
from schemas.contract import Contract
from schemas.published.makers_shop import MAKER_CHOICE, MAKER_FURTHER, MAKER_THRESHOLD
from schemas.published.what_if import SENSITIVITY
from schemas.published.whole_costs import INSTRUCTIONS_STEP, LINE_COST, WHOLE_COST

DEAREST_SHOWN = 5
"""Lines named where a model publishes some of its lines."""
DEAREST_CHANGED = 6
"""Lines whose changes are calculated, as in insight/cost_parts/line_costs.py."""
MAKER_SHOWN = 10
DEAREST_NAMED = 10
"""Lines whose part of the cost is given in words."""

THRESHOLDS = {
    "minimum_order": "orders are accepted",
    "soft_minimum": "no charge for a small order",
    "shipping_waiver": "shipping is free",
    "handling_waiver": "handling of {assortment} is free",
    "discount": "a discount begins",
}
SENSITIVITY_METHOD = "Each change is planned anew. The difference of the best possible plans lies in the range."
LINE_METHOD = "A line's cost is its goods and its part of shipping, handling and tax."
ASSUMPTIONS = {
    "prices": "Prices \u00b110 %",
    "shipping": "Shipping \u00b125 %",
    "tax": "Tax \u00b15 points",
    "exchange_rate": "Exchange rates \u00b15 %",
    "condition": "Used parts too",
    "vendor_count": "One parcel fewer",
    "flexible_lines": "All as listed",
    "maker": "No maker's shop",
}
"""Names of bars. The sizes are those of insight/what_if/sensitivity.py; the table gives them in words."""


def buying_of(page_data: PageData, model: ReportedModel, buyer: Buyer, *, in_full: bool = False) -> dict[str, Any]:
    """What the templates show of a model for a buyer; every part is None where there is nothing to show.

    Args:
        in_full: name every line, whatever the model publishes; for pages that are not published.
    """
    return {
        "whole": _whole(page_data, model, buyer),
        "dearest": _dearest(page_data, model, buyer, in_full),
        "maker": _maker(page_data, model, buyer, in_full),
        "sensitivities": _sensitivities(page_data, model, buyer),
        "together": together_of(page_data, model, buyer),
    }


def _rows(page_data: PageData, contract: Contract, model: ReportedModel, buyer: Buyer) -> pl.DataFrame:
    of = (pl.col("model_code") == model.code) & (pl.col("buyer_code") == buyer.buyer_code)
    return page_data.rows_today(contract).filter(of)


# The whole cost


def _whole(page_data: PageData, model: ReportedModel, buyer: Buyer) -> dict[str, Any] | None:
    best = page_data.headline_plan(model.code, buyer.buyer_code)
    found = _rows(page_data, WHOLE_COST, model, buyer)
    if best is None or not found.height:
        return None
    row = found.filter(pl.col("scenario_code") == best["scenario_code"]).row(0, named=True)
    code = row["currency_code"]
    lines: list[tuple[str, str]] = []
    steps = _rows(page_data, INSTRUCTIONS_STEP, model, buyer).sort("step_number").to_dicts()
    for at, step in enumerate(steps):
        if step["instructions_step"] == "list_price":
            lines.append(("Instructions, list price", money(step["instructions_price"], code)))
        else:
            off = step["instructions_price"] - steps[at - 1]["instructions_price"]
            why = step["discount_reason"] or "sale"
            lines.append((f"{why}, {_exact_percent(step['discount_pct'])} off", money(off, code, signed=True)))
    lines.append(("Parts", money(row["goods"], code)))
    if row["amendment_goods"]:
        lines.append(("of which amendments to the list", money(row["amendment_goods"], code)))
    for name, title in (("shipping", "Shipping"), ("handling", "Handling"), ("tax", "Tax, duty and clearance")):
        if row[name] or name != "handling":
            lines.append((title, money(row[name], code)))
    if row["unfilled_estimate"]:
        lines.append(("Estimate for missing pieces", money(row["unfilled_estimate"], code)))
    lines.append(("All together", money(row["whole_cost"], code)))
    title = f"{page_data.scenario_title(best['scenario_code'])}, in {code}"
    return {
        "table": Table(title, columns("What", "#Cost"), tuple(lines), frozenset({len(lines) - 1})),
        "words": _whole_words(row, bool(steps)),
    }


def _exact_percent(value: Decimal) -> str:
    return percent(value, digits=max(0, -int(value.normalize().as_tuple().exponent)))


def _whole_words(row: Row, has_instructions: bool) -> str:
    code = row["currency_code"]
    words = []
    if row["cost_per_100_pieces"] is not None:
        words.append(
            f"Without the instructions: {money(row['cost_per_100_pieces'], code, with_code=True)} per 100 pieces."
        )
    if row["owned_piece_count"]:
        words.append(
            f"{count(row['owned_piece_count'], 'piece')} {'is' if row['owned_piece_count'] == 1 else 'are'} on hand, worth "
            f"{money(row['owned_goods'], code, with_code=True)} at these prices; this is not taken off."
        )
    if not has_instructions:
        words.append("The price of the instructions is not known.")
    return " ".join(words)


# Where the money is


def _dearest(page_data: PageData, model: ReportedModel, buyer: Buyer, in_full: bool) -> dict[str, Any] | None:
    found = _rows(page_data, LINE_COST, model, buyer).sort("cost_rank")
    if not found.height:
        return None
    rows, code = found.to_dicts(), found["currency_code"][0]
    few = rows[:DEAREST_NAMED]
    part = sum(row["line_cost_share"] for row in few)
    half = next((at for at, share in enumerate(_running(rows), start=1) if share >= 0.5), len(rows))
    words = (
        f"{count(half)} of {count(len(rows), 'line')} {'carries' if half == 1 else 'carry'} half of the cost; "
        f"the dearest {count(len(few))} carry {percent(100 * part, digits=0)}."
        if len(rows) > 1
        else "All of the cost is one line's."
    )
    changed = [row for row in rows if row["cost_rank"] <= DEAREST_CHANGED]
    shown = _shown(model, in_full, changed, DEAREST_SHOWN, len(changed))
    headings = [
        "Listed as",
        "#Pieces",
        "#Cost",
        "#Part of all",
        "#In another colour",
        "#In a weaker form",
        "#Without it",
    ]
    cells = [_dearest_row(page_data, row, code) for row in shown]
    kept = [at for at in range(len(headings)) if any(row[at] != NOTHING for row in cells)]
    table = Table(
        f"The dearest lines, and what a change would save, in {code}",
        columns(*(headings[at] for at in kept)),
        tuple(tuple(row[at] for at in kept) for row in cells),
        is_stacked=True,
    )
    return {"words": words, "table": table if shown else None}


def _running(rows: list[Row]) -> list[float]:
    total, running = 0.0, []
    for row in rows:
        total += row["line_cost_share"]
        running.append(total)
    return running


def _shown(model: ReportedModel, in_full: bool, rows: list[Row], some: int, most: int) -> list[Row]:
    if in_full or model.publish_lines == "all":
        return rows[:most]
    return rows[:some] if model.publish_lines == "some" else []


def _dearest_row(page_data: PageData, row: Row, code: str) -> tuple[str, ...]:
    colour = NOTHING
    if row["other_colour_saving"]:
        colour = f"{page_data.colour_name(row['other_colour_code'])}: {money(row['other_colour_saving'], code)}"
    return (
        _listed(page_data, row),
        count(row["quantity"]),
        money(row["line_cost"], code),
        percent(100 * row["line_cost_share"]),
        colour,
        money(row["other_form_saving"], code),
        money(row["left_out_saving"], code) if row["left_out_saving"] else NOTHING,
    )


def _listed(page_data: PageData, row: Row) -> str:
    colour = page_data.colour_name(row["listed_colour_code"]) if row["listed_colour_code"] else "any colour"
    return f"{page_data.part_name(row['listed_part_code'])}, {colour}"


# The maker's shop


def _maker(page_data: PageData, model: ReportedModel, buyer: Buyer, in_full: bool) -> dict[str, Any] | None:
    further = _rows(page_data, MAKER_FURTHER, model, buyer).to_dicts()
    if not further:
        return None
    choices = _rows(page_data, MAKER_CHOICE, model, buyer).to_dicts()
    code = further[0]["currency_code"]
    bought = [row for row in choices if row["maker_piece_count"]]
    cheaper = [row for row in choices if row["maker_saving"] is not None and row["maker_saving"] > 0]
    words = [_maker_words(page_data, row, len(bought), len(cheaper), len(choices)) for row in further]
    ranked = sorted(bought or cheaper, key=lambda row: (-(row["maker_saving"] or 0), row["line_number"]))
    shown = _shown(model, in_full, ranked, MAKER_SHOWN, len(ranked) if in_full else 2 * MAKER_SHOWN)
    caption = "Lines to buy at the maker's shop" if bought else "Lines that cost less at the maker's shop"
    table = Table(
        f"{caption}: price of a piece there and elsewhere, in {code}",
        columns("Listed as", "#Pieces", "#There", "#Elsewhere", "#Difference"),
        tuple(
            (
                _listed(page_data, row),
                count(row["maker_piece_count"] or row["quantity"]),
                number(row["maker_unit_price"], 3),
                number(row["elsewhere_unit_price"], 3),
                money(row["maker_saving"], code, signed=True),
            )
            for row in shown
        ),
        is_stacked=True,
    )
    return {
        "words": words,
        "thresholds": _thresholds(page_data, model, buyer),
        "table": table if shown else None,
    }


def _maker_words(page_data: PageData, row: Row, bought: int, cheaper: int, sold: int) -> str:
    code = row["currency_code"]
    name = page_data.vendor_names().get(row["maker_vendor_code"], row["maker_vendor_code"])
    some = count(bought) if row["maker_goods_value"] else "none"
    value = f": goods of {money(row['maker_goods_value'], code, with_code=True)}" if row["maker_goods_value"] else ""
    words = [
        f"{name} could serve {_lines(sold)}; {count(cheaper)} {'costs' if cheaper == 1 else 'cost'} less there than elsewhere.",
        f"The cheapest mix buys {some} there{value}.",
    ]
    more = money(row["further_spend"], code, with_code=True)
    change = row["further_cost_change"]
    if row["further_landed_cost"] is None:
        words.append(f"It has not enough to spend {more} more on.")
    elif change is None:
        missing = count(row["further_unfilled_piece_count"], "piece")
        words.append(f"Spending at least {more} more there would leave {missing} missing.")
    elif change <= 0:
        # The rule only forbids plans, so what it seems to save is what the published plan can be improved by.
        words.append(f"Spending at least {more} more there would make the orders no dearer.")
    else:
        words.append(
            f"Spending at least {more} more there would make all orders dearer by at most {money(change, code, with_code=True)}."
        )
    return " ".join(words)


def _lines(portions: int) -> str:
    """Portions in a reader's words."""
    return f"{count(portions)} {'line or part of a line' if portions == 1 else 'lines or parts of lines'}"


def _thresholds(page_data: PageData, model: ReportedModel, buyer: Buyer) -> Table | None:
    cells = []
    for row in _rows(page_data, MAKER_THRESHOLD, model, buyer).to_dicts():
        if row["threshold_kind"] == "handling_waiver" and not row["spent_value"]:
            continue  # nothing of that range is bought
        money_code = row["vendor_currency_code"]
        words = THRESHOLDS[row["threshold_kind"]].format(assortment=row["assortment_code"])
        left = money(row["left_to_go"], money_code, with_code=True) if row["left_to_go"] else "reached"
        charge = money(row["threshold_charge"], money_code, with_code=True) if row["threshold_charge"] else NOTHING
        cells.append((words, money(row["threshold_value"], money_code, with_code=True), left, charge))
    headings = columns("From this value on", "#Value", "#Left to go", "#Saves")
    return Table("What the maker's terms ask for", headings, tuple(cells), is_stacked=True) if cells else None


# What if


def _sensitivities(page_data: PageData, model: ReportedModel, buyer: Buyer) -> dict[str, Any] | None:
    found = _rows(page_data, SENSITIVITY, model, buyer)
    best = page_data.headline_plan(model.code, buyer.buyer_code)
    if not found.height or best is None:
        return None
    code = buyer.currency_code
    rows = found.sort("assumption", "sensitivity_side").to_dicts()
    ways = Counter(row["assumption"] for row in rows)
    sides: dict[str, dict[str, Change]] = {}
    for row in rows:
        if row["sensitivity_amount"] is not None:
            # A change made one way only is named by its bar.
            named = row["changed_to"] if ways[row["assumption"]] == 2 else ""
            sides.setdefault(row["assumption"], {})[row["sensitivity_side"]] = _change(row, named, code)
    bars = [TwoSidedBar(ASSUMPTIONS[name], both.get("down"), both.get("up")) for name, both in sides.items()]
    chart = tornado(f"What one change does to the cost, in {code}", bars)
    if chart is None:
        return None
    words = [_what_moves_it_most(bars), SENSITIVITY_METHOD]
    if unlike := [_unlike(row, best) for row in rows if row["sensitivity_amount"] is None]:
        words.append(f"Not comparable, so not drawn: {'; '.join(unlike)}.")
    return {"chart": chart, "words": words}


def _change(row: Row, named: str, code: str) -> Change:
    amount, between = row["sensitivity_amount"], Interval(row["sensitivity_low"], row["sensitivity_high"])
    words = difference_in_words(amount, between, lambda each: money(each, code))
    return Change(amount, between, f"{named}: {words}" if named else words)


def _what_moves_it_most(bars: list[TwoSidedBar]) -> str:
    """The assumption that surely moves the cost most, if there is one."""
    most = lowest([-bar.size for bar in bars])
    if most is None:
        return "Which change moves the cost most is not clear."
    found = bars[most]
    return f"{found.label} changes the cost most: {'; '.join(change.words for change in found.changes)}."


def _unlike(row: Row, best: Row) -> str:
    more = row["unfilled_piece_count"] - best["unfilled_piece_count"]
    missing = (
        f"{count(abs(more), 'piece')} {'more' if more > 0 else 'fewer'} missing" if more else "other pieces missing"
    )
    return f"{ASSUMPTIONS[row['assumption']]} ({missing})"
