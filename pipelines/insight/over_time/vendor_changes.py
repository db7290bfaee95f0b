"""Which vendors' changes move what a model costs: of their prices and stock, and of their terms.

For prices and stock see :func:`pipelines.trends.outlook.price_changes.vendor_changes`. Terms are shipping, minimums, handling
charges, fees, discounts, taxes and limits. The landed cost prices the order that the earlier plan placed with the vendor,
under its terms of then and of now. Both use today's exchange rate and border charges, which no vendor makes. Where the
earlier plan buys nothing from the vendor, today's order is priced instead, so that one chosen for its better terms counts
too. Nothing is planned anew.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any

import polars as pl

from pipelines.costing.goods_factors import goods_factors
from pipelines.costing.landed_cost import Purchase, work_out_order
from pipelines.costing.several_orders import order_number_of
from pipelines.costing.terms import VendorTerms
from pipelines.costing.terms_on import SIZES, terms_on
from pipelines.inputs import WorkspaceInputs
from pipelines.insight.over_time.past_orders import OFFER, with_assortments_and_sizes
from pipelines.trends.outlook import price_changes
from schemas.published.over_time import VENDOR_CHANGE
from schemas.validate import empty_frame, polars_schema, validate_typed

HEADLINE_SCENARIO = "cheapest"
_KEY = ("model_code", "buyer_code", "vendor_code")
_SCHEMA = {**dict.fromkeys(_KEY, pl.String), "terms_effect_pct": pl.Float64, "terms_refusal": pl.String}


def vendor_changes(
    inputs: WorkspaceInputs, markets: Mapping[date, pl.DataFrame], plans: Mapping[str, pl.DataFrame], day: date
) -> pl.DataFrame:
    """The table VENDOR_CHANGE: what each vendor changed since the date priced before.

    Args:
        inputs: the workspace.
        markets: by date, PRICE_HISTORY columns and ``is_suspect``: what could be bought.
        plans: model_cost and plan_purchase.
        day: the priced date; without an earlier one the table is empty.
    """
    before = max((on for on in markets if on < day), default=None)
    if before is None:
        return empty_frame(VENDOR_CHANGE)
    price_effects = price_changes.vendor_changes(
        inputs, before, markets[before], day, markets[day], goods_factors(inputs, (before, day))
    )
    return _with_terms(price_effects, inputs, markets, plans, before, day)


def _with_terms(
    price_effects: pl.DataFrame,
    inputs: WorkspaceInputs,
    markets: Mapping[date, pl.DataFrame],
    plans: Mapping[str, pl.DataFrame],
    before_on: date,
    day: date,
) -> pl.DataFrame:
    """``price_effects`` with ``terms_effect_pct`` and ``terms_refusal``; vendors that only changed their terms are added."""
    rows: list[tuple[Any, ...]] = []
    for buyer in inputs.settings.buyer:
        changed = _changed(*(terms_on(inputs, on, buyer).vendors for on in (before_on, day)))
        if changed:
            of_buyer = pl.col("buyer_code") == buyer.buyer_code
            own = {name: plans[name].filter(of_buyer) for name in ("model_cost", "plan_purchase")}
            sides = [_orders(inputs, markets[on], own, on, set(changed)) for on in (before_on, day)]
            for model, vendor in sorted(sides[0].keys() | sides[1].keys()):
                is_earlier = (model, vendor) in sides[0]
                landed, orders = sides[0 if is_earlier else 1][model, vendor]
                effect, refusal = _effect(orders, landed, changed[vendor], is_earlier)
                rows.append((model, buyer.buyer_code, vendor, effect, refusal))
    terms_effects = pl.DataFrame(rows, _SCHEMA, orient="row").filter(
        (pl.col("terms_effect_pct") != 0) | (pl.col("terms_refusal") != "")
    )
    both = price_effects.drop("terms_effect_pct", "terms_refusal").join(
        terms_effects, on=_KEY, how="full", coalesce=True
    )
    filled = both.with_columns(
        pl.col("compared_on").fill_null(before_on),
        pl.col("moved_element_count", "vendor_effect_pct", "terms_effect_pct").fill_null(0),
        pl.col("terms_refusal").fill_null(""),
    )
    frame = filled.select(VENDOR_CHANGE.columns).cast(polars_schema(VENDOR_CHANGE)).sort(VENDOR_CHANGE.key)
    return validate_typed(VENDOR_CHANGE, frame, where=VENDOR_CHANGE.name)


def _changed(
    then: Mapping[str, VendorTerms], now: Mapping[str, VendorTerms]
) -> dict[str, tuple[VendorTerms, VendorTerms]]:
    """Terms of then and now where they differ by more than rates and borders; another currency can't be compared."""
    found = {}
    for code in sorted(then.keys() & now.keys()):
        if order_number_of(code) > 1:  # its terms are those of the first order
            continue
        old, new = replace(then[code], rate=now[code].rate, border=now[code].border), now[code]
        if old != new and old.currency_code == new.currency_code:
            found[code] = (old, new)
    return found


def _orders(
    inputs: WorkspaceInputs, market: pl.DataFrame, plans: Mapping[str, pl.DataFrame], on: date, vendors: set[str]
) -> dict[tuple[str, str], tuple[Decimal, dict[int, list[Purchase]]]]:
    """By model and vendor, the landed cost of the headline plan of a date and its orders with the vendor by number."""
    of_plan = (pl.col("priced_on") == on) & (pl.col("scenario_code") == HEADLINE_SCENARIO)
    sound = plans["model_cost"].filter(of_plan & (pl.col("plan_status") != "refused"))
    landed = dict(sound.select("model_code", "landed_cost").iter_rows())
    bought = plans["plan_purchase"].filter(of_plan & pl.col("vendor_code").is_in(sorted(vendors)))
    columns = ("part_code", "colour_code", "condition", "assortment_code", "bought_piece_count", "unit_price", *SIZES)
    orders: dict[tuple[str, str], tuple[Decimal, dict[int, list[Purchase]]]] = {}
    priced = with_assortments_and_sizes(bought, market, inputs.tables["parts"]).sort(
        "model_code", *OFFER, "step_from_quantity"
    )
    for model, vendor, number, *columns_of_purchase in priced.select(
        "model_code", "vendor_code", "order_number", *columns
    ).iter_rows():
        if model in landed:
            of_vendor = orders.setdefault((model, vendor), (landed[model], {}))[1]
            of_vendor.setdefault(number, []).append(Purchase(*columns_of_purchase))
    return orders


def _effect(
    orders: Mapping[int, list[Purchase]], landed: Decimal, terms: tuple[VendorTerms, VendorTerms], is_earlier: bool
) -> tuple[float, str]:
    """Change of the plan's landed cost in per cent, and why the earlier order could not be placed any more."""
    old, new = ([work_out_order(order, side) for _, order in sorted(orders.items())] for side in terms)
    change = sum((now.rounded.total - then.rounded.total for then, now in zip(old, new, strict=True)), Decimal(0))
    before = landed if is_earlier else landed - change
    broken = [rule.what for order in new for rule in order.broken_rules]
    if len(orders) > terms[1].maximum_order_count:
        broken.append(f"{len(orders)} orders are more than {terms[1].maximum_order_count}")
    refusal = "; ".join(dict.fromkeys(broken)) if is_earlier else ""
    return (100 * float(change / before) if before > 0 else 0.0), refusal
