"""All plans of a tiny market, decided by the landed cost alone: the planner's oracle.

Every way to use offers for portions is listed; for each, every vendor's cheapest order that covers it is found by trying all
quantities on sale, in as many orders as the vendor takes. Only offers that can serve a portion are bought, be it as spares. Nothing here comes from the planner but
the problem's frames.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Iterator
from decimal import Decimal
from fractions import Fraction
from functools import cache
from typing import Any

from pipelines.costing.landed_cost import Purchase, work_out_order
from pipelines.costing.terms import VendorTerms
from pipelines.planner.statement.problem import Problem


class Market:
    """A problem in plain Python."""

    def __init__(self, problem: Problem) -> None:
        self.terms = problem.terms
        self.allow_spares = problem.allow_spares
        self.maximum_vendor_count = problem.maximum_vendor_count
        self.portions = problem.portions.to_dicts()
        self.offers = problem.offers.to_dicts()
        self.prices: dict[int, list[tuple[int, Decimal]]] = defaultdict(list)
        for step in problem.offer_steps.to_dicts():
            self.prices[step["offer_index"]].append((step["step_from_quantity"], step["unit_price"]))
        self.uses = problem.uses.to_dicts()
        self.on_sale = [self._quantities(index) for index in range(len(self.offers))]
        self.uses = [use for use in self.uses if self._can_serve(use)]
        useful = {use["offer_index"] for use in self.uses}
        self.on_sale = [quantities if i in useful else [] for i, quantities in enumerate(self.on_sale)]

    def value(self, offer: int, quantity: int) -> Decimal | None:
        """What so many pieces cost as displayed: at one price, or piece by piece; None below the first step."""
        if quantity < min(self.prices[offer])[0]:
            return None
        if self.offers[offer]["step_kind"] == "all_units":
            return self.price(offer, quantity) * quantity
        return sum((self.price(offer, piece) for piece in range(1, quantity + 1)), Decimal(0))

    def price(self, offer: int, piece: int) -> Decimal:
        """The price of the highest step that a number of pieces reaches; of the first one if it reaches none."""
        reached = [step for step in self.prices[offer] if step[0] <= piece]
        return max(reached, default=min(self.prices[offer]))[1]

    def _can_serve(self, use: dict[str, Any]) -> bool:
        """Whether the offer is on sale, and for a combination every other component is, too. Others are not even spares."""
        if not self.on_sale[use["offer_index"]]:
            return False
        siblings = [
            other
            for other in self.uses
            if (other["portion_index"], other["combination_code"]) == (use["portion_index"], use["combination_code"])
        ]
        available = {
            other["component_part_code"]
            for other in siblings
            if other["colour_code"] == use["colour_code"] and self.on_sale[other["offer_index"]]
        }
        return not use["combination_code"] or available == {other["component_part_code"] for other in siblings}

    @staticmethod
    def _can_be_sent(size: Decimal, terms: VendorTerms) -> bool:
        """Not beyond the last step by size, where that one ends."""
        ends = [step.to_value for step in terms.shipping_steps if step.basis == "largest_dimension_mm"]
        return not ends or any(end is None for end in ends) or size < max(end for end in ends if end is not None)

    def _quantities(self, index: int) -> list[int]:
        """Quantities on sale: in multiples, in stock, within the limits per order, worth the least a line must be.

        None of what the vendor has no parcel for.
        """
        offer = self.offers[index]
        terms = self.terms[offer["vendor_code"]]
        if not self._can_be_sent(offer["largest_dimension_mm"], terms):
            return []
        limits = [offer["quantity_available"], offer["maximum_per_order"], terms.maximum_piece_count]
        most = min(limit for limit in limits if limit is not None)
        least_value = terms.minimum_line_value
        found = []
        for quantity in range(offer["sold_in_multiples_of"], most + 1, offer["sold_in_multiples_of"]):
            value = self.value(index, quantity)
            if value is not None and value >= least_value:
                found.append(quantity)
        return found


def best_plan(problem: Problem) -> tuple[int, Fraction] | None:
    """Fewest unfilled pieces, and the least exact cost, with the parcel penalty of its orders, of a plan with so few.

    None if no plan uses a piece of every forced vendor.
    """
    market = Market(problem)

    preferred = problem.penalties.preferred_vendors
    codes = sorted({offer["vendor_code"] for offer in market.offers})
    offers_of = {code: [i for i, offer in enumerate(market.offers) if offer["vendor_code"] == code] for code in codes}
    orders = {code: _several_orders(market, code) for code in codes}

    @cache
    def cheapest_orders(vendor_code: str, used: tuple[int, ...]) -> list[tuple[int, Fraction]]:
        """How many orders, and the least they cost together, that cover the pieces used of each of the vendor's offers."""
        fits = _covers if market.allow_spares else _uses
        return [
            (count, min(costs))
            for count, many in enumerate(orders[vendor_code], start=1)
            if (costs := [cost for covered, cost in many.items() if fits(covered, used)])
        ]

    best: dict[int, Fraction] = {}
    for unfilled, used in _allocations(market):
        by_vendor = {code: tuple(used[index] for index in mine) for code, mine in offers_of.items()}
        bought_from = [code for code in codes if any(by_vendor[code])]
        if not problem.forced_vendors <= set(bought_from):
            continue
        for chosen in itertools.product(*(cheapest_orders(code, by_vendor[code]) for code in bought_from)):
            counts = [count for count, _ in chosen]
            if market.maximum_vendor_count is not None and sum(counts) > market.maximum_vendor_count:
                continue
            penalties = (
                count
                * (
                    problem.penalties.parcel
                    + (0 if not preferred or code in preferred else problem.penalties.preference_value)
                )
                for code, count in zip(bought_from, counts, strict=True)
            )
            cost = sum((cost for _, cost in chosen), Fraction(0)) + sum(penalties)
            best[unfilled] = min(cost, best.get(unfilled, Fraction(10**9)))
    return min(best.items(), default=None)


