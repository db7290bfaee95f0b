"""The counter question: what each portion costs at the maker's counter and elsewhere, what its terms still ask for, and what
spending a little more there would change."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from decimal import ROUND_CEILING, Decimal
from fractions import Fraction
from typing import Any

import polars as pl

from pipelines.costing.candidates import Candidates
from pipelines.costing.fitting import PORTION_KEY
from pipelines.costing.further_orders import order_number_of
from pipelines.costing.planner import mip
from pipelines.costing.plans import Plan, as_solution, plan_of
from pipelines.costing.receipt import work_out
from pipelines.costing.terms import VendorTerms
from pipelines.costing.terms_on import TermsBook
from pipelines.errors import PlanRefusedError
from pipelines.insight.moves import Limits, Moved, Offer, Offers, Orders, Portion
from pipelines.insight.published_plans import EFFORT, PublishedPlan
from pipelines.money import currency_digits, round_down, round_half_up, round_money
from pipelines.settings import Scenario
from schemas.published.makers_shop import COUNTER_CHOICE, COUNTER_FURTHER, COUNTER_THRESHOLD

FURTHER_SPEND = Decimal(5)
"""What is spent further at the counter, in the buyer's currency: about what one more line costs (common practice, no source)."""

Row = dict[str, Any]
Priced = dict[Portion, dict[str, list[tuple[Fraction, Offer]]]]
"""By portion and vendor kind, prices of a piece in the buyer's currency with their offers, cheapest first."""


def counter_rows(
    published: PublishedPlan, plan: Plan, candidates: Candidates, near: Candidates, book: TermsBook
) -> dict[str, list[Row]]:
    """Rows of COUNTER_CONTRACTS of one published mix, by table name; none where no counter serves the buyer.

    Args:
        published: a plan in which the counter is a vendor like any other.
        plan: the same with its exact cost.
        candidates: of its scenario.
        near: those of the plan's vendors, the counters and a few others.
        book: the vendors' terms.
    """
    first = [code for code in candidates.vendor_codes if order_number_of(code) == 1]
    counters = sorted(code for code in first if book.vendors[code].vendor_kind == "counter")
    rows: dict[str, list[Row]] = {name: [] for name in _TABLES}
    if not counters:
        return rows
    key = {
        "priced_on": published.day,
        "model_code": published.model.model_code,
        "buyer_code": published.buyer.buyer_code,
    }
    priced = _priced(candidates, book)
    rows[COUNTER_CHOICE.name] = _choices(published, plan, candidates, priced, book)
    for code in counters:
        terms = book.vendors[code]
        rows[COUNTER_THRESHOLD.name] += _thresholds(plan, terms)
        rows[COUNTER_FURTHER.name].append(_further(published.scenario, plan, near, priced, book, code))
    return {name: [{**key, **row} for row in of_table] for name, of_table in rows.items()}


_TABLES = (COUNTER_CHOICE.name, COUNTER_THRESHOLD.name, COUNTER_FURTHER.name)


def price_with_tax(price: Fraction | Decimal, terms: VendorTerms) -> Fraction:
    """What one piece costs the buyer besides shipping and handling: its displayed price, converted, with the tax on goods."""
    added = Fraction(0) if terms.tax_on == "included" else Fraction(terms.tax_rate_pct) / 100
    return Fraction(price) * terms.rate * (1 + added)


def _priced(candidates: Candidates, book: TermsBook) -> Priced:
    """Direct uses of every portion with the price of a piece at the step that its quantity reaches."""
    offers, ids = Offers(candidates), list(candidates.offer_numbers)
    portions = list(candidates.wanted.items())
    found: Priced = {}
    direct = candidates.uses.filter(pl.col("make_up_code") == "")
    for portion_index, offer_index in direct.select("portion_index", "offer_index").iter_rows():
        portion, quantity = portions[portion_index]
        offer = offers[ids[offer_index]]
        if order_number_of(offer.vendor_code) > 1:  # the same stock at the same price
            continue
        terms = book.vendors[offer.vendor_code]
        pieces = max(min(quantity, offer.most), offer.steps[0][0])
        price = price_with_tax(Fraction(offer.value(pieces)) / pieces, terms)
        found.setdefault(portion, {}).setdefault(terms.vendor_kind, []).append((price, offer))
    for kinds in found.values():
        for prices in kinds.values():
            prices.sort(key=lambda pair: (pair[0], pair[1].facts["offer_id"]))
    return found


