"""Orders for one or several models: pieces by offer, and which portion each piece serves."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property

from pipelines.costing.order_penalties import OrderPenalties
from pipelines.insight.replanning.offers import Pieces
from pipelines.planning.candidates import Portion

Served = tuple[int, int, str, str, str, str, int]
"""A row of ALLOCATION_SCHEMA: the pieces of an offer that serve a portion."""


@dataclass(frozen=True)
class PlacedOrders:
    """What is ordered from whom, and what for; a vendor may get several orders, placed one after the other.

    Attributes:
        orders: vendor_code and pieces by offer_id; a vendor may come several times.
        served: which pieces serve which portion, spares of earlier orders included.
        on_hand: what is taken from stock on hand: line_number, portion_number, the element, pieces.
        unfilled: pieces by portion.
        lower_bound: no plan that fills as much with one order per vendor costs less; None where none is known.
        hit_time_limit: whether planning stopped at the safety time limit.
    """

    orders: tuple[tuple[str, Mapping[str, int]], ...] = ()
    served: tuple[Served, ...] = ()
    on_hand: tuple[tuple[int, int, str, str, str, int], ...] = ()
    unfilled: tuple[tuple[Portion, int], ...] = ()
    lower_bound: Fraction | None = None
    hit_time_limit: bool = False

    @property
    def unfilled_count(self) -> int:
        """Pieces that could not be bought."""
        return sum(quantity for _, quantity in self.unfilled)

    @cached_property
    def bought(self) -> Pieces:
        """Pieces bought by offer_id, all orders together."""
        return added(pieces for _, pieces in self.orders)

    @property
    def content(self) -> tuple[object, ...]:
        """What is bought and what for: alike for orders that make one plan."""
        return tuple(sorted(self.bought.items())), tuple(sorted(self.served))

    @cached_property
    def spares(self) -> Pieces:
        """Pieces bought and not used, by offer_id."""
        left = dict(self.bought)
        for row in self.served:
            left[row[2]] = left.get(row[2], 0) - row[-1]
        return {offer_id: quantity for offer_id, quantity in left.items() if quantity > 0}

    def bounded_like(self, other: PlacedOrders, penalties: OrderPenalties) -> PlacedOrders:
        """These orders with the lower bound of others for the same task.

        A bound counts penalties per order, so it moves by the difference of these.
        """
        if not other.lower_bound:
            return replace(self, lower_bound=other.lower_bound)
        theirs, own = (penalties.of_all(vendor for vendor, _ in orders.orders) for orders in (other, self))
        bound = other.lower_bound + theirs - own
        return replace(self, lower_bound=max(Fraction(0), bound))

    def followed_by(self, other: PlacedOrders) -> PlacedOrders:
        """These orders, and others placed after them; no bound holds for both."""
        return PlacedOrders(
            (*self.orders, *other.orders),
            (*self.served, *other.served),
            (*self.on_hand, *other.on_hand),
            (*self.unfilled, *other.unfilled),
            None,
            self.hit_time_limit or other.hit_time_limit,
        )


NOTHING_BOUGHT = PlacedOrders()


def added(many: Iterable[Mapping[str, int]]) -> Pieces:
    """Pieces of several orders together, by offer_id."""
    total: Pieces = {}
    for pieces in many:
        for offer_id, quantity in pieces.items():
            total[offer_id] = total.get(offer_id, 0) + quantity
    return total
