"""Offers as purchases need them: how many pieces can be bought, and at which prices."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import numpy as np

from pipelines.costing.landed_cost import Purchase
from pipelines.costing.price_steps import average_price, goods_value
from pipelines.costing.several_orders import order_number_of, vendor_of
from pipelines.planning.candidates import Candidates

Pieces = dict[str, int]
"""Pieces by offer_id."""


@dataclass(frozen=True)
class Offer:
    """One offer, for buying some pieces of it.

    Attributes:
        columns: its row among the candidates' offers, with currency_code and last_confirmed_on.
        most: pieces that one order can buy, a whole number of ``multiple``.
        steps: price steps, from which quantity on and at which price, in rising order.
    """

    columns: Mapping[str, Any]
    vendor_code: str
    most: int
    multiple: int
    steps: tuple[tuple[int, Decimal], ...]
    step_kind: str

    def quantity_for(self, used: int) -> int | None:
        """The least that can be bought to use so many pieces; None when there are not as many."""
        least = max(used, self.steps[0][0])
        quantity = -(-least // self.multiple) * self.multiple
        return quantity if quantity <= self.most else None

    def step_at(self, quantity: int) -> tuple[int, Decimal]:
        """The price step that a quantity reaches."""
        return max(step for step in self.steps if step[0] <= quantity)

    def purchase(self, quantity: int) -> Purchase:
        """So many pieces, at their steps' prices."""
        columns = {name: self.columns[name] for name in Purchase._fields if name in self.columns}
        value = self.value(quantity)
        return Purchase(**columns, quantity=quantity, unit_price=self.price(quantity), goods_value=value)

    def value(self, quantity: int) -> Decimal:
        """What so many pieces cost as displayed."""
        return goods_value(self.steps, self.step_kind, quantity)

    def price(self, quantity: int) -> Decimal:
        """The price of one of so many pieces, or their average."""
        if self.step_kind == "incremental":
            return average_price(self.value(quantity), quantity)
        return self.step_at(quantity)[1]


def is_beyond_stock(bought: Mapping[str, int], offers: Mapping[str, Offer]) -> bool:
    """Whether several orders with a vendor buy more of an offer than there is."""
    together: Pieces = {}
    for offer_id, quantity in bought.items():
        together[vendor_of(offer_id)] = together.get(vendor_of(offer_id), 0) + quantity
    further = {offer_id for offer_id in bought if order_number_of(offer_id) > 1}
    return any(together[vendor_of(each)] > offers[each].columns["quantity_available"] for each in further)


class Offers(Mapping[str, Offer]):
    """The offers of some candidates by offer_id, in their order; each is made when asked for, because most never are."""

    def __init__(self, candidates: Candidates) -> None:
        self._offers, self._numbers = candidates.offers, candidates.offer_numbers
        self._steps = candidates.steps.select("step_from_quantity", "unit_price", "currency_code", "last_confirmed_on")
        self._ends = np.searchsorted(candidates.steps["offer_index"].to_numpy(), np.arange(len(self._numbers) + 1))
        self._made: dict[str, Offer] = {}

    def __getitem__(self, offer_id: str) -> Offer:
        if offer_id not in self._made:
            self._made[offer_id] = self._offer(self._numbers[offer_id])
        return self._made[offer_id]

    def __contains__(self, offer_id: object) -> bool:
        return offer_id in self._numbers

    def __iter__(self) -> Iterator[str]:
        return iter(self._numbers)

    def __len__(self) -> int:
        return len(self._numbers)

    def _offer(self, number: int) -> Offer:
        first, end = self._ends[number], self._ends[number + 1]
        steps = [self._steps.row(int(at)) for at in range(first, end)]
        columns = self._offers.row(number, named=True)
        columns |= {"currency_code": steps[0][2], "last_confirmed_on": steps[0][3]}
        multiple = columns["sold_in_multiples_of"]
        most = min(columns["quantity_available"], columns["maximum_per_order"] or columns["quantity_available"])
        prices = tuple((start, price) for start, price, *_ in steps)
        return Offer(
            columns, columns["vendor_code"], most // multiple * multiple, multiple, prices, columns["step_kind"]
        )
