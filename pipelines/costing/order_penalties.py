"""Penalties of orders: they count when plans are compared and bounded, but are no part of what plans cost."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from pipelines.costing.several_orders import vendor_of
from pipelines.settings import Scenario


@dataclass(frozen=True)
class OrderPenalties:
    """What every order counts beside its landed cost, in the buyer's currency.

    A preference for some vendors is a penalty on orders from all others, not a reward. So no order is ever placed just to get
    it.

    Attributes:
        parcel: the parcel penalty of every order, at least 0.
        preferred_vendors: vendors whose orders have no other penalty; empty for no preference.
        preference_value: what is added for an order from any other vendor, at least 0.
    """

    parcel: Fraction = Fraction(0)
    preferred_vendors: frozenset[str] = frozenset()
    preference_value: Fraction = Fraction(0)

    def of(self, code: str) -> Fraction:
        """The penalty of an order, by its order code."""
        is_preferred = not self.preferred_vendors or vendor_of(code) in self.preferred_vendors
        return self.parcel if is_preferred else self.parcel + self.preference_value

    def of_all(self, codes: Iterable[str]) -> Fraction:
        """The penalty of several orders together, by their order codes."""
        return sum((self.of(code) for code in codes), Fraction(0))


NO_PENALTIES = OrderPenalties()


def penalties_under(scenario: Scenario) -> OrderPenalties:
    """The penalties of orders under a scenario's rules."""
    return OrderPenalties(
        Fraction(scenario.parcel_penalty), frozenset(scenario.preferred_vendors), Fraction(scenario.preference_value)
    )
