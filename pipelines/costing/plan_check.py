"""A plan held against what it promises: enough bought for what is used, nothing bought that is not there, one cost."""

from __future__ import annotations

from fractions import Fraction

from pipelines.costing.candidates import Candidates, Portion
from pipelines.costing.further_orders import in_words, vendor_of
from pipelines.costing.plans import Plan
from pipelines.costing.receipt import Receipt


def faults(plan: Plan, candidates: Candidates, receipt: Receipt) -> list[str]:
    """What is wrong with a plan, in words; empty for a sound one."""
    return [
        *(f"{in_words(rule.vendor_code)} would not accept the order: {rule.what}" for rule in receipt.broken_rules),
        *_cost_faults(plan, receipt),
        *_purchase_faults(plan, candidates),
        *_fill_faults(plan, candidates),
    ]


def _cost_faults(plan: Plan, receipt: Receipt) -> list[str]:
    found = []
    if receipt.exact_cost != plan.cost:
        found.append(f"the receipt comes to {float(receipt.exact_cost)!r}, the optimiser to {float(plan.cost)!r}")
    if not 0 <= plan.lower_bound <= plan.cost:
        found.append(f"the lower bound {float(plan.lower_bound)!r} is not between 0 and the cost {float(plan.cost)!r}")
    return found


def _purchase_faults(plan: Plan, candidates: Candidates) -> list[str]:
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


def _fill_faults(plan: Plan, candidates: Candidates) -> list[str]:
    """Pieces used and unfilled must add up to each portion; a make-up counts once all its components are there."""
    groups = candidates.portions["group_code"].to_list()
    colours: dict[str, set[str]] = {}
    filled: dict[tuple[Portion, str, str], dict[str, Fraction]] = {}
    for line, number, offer_id, make_up, component, colour, quantity in plan.allocation_rows:
        portion = candidates.portion_numbers.get((line, number), -1)
        use = (portion, candidates.offer_numbers.get(offer_id, -1), make_up, component)
        count = candidates.component_counts.get(use)
        if count is None:
            return ["a portion is served by an offer that does not fit it"]
        pieces = filled.setdefault(((line, number), make_up, colour), {})
        pieces[component] = pieces.get(component, Fraction(0)) + Fraction(quantity, count)
        if groups[portion]:
            colours.setdefault(groups[portion], set()).add(colour)
    found = []
    told: dict[Portion, Fraction | int] = dict(plan.pieces_missing)
    is_whole = True
    for (portion_key, make_up, _), pieces in filled.items():
        told[portion_key] = told.get(portion_key, 0) + min(pieces.values())
        whole = candidates.components.get((candidates.portion_numbers[portion_key], make_up), {""})
        is_whole = is_whole and len(set(pieces.values())) == 1 and pieces.keys() == whole
    if not is_whole:
        found.append("a make-up lacks some of its components")
    found += [
        f"line {line} portion {number} is not accounted for"
        for (line, number), quantity in sorted(plan.pieces_wanted.items())
        if told.get((line, number), 0) != quantity
    ]
    found += [f"group {group} is in {len(codes)} colours" for group, codes in sorted(colours.items()) if len(codes) > 1]
    return found
