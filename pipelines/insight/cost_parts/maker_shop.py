"""What to buy at the maker's shop: prices there and elsewhere, what is missing to its thresholds, and spending more there."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from decimal import ROUND_CEILING, Decimal
from fractions import Fraction
from typing import Any

import polars as pl

from pipelines.costing.landed_cost import work_out
from pipelines.costing.several_orders import order_number_of
from pipelines.costing.terms import VendorTerms
from pipelines.costing.terms_on import TermsBook
from pipelines.demand.fitting import PORTION_KEY
from pipelines.errors import PlanRefusedError
from pipelines.insight.replanning.offers import Offer, Offers
from pipelines.insight.replanning.plan_changes import ChangeablePlan, ChangedPlan, PlanLimits
from pipelines.insight.replanning.published_plans import EFFORT, PublishedPlan
from pipelines.money import currency_digits, round_down, round_half_up, round_money
from pipelines.planner import solve
from pipelines.planning.candidates import Candidates, Portion
from pipelines.planning.purchase_plan import PurchasePlan, as_solution, plan_of
from pipelines.settings import Scenario
from schemas.published.makers_shop import MAKER_CHOICE, MAKER_FURTHER, MAKER_THRESHOLD

FURTHER_SPEND = Decimal(5)
"""What is spent further there, in the buyer's currency: about the price of one more line (common practice, no source)."""

Row = dict[str, Any]
Priced = dict[Portion, dict[str, list[tuple[Fraction, Offer]]]]
"""By portion and vendor kind, prices of a piece in the buyer's currency with their offers, cheapest first."""


def maker_rows(
    published: PublishedPlan, plan: PurchasePlan, candidates: Candidates, near: Candidates, book: TermsBook
) -> dict[str, list[Row]]:
    """Rows of MAKER_CONTRACTS of one published mix, by table name; none where no maker's shop serves the buyer.

    Args:
        published: a plan in which the maker's shop is a vendor like any other.
        plan: the same with its exact cost.
        candidates: of its scenario.
        near: candidates of the plan's vendors, the makers' shops and a few others.
        book: the vendors' terms.
    """
    first = [code for code in candidates.vendor_codes if order_number_of(code) == 1]
    makers = sorted(code for code in first if book.vendors[code].vendor_kind == "maker")
    rows: dict[str, list[Row]] = {name: [] for name in _TABLES}
    if not makers:
        return rows
    key = {
        "priced_on": published.day,
        "model_code": published.model.model_code,
        "buyer_code": published.buyer.buyer_code,
    }
    priced = _priced(candidates, book)
    rows[MAKER_CHOICE.name] = _choices(published, plan, candidates, priced, book)
    for code in makers:
        terms = book.vendors[code]
        rows[MAKER_THRESHOLD.name] += _thresholds(plan, terms)
        rows[MAKER_FURTHER.name].append(_further(published.scenario, plan, near, priced, book, code))
    return {name: [{**key, **row} for row in of_table] for name, of_table in rows.items()}


_TABLES = (MAKER_CHOICE.name, MAKER_THRESHOLD.name, MAKER_FURTHER.name)


def price_with_tax(price: Fraction | Decimal, terms: VendorTerms) -> Fraction:
    """What one piece costs the buyer without shipping and handling: its displayed price, converted, with tax on goods."""
    added = Fraction(0) if terms.tax_on == "included" else Fraction(terms.tax_rate_pct) / 100
    return Fraction(price) * terms.rate * (1 + added)


def _priced(candidates: Candidates, book: TermsBook) -> Priced:
    """Direct uses of every portion with the price of a piece at the step that its quantity reaches."""
    offers, ids = Offers(candidates), list(candidates.offer_numbers)
    portions = list(candidates.needed.items())
    found: Priced = {}
    direct = candidates.uses.filter(pl.col("combination_code") == "")
    for portion_index, offer_index in direct.select("portion_index", "offer_index").iter_rows():
        portion, quantity = portions[portion_index]
        offer = offers[ids[offer_index]]
        if order_number_of(offer.vendor_code) > 1:  # a further order has the same stock at the same price
            continue
        terms = book.vendors[offer.vendor_code]
        pieces = max(min(quantity, offer.most), offer.steps[0][0])
        price = price_with_tax(Fraction(offer.value(pieces)) / pieces, terms)
        found.setdefault(portion, {}).setdefault(terms.vendor_kind, []).append((price, offer))
    for kinds in found.values():
        for prices in kinds.values():
            prices.sort(key=lambda pair: (pair[0], pair[1].columns["offer_id"]))
    return found


