"""Which vendors to add to a plan so that it is robust: if one vendor fails, another of the plan can fill each line.

A portion that two vendors can fill whole should have two sources among those ordered from. The other's parcel is paid for
already, and its order can be made larger. Portions with a single source anywhere are left out. The cheapest vendors to
add, by what a small order costs, are a set cover, solved exactly (a program with one binary per vendor).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

from pipelines.costing.terms_on import TermsBook
from pipelines.planner.program.set_cover import cheapest_cover

SOURCES = 2
"""Vendors of a plan that should be able to fill a portion."""

MINIMUM_SHARES = (0, 1)
"""Shares of a minimum order that may count as a charge: goods up to the minimum may all be needed anyway, or none."""

SMALLEST_CHARGE = 0.01
"""The least that an order counts, so that no needless vendor is added."""


def vendors_to_add(
    sources: Mapping[tuple[int, int], Collection[str]],
    ordered_from: Collection[str],
    book: TermsBook,
    minimum_share: int,
) -> list[str] | None:
    """The vendors to add, sorted; None if the program has no answer.

    Args:
        sources: by portion, the vendors that could fill it whole.
        ordered_from: vendors of the plan.
        book: what their orders cost.
        minimum_share: one of MINIMUM_SHARES.
    """
    own = set(ordered_from)
    lacking = {
        key: (SOURCES - len(own & set(codes)), sorted(set(codes) - own))
        for key, codes in sorted(sources.items())
        if len(codes) >= SOURCES > len(own & set(codes))
    }
    others = sorted({code for _, codes in lacking.values() for code in codes})
    if not others:
        return []
    place = {code: number for number, code in enumerate(others)}
    charges = [_charge(code, book, minimum_share) for code in others]
    added = cheapest_cover(charges, [(needed, [place[code] for code in codes]) for needed, codes in lacking.values()])
    return None if added is None else [others[number] for number in added]


def _charge(code: str, book: TermsBook, minimum_share: int) -> float:
    """About what a small order costs besides the goods needed, in the buyer's currency."""
    terms = book.vendors[code]
    charges = terms.shipping_charge + terms.order_fee + terms.soft_minimum_charge + terms.minimum_order * minimum_share
    return max(SMALLEST_CHARGE, float(charges) * float(terms.rate))
