"""Checks a plan: enough is bought for what is used, nothing that is not there, and landed cost and planner agree."""

from __future__ import annotations

from fractions import Fraction

from pipelines.costing.landed_cost import LandedCost
from pipelines.costing.several_orders import in_words, vendor_of
from pipelines.planning.candidates import Candidates, Portion
from pipelines.planning.purchase_plan import PurchasePlan


def faults(plan: PurchasePlan, candidates: Candidates, landed_cost: LandedCost) -> list[str]:
    """What is wrong with a plan, in words; empty where nothing is."""
    return [
        *(f"{in_words(rule.vendor_code)} would not accept the order: {rule.what}" for rule in landed_cost.broken_rules),
        *_cost_faults(plan, landed_cost),
        *_purchase_faults(plan, candidates),
        *_fill_faults(plan, candidates),
    ]


def _cost_faults(plan: PurchasePlan, landed_cost: LandedCost) -> list[str]:
    found = []
    if landed_cost.exact_cost != plan.cost:
        found.append(
            f"the landed cost comes to {float(landed_cost.exact_cost)!r}, the optimiser to {float(plan.cost)!r}"
        )
    if not 0 <= plan.lower_bound <= plan.cost:
        found.append(f"the lower bound {float(plan.lower_bound)!r} is not between 0 and the cost {float(plan.cost)!r}")
    return found


def _purchase_faults(plan: PurchasePlan, candidates: Candidates) -> list[str]:
    limits = {
        offer_id: (multiple, available if most is None else min(available, most))
        for offer_id, multiple, available, most in candidates.offers.select(
            "offer_id", "sold_in_multiples_of", "quantity_available", "maximum_per_order"
        ).iter_rows()
    }
    bought: dict[str, int] = {}
    for offer_id, quantity in plan.purchases.select("offer_id", "quantity").iter_rows():
        bought[offer_id] = bought.get(offer_id, 0) + quantity
    used = plan.pieces_used
    wrong = []
    for offer_id in sorted(bought.keys() | used.keys()):
        quantity = bought.get(offer_id, 0)
        multiple, most = limits.get(offer_id, (1, 0))
        if not used.get(offer_id, 0) <= quantity <= most or quantity % multiple:
            wrong.append(f"the offer {in_words(offer_id)} can't be bought as planned")
    stock = dict(candidates.offers.select("offer_id", "quantity_available").iter_rows())
    together: dict[str, int] = {}
    for offer_id, quantity in bought.items():
        together[vendor_of(offer_id)] = together.get(vendor_of(offer_id), 0) + quantity
    wrong += [
        f"all orders together buy more of the offer {offer_id} than there is"
        for offer_id, quantity in sorted(together.items())
        if quantity > stock.get(offer_id, quantity)
    ]
    return wrong


def _fill_faults(plan: PurchasePlan, candidates: Candidates) -> list[str]:
    """Pieces used and unfilled add up to each portion, and combinations have all their components."""
    groups = candidates.portions["group_code"].to_list()
    colours: dict[str, set[str]] = {}
    filled: dict[tuple[Portion, str, str], dict[str, Fraction]] = {}
    for line, number, offer_id, combination, component, colour, quantity in plan.allocation_rows:
        portion = candidates.portion_numbers.get((line, number), -1)
        use = (portion, candidates.offer_numbers.get(offer_id, -1), combination, component)
        count = candidates.component_counts.get(use)
        if count is None:
            return ["a portion is served by an offer that does not fit it"]
        pieces = filled.setdefault(((line, number), combination, colour), {})
        pieces[component] = pieces.get(component, Fraction(0)) + Fraction(quantity, count)
        if groups[portion]:
            colours.setdefault(groups[portion], set()).add(colour)
    found = []
    accounted: dict[Portion, Fraction | int] = dict(plan.pieces_missing)
    is_whole = True
    for (portion_key, combination, _), pieces in filled.items():
        accounted[portion_key] = accounted.get(portion_key, 0) + min(pieces.values())
        whole = candidates.components.get((candidates.portion_numbers[portion_key], combination), {""})
        is_whole = is_whole and len(set(pieces.values())) == 1 and pieces.keys() == whole
    if not is_whole:
        found.append("a combination lacks some of its components")
    found += [
        f"line {line} portion {number} is not accounted for"
        for (line, number), quantity in sorted(plan.pieces_needed.items())
        if accounted.get((line, number), 0) != quantity
    ]
    found += [f"group {group} is in {len(codes)} colours" for group, codes in sorted(colours.items()) if len(codes) > 1]
    return found
