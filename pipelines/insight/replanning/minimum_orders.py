"""Orders brought up to their vendors' minimums by buying spares."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from fractions import Fraction

from pipelines.costing.landed_cost import VendorLandedCost
from pipelines.costing.terms import VendorTerms
from pipelines.insight.replanning.offers import Offer, Pieces


def topped_up(
    bought: Pieces,
    landed_costs: Iterable[VendorLandedCost],
    offers: Mapping[str, Offer],
    vendors: Mapping[str, VendorTerms],
) -> Pieces:
    """The purchases with spares, of the cheapest offers bought, where they are below a vendor's minimums."""
    topped = dict(bought)

    def add(offer_id: str, lacking: Fraction) -> Fraction:
        offer, already = offers[offer_id], topped[offer_id]
        if lacking <= 0:
            return Fraction(0)
        more = math.ceil(lacking / Fraction(offer.price(already)) / offer.multiple) * offer.multiple
        topped[offer_id] = min(already + more, offer.most)
        return Fraction(offer.value(topped[offer_id])) - Fraction(offer.value(already))

    for landed_cost in landed_costs:
        terms = vendors[landed_cost.vendor_code]
        lacking = Fraction(terms.minimum_order) - landed_cost.goods_value
        own = [offer_id for offer_id in bought if offers[offer_id].vendor_code == landed_cost.vendor_code]
        for offer_id in own:
            value = Fraction(offers[offer_id].value(bought[offer_id]))
            lacking -= add(offer_id, Fraction(terms.minimum_line_value) - value)
        for offer_id in sorted(own, key=lambda offer_id: (offers[offer_id].price(bought[offer_id]), offer_id)):
            lacking -= add(offer_id, lacking)
    return topped
