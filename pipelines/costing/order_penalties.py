"""What orders are worth avoiding beyond what they cost: counts when plans are compared and bounded, never in what they cost."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from pipelines.costing.several_orders import vendor_of

if TYPE_CHECKING:
    from pipelines.settings import Scenario


@dataclass(frozen=True)
class OrderPenalties:
    """The parcel penalty of orders, in the buyer's currency; no part of the landed cost.

    A preference is a parcel penalty of all others, not a reward, so that it never pays to order just to please it.

    Attributes:
        parcel: of any order, at least 0.
        preferred_vendors: whose orders are no more parcel penalty than that; empty for no preference.
        preference_value: what an order from any other vendor counts on top, at least 0.
    """

    parcel: Fraction = Fraction(0)
    preferred_vendors: frozenset[str] = frozenset()
    preference_value: Fraction = Fraction(0)

    def of(self, code: str) -> Fraction:
        """The parcel penalty of the order with an order code."""
        is_as_wished = not self.preferred_vendors or vendor_of(code) in self.preferred_vendors
        return self.parcel if is_as_wished else self.parcel + self.preference_value

    def of_all(self, codes: Iterable[str]) -> Fraction:
        """The parcel penalty of several orders, an order code for each of them."""
        return sum((self.of(code) for code in codes), Fraction(0))


NO_PENALTIES = OrderPenalties()


def penalties_under(scenario: Scenario) -> OrderPenalties:
    """The parcel penalty of orders as a scenario's rules say."""
    return OrderPenalties(
        Fraction(scenario.parcel_penalty), frozenset(scenario.preferred_vendors), Fraction(scenario.preference_value)
    )