def _covers(bought: tuple[int, ...], used: tuple[int, ...]) -> bool:
    return all(b >= u for b, u in zip(bought, used, strict=True))


def _uses(covered: tuple[int, ...], used: tuple[int, ...]) -> bool:
    return covered == used


def _several_orders(market: Market, vendor_code: str) -> list[dict[tuple[int, ...], Fraction]]:
    """The least cost of one, two, ... orders with a vendor by the pieces they cover: those bought, or those used without spares.

    All orders together buy no more than there is.
    """
    mine, costs = _orders(market, vendor_code)
    stock = [market.offers[index]["quantity_available"] for index in mine]
    one = {(bought, bought): cost for bought, cost in costs.items()}
    if not market.allow_spares:
        used = itertools.product(*(range(max(market.on_sale[i], default=0) + 1) for i in mine))
        needed = {
            each: tuple(
                min(q for q in market.on_sale[i] if q >= u) if u else 0 for i, u in zip(mine, each, strict=True)
            )
            for each in used
        }
        one = {(each, bought): costs[bought] for each, bought in needed.items() if bought in costs}
    many, found = one, []
    for _ in range(market.terms[vendor_code].maximum_order_count):
        least: dict[tuple[int, ...], Fraction] = {}
        for (covered, _), cost in many.items():
            least[covered] = min(cost, least.get(covered, cost))
        found.append(least)
        further: dict[tuple[tuple[int, ...], tuple[int, ...]], Fraction] = {}
        for ((covered, bought), cost), ((more, as_bought), its_cost) in itertools.product(many.items(), one.items()):
            together = tuple(map(sum, zip(bought, as_bought, strict=True)))
            if all(pieces <= most for pieces, most in zip(together, stock, strict=True)):
                key = tuple(map(sum, zip(covered, more, strict=True))), together
                further[key] = min(cost + its_cost, further.get(key, cost + its_cost))
        many = further
    return found