def covering_price(prices: Iterable[tuple[Fraction, Offer]], quantity: int) -> Fraction | None:
    """Mean price of the cheapest stock that covers a quantity; None where all of it does not."""
    left, paid = quantity, Fraction(0)
    for price, offer in prices:
        taken = min(left, offer.most)
        left, paid = left - taken, paid + price * taken
        if not left:
            return paid / quantity
    return None


def _choices(
    published: PublishedPlan, plan: Plan, candidates: Candidates, priced: Priced, book: TermsBook
) -> list[Row]:
    money = published.buyer.currency_code
    vendor_of = dict(plan.purchases.select("offer_id", "vendor_code").iter_rows())
    at_counter: dict[Portion, int] = {}
    for row in plan.allocation_rows:
        if book.vendors[vendor_of[row[2]]].vendor_kind == "counter" and not row[3]:
            at_counter[row[:2]] = at_counter.get(row[:2], 0) + row[-1]
    listed = published.rows["plan_line"].unique(PORTION_KEY, keep="first").select(*PORTION_KEY, *_LISTED)
    missing = published.rows["unfilled_line"].select(*PORTION_KEY, *_LISTED)
    names = {row[:2]: row[2:] for row in pl.concat([listed, missing]).iter_rows()}
    rows = []
    for portion, quantity in candidates.wanted.items():
        of_portion = priced.get(portion, {})
        here, there = of_portion.get("counter", []), of_portion.get("independent", [])
        if not here and portion not in at_counter:
            continue
        price, other = covering_price(here, quantity), covering_price(there, quantity)
        is_known = price is not None and other is not None
        rows.append(
            {
                **dict(zip((*PORTION_KEY, *_LISTED), (*portion, *names[portion]), strict=True)),
                "quantity": quantity,
                "currency_code": money,
                "counter_vendor_code": here[0][1].vendor_code if here else "",
                "counter_unit_price": None if price is None else round_half_up(price, 6),
                "elsewhere_vendor_code": there[0][1].vendor_code if there else "",
                "elsewhere_unit_price": None if other is None else round_half_up(other, 6),
                "counter_saving": round_money((other - price) * quantity, money) if is_known else None,  # type: ignore[operator]
                "counter_piece_count": at_counter.get(portion, 0),
                "is_counter_line": portion[0] in published.model.settings.counter_lines,
            }
        )
    return rows


_LISTED = ("listed_part_code", "listed_colour_code")


def _spent(plan: Plan, vendor_code: str, assortment_code: str | None = None) -> Fraction:
    """Displayed value of an order, or of one assortment in it."""
    of_vendor = plan.purchases.filter(pl.col("vendor_code") == vendor_code)
    if assortment_code is not None:
        of_vendor = of_vendor.filter(pl.col("assortment_code") == assortment_code)
    return sum((Fraction(value) for value in of_vendor["goods_value"]), Fraction(0))


def _thresholds(plan: Plan, terms: VendorTerms) -> list[Row]:
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
                "counter_vendor_code": terms.vendor_code,
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