def covering_price(prices: Iterable[tuple[Fraction, Offer]], quantity: int) -> Fraction | None:
    """Mean price of the cheapest stock that covers a quantity; None where all the stock does not."""
    left, paid = quantity, Fraction(0)
    for price, offer in prices:
        taken = min(left, offer.most)
        left, paid = left - taken, paid + price * taken
        if not left:
            return paid / quantity
    return None


def _choices(
    published: PublishedPlan, plan: PurchasePlan, candidates: Candidates, priced: Priced, book: TermsBook
) -> list[Row]:
    money = published.buyer.currency_code
    vendor_of = dict(plan.purchases.select("offer_id", "vendor_code").iter_rows())
    at_maker: dict[Portion, int] = {}
    for row in plan.allocation_rows:
        if book.vendors[vendor_of[row[2]]].vendor_kind == "maker" and not row[3]:
            at_maker[row[:2]] = at_maker.get(row[:2], 0) + row[-1]
    listed = published.rows["plan_line"].unique(PORTION_KEY, keep="first").select(*PORTION_KEY, *_LISTED)
    missing = published.rows["unfilled_line"].select(*PORTION_KEY, *_LISTED)
    names = {row[:2]: row[2:] for row in pl.concat([listed, missing]).iter_rows()}
    rows = []
    for portion, quantity in candidates.needed.items():
        of_portion = priced.get(portion, {})
        here, there = of_portion.get("maker", []), of_portion.get("independent", [])
        if not here and portion not in at_maker:
            continue
        price, other = covering_price(here, quantity), covering_price(there, quantity)
        is_known = price is not None and other is not None
        rows.append(
            {
                **dict(zip((*PORTION_KEY, *_LISTED), (*portion, *names[portion]), strict=True)),
                "quantity": quantity,
                "currency_code": money,
                "maker_vendor_code": here[0][1].vendor_code if here else "",
                "maker_unit_price": None if price is None else round_half_up(price, 6),
                "elsewhere_vendor_code": there[0][1].vendor_code if there else "",
                "elsewhere_unit_price": None if other is None else round_half_up(other, 6),
                "maker_saving": round_money((other - price) * quantity, money) if is_known else None,  # type: ignore[operator]
                "maker_piece_count": at_maker.get(portion, 0),
                "is_maker_line": portion[0] in published.model.settings.maker_lines,
            }
        )
    return rows


_LISTED = ("listed_part_code", "listed_colour_code")


def _spent(plan: PurchasePlan, vendor_code: str, assortment_code: str | None = None) -> Fraction:
    """Displayed value of an order, or of one assortment in it."""
    of_vendor = plan.purchases.filter(pl.col("vendor_code") == vendor_code)
    if assortment_code is not None:
        of_vendor = of_vendor.filter(pl.col("assortment_code") == assortment_code)
    return sum((Fraction(value) for value in of_vendor["goods_value"]), Fraction(0))


def _thresholds(plan: PurchasePlan, terms: VendorTerms) -> list[Row]:
    spent = _spent(plan, terms.vendor_code)
    found: list[tuple[str, str, Decimal, Fraction, Decimal | None]] = []
    if terms.minimum_order:
        found.append(("minimum_order", "", terms.minimum_order, spent, None))
    if terms.soft_minimum and terms.soft_minimum_charge:
        found.append(("soft_minimum", "", terms.soft_minimum, spent, terms.soft_minimum_charge))
    if terms.shipping_waived_from is not None:
        found.append(("shipping_waiver", "", terms.shipping_waived_from, spent, terms.shipping_charge or None))
    if terms.discount_pct and terms.discount_from:
        found.append(("discount", "", terms.discount_from, spent, None))
    for code, handling in sorted(terms.handling.items()):
        if handling.waived_from is not None and handling.charge:
            value = _spent(plan, terms.vendor_code, code)
            found.append(("handling_waiver", code, handling.waived_from, value, handling.charge))
    money, digits = terms.currency_code, currency_digits(terms.currency_code)
    rows = []
    for kind, assortment, threshold, value, charge in found:
        rounded = round_down(value, digits)  # a threshold is not reached because of rounding
        start = round_money(threshold, money)
        rows.append(
            {
                "maker_vendor_code": terms.vendor_code,
                "threshold_kind": kind,
                "assortment_code": assortment,
                "vendor_currency_code": money,
                "threshold_value": start,
                "spent_value": rounded,
                "left_to_go": max(start - rounded, Decimal(0)),
                "threshold_charge": None if charge is None else round_money(charge, money),
            }
        )
    return rows