def _orders(market: Market, vendor_code: str) -> tuple[list[int], dict[tuple[int, ...], Fraction]]:
    """A vendor's offers, and the exact cost of every order that breaks no rule, by quantities."""
    mine = [index for index, offer in enumerate(market.offers) if offer["vendor_code"] == vendor_code]
    costs = {}
    for quantities in itertools.product(*([0, *market.on_sale[index]] for index in mine)):
        if any(quantities):
            landed_cost = work_out_order(
                [
                    _purchase(market, index, quantity)
                    for index, quantity in zip(mine, quantities, strict=True)
                    if quantity
                ],
                market.terms[vendor_code],
            )
            if not landed_cost.broken_rules:
                costs[quantities] = landed_cost.exact.total
    return mine, costs


def _purchase(market: Market, index: int, quantity: int) -> Purchase:
    offer = market.offers[index]
    return Purchase(
        offer["part_code"],
        offer["colour_code"],
        offer["condition"],
        offer["assortment_code"],
        quantity,
        market.price(index, quantity),
        offer["weight_grams"],
        offer["largest_dimension_mm"],
        market.value(index, quantity),
    )


def _allocations(market: Market) -> set[tuple[int, tuple[int, ...]]]:
    """Every (pieces unfilled, pieces used per offer) that portions, groups and combinations allow."""
    groups = sorted({portion["group_code"] for portion in market.portions} - {""})
    colours = sorted({use["colour_code"] for use in market.uses}) or [""]
    most = [
        min(
            offer["quantity_available"],
            max(on_sale, default=0) * market.terms[offer["vendor_code"]].maximum_order_count,
        )
        for offer, on_sale in zip(market.offers, market.on_sale, strict=True)
    ]
    found = set()
    for chosen in itertools.product(colours, repeat=len(groups)):
        colour_of = dict(zip(groups, chosen, strict=True))
        reached = {(0, (0,) * len(market.offers))}
        for portion in market.portions:
            fillings = set(_fillings(market, portion, colour_of))
            sums = (
                (missing + more, tuple(map(sum, zip(used, pieces, strict=True))))
                for (missing, used), (more, pieces) in itertools.product(reached, fillings)
            )
            reached = {
                (missing, used) for missing, used in sums if all(u <= m for u, m in zip(used, most, strict=True))
            }
        found |= reached
    return found


def _fillings(
    market: Market, portion: dict[str, Any], colour_of: dict[str, str]
) -> Iterator[tuple[int, tuple[int, ...]]]:
    """Every way to fill one portion: pieces missing, and pieces used per offer."""
    needed = colour_of.get(portion["group_code"])
    sources: dict[tuple[str, str], dict[str, list[dict[str, Any]]]] = defaultdict(lambda: defaultdict(list))
    direct = []
    for use in market.uses:
        if use["portion_index"] != portion["portion_index"] or (needed and use["colour_code"] != needed):
            continue
        if use["combination_code"]:
            sources[use["colour_code"], use["combination_code"]][use["component_part_code"]].append(use)
        else:
            direct.append(use)
    parts = defaultdict(set)
    for use in market.uses:
        if use["combination_code"] and use["portion_index"] == portion["portion_index"]:
            parts[use["combination_code"]].add(use["component_part_code"])
    whole = [components for (_, code), components in sources.items() if set(components) == parts[code]]
    counts = [range(portion["quantity"] + 1)] * (len(direct) + len(whole))
    for taken in itertools.product(*counts):
        if sum(taken) > portion["quantity"]:
            continue
        used = [0] * len(market.offers)
        for use, quantity in zip(direct, taken, strict=False):
            used[use["offer_index"]] += quantity
        spreads = [
            list(_spreads([use["offer_index"] for use in uses], quantity * uses[0]["component_count"]))
            for components, quantity in zip(whole, taken[len(direct) :], strict=True)
            for uses in components.values()
        ]
        for spread in itertools.product(*spreads):
            pieces = used.copy()
            for offer, quantity in itertools.chain.from_iterable(spread):
                pieces[offer] += quantity
            yield portion["quantity"] - sum(taken), tuple(pieces)


def _spreads(offers: list[int], quantity: int) -> Iterator[tuple[tuple[int, int], ...]]:
    """Every way to take a quantity from several offers."""
    for shares in itertools.product(range(quantity + 1), repeat=len(offers)):
        if sum(shares) == quantity:
            yield tuple(zip(offers, shares, strict=True))