def _further(scenario: Scenario, plan: Plan, near: Candidates, priced: Priced, book: TermsBook, counter: str) -> Row:
    """The cheapest way found in which at least ``FURTHER_SPEND`` more is ordered at a counter."""
    terms = book.vendors[counter]
    money = terms.buyer_currency_code
    spent = _spent(plan, counter)
    least = _rounded_up(spent + Fraction(FURTHER_SPEND) / terms.rate)
    raised = replace(terms, minimum_order=max(terms.minimum_order, least))
    changed = replace(book, vendors={**book.vendors, counter: raised})
    rules = scenario.model_copy(update={"forced_vendors": sorted({*scenario.forced_vendors, counter})})
    moved = _greedy(scenario, plan, near, priced, book, counter, least)
    best: Plan | None = None if moved is None else moved.plan
    try:
        start = None if best is None else as_solution(best, near, rules)
        found = plan_of(near, mip.solve(near.problem(changed, rules), EFFORT, start))
        if not work_out(found.purchases, changed.vendors).broken_rules:
            best = found if best is None else min(best, found, key=lambda each: each.rank)
    except PlanRefusedError:
        pass  # the counter has not that much to sell, unless moving pieces found it
    landed = work_out(plan.purchases, book.vendors).landed_cost
    then = None if best is None else work_out(best.purchases, book.vendors).landed_cost
    fills_alike = best is not None and best.rank[0] == plan.rank[0]
    return {
        "counter_vendor_code": counter,
        "currency_code": money,
        "counter_goods_value": round_money(spent * terms.rate, money),
        "further_spend": round_money(FURTHER_SPEND, money),
        "landed_cost": landed,
        "further_landed_cost": then,
        "further_cost_change": then - landed if then is not None and fills_alike else None,
        "further_piece_count": 0 if best is None else _pieces_from(best, counter),
        "unfilled_piece_count": plan.rank[0],
        "further_unfilled_piece_count": None if best is None else best.rank[0],
    }


def _rounded_up(value: Fraction) -> Decimal:
    exact = Decimal(value.numerator) / Decimal(value.denominator)
    return exact.quantize(Decimal("0.000001"), rounding=ROUND_CEILING)


def _pieces_from(plan: Plan, vendor: str) -> int:
    own = set(plan.purchases.filter(pl.col("vendor_code") == vendor)["offer_id"])
    return sum(row[-1] for row in plan.allocation_rows if row[2] in own)


def _greedy(
    scenario: Scenario, plan: Plan, near: Candidates, priced: Priced, book: TermsBook, counter: str, least: Decimal
) -> Moved | None:
    """The plan with portions moved to the counter, those that lose least for their value first, until enough is spent there."""
    limits = Limits(scenario.allow_spares, scenario.maximum_vendor_count, frozenset(scenario.forced_vendors))
    offers = Offers(near)
    if not set(plan.purchases["offer_id"]) <= offers.keys():
        return None
    vendor_of = dict(plan.purchases.select("offer_id", "vendor_code").iter_rows())
    grouped = {row[:2] for row in plan.wanted.select(*PORTION_KEY, "group_code").iter_rows() if row[2]}
    elsewhere = {row[:2] for row in plan.allocation_rows if vendor_of[row[2]] != counter and not row[3]} - grouped
    ranked = []
    for portion in elsewhere:
        quantity = near.wanted.get(portion, 0)
        here = [(p, o) for p, o in priced.get(portion, {}).get("counter", []) if o.vendor_code == counter]
        price = covering_price(here, quantity)
        other = covering_price(priced.get(portion, {}).get("independent", []), quantity)
        if price is not None and all(offer.facts["offer_id"] in offers for _, offer in here):
            dearer = (price - (other if other is not None else price)) / price if price else Fraction(0)
            ranked.append((dearer, portion, [str(offer.facts["offer_id"]) for _, offer in here], price * quantity))
    orders = Orders(plan, offers, book.vendors)
    wanted: dict[Portion, int] = {}
    options: dict[Portion, list[str]] = {}
    terms, missing = book.vendors[counter], Fraction(least) - _spent(plan, counter)
    vendors = frozenset({*plan.purchases["vendor_code"], counter})
    for _, portion, ids, value in sorted(ranked):
        wanted[portion], options[portion] = near.wanted[portion], ids
        missing -= value / price_with_tax(Fraction(1), terms)
        if missing <= 0:
            moved = orders.moved(wanted, options, [vendors], limits)
            if moved is not None and _spent(moved.plan, counter) >= least:
                return moved
    return None