def _further(
    scenario: Scenario, plan: PurchasePlan, near: Candidates, priced: Priced, book: TermsBook, maker: str
) -> Row:
    """What the cheapest plan found costs in which at least ``FURTHER_SPEND`` more is ordered at a maker's shop."""
    terms = book.vendors[maker]
    money = terms.buyer_currency_code
    spent = _spent(plan, maker)
    least = _rounded_up(spent + Fraction(FURTHER_SPEND) / terms.rate)
    raised = replace(terms, minimum_order=max(terms.minimum_order, least))
    changed = replace(book, vendors={**book.vendors, maker: raised})
    rules = scenario.model_copy(update={"forced_vendors": sorted({*scenario.forced_vendors, maker})})
    moved = _greedy(scenario, plan, near, priced, book, maker, least)
    best: PurchasePlan | None = None if moved is None else moved.plan
    try:
        start = None if best is None else as_solution(best, near, rules)
        found = plan_of(near, solve.solve(near.problem(changed, rules), EFFORT, start))
        if not work_out(found.purchases, changed.vendors).broken_rules:
            best = found if best is None else min(best, found, key=lambda each: each.rank)
    except PlanRefusedError:
        pass  # the maker's shop does not have that much to sell, unless moving portions found it
    landed = work_out(plan.purchases, book.vendors).total
    then = None if best is None else work_out(best.purchases, book.vendors).total
    fills_alike = best is not None and best.rank[0] == plan.rank[0]
    return {
        "maker_vendor_code": maker,
        "currency_code": money,
        "maker_goods_value": round_money(spent * terms.rate, money),
        "further_spend": round_money(FURTHER_SPEND, money),
        "landed_cost": landed,
        "further_landed_cost": then,
        "further_cost_change": then - landed if then is not None and fills_alike else None,
        "further_piece_count": 0 if best is None else _pieces_from(best, maker),
        "unfilled_piece_count": plan.rank[0],
        "further_unfilled_piece_count": None if best is None else best.rank[0],
    }


def _rounded_up(value: Fraction) -> Decimal:
    exact = Decimal(value.numerator) / Decimal(value.denominator)
    return exact.quantize(Decimal("0.000001"), rounding=ROUND_CEILING)


def _pieces_from(plan: PurchasePlan, vendor: str) -> int:
    own = set(plan.purchases.filter(pl.col("vendor_code") == vendor)["offer_id"])
    return sum(row[-1] for row in plan.allocation_rows if row[2] in own)


def _greedy(
    scenario: Scenario,
    plan: PurchasePlan,
    near: Candidates,
    priced: Priced,
    book: TermsBook,
    maker: str,
    least: Decimal,
) -> ChangedPlan | None:
    """The plan with portions moved to the maker's shop until enough is spent there, those that cost least more first."""
    limits = PlanLimits(scenario.allow_spares, scenario.maximum_vendor_count, frozenset(scenario.forced_vendors))
    offers = Offers(near)
    if not set(plan.purchases["offer_id"]) <= offers.keys():
        return None
    vendor_of = dict(plan.purchases.select("offer_id", "vendor_code").iter_rows())
    grouped = {row[:2] for row in plan.needed.select(*PORTION_KEY, "group_code").iter_rows() if row[2]}
    elsewhere = {row[:2] for row in plan.allocation_rows if vendor_of[row[2]] != maker and not row[3]} - grouped
    ranked = []
    for portion in elsewhere:
        quantity = near.needed.get(portion, 0)
        here = [(p, o) for p, o in priced.get(portion, {}).get("maker", []) if o.vendor_code == maker]
        price = covering_price(here, quantity)
        other = covering_price(priced.get(portion, {}).get("independent", []), quantity)
        if price is not None and all(offer.columns["offer_id"] in offers for _, offer in here):
            dearer = (price - (other if other is not None else price)) / price if price else Fraction(0)
            ranked.append((dearer, portion, [str(offer.columns["offer_id"]) for _, offer in here], price * quantity))
    changeable = ChangeablePlan(plan, offers, book.vendors)
    needed: dict[Portion, int] = {}
    options: dict[Portion, list[str]] = {}
    terms, missing = book.vendors[maker], Fraction(least) - _spent(plan, maker)
    vendors = frozenset({*plan.purchases["vendor_code"], maker})
    for _, portion, ids, value in sorted(ranked):
        needed[portion], options[portion] = near.needed[portion], ids
        missing -= value / price_with_tax(Fraction(1), terms)
        if missing <= 0:
            moved = changeable.with_portions_moved(needed, options, [vendors], limits)
            if moved is not None and _spent(moved.plan, maker) >= least:
                return moved
    return None
