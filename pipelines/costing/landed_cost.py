"""What a set of purchases costs, from the purchases and the vendors' terms alone, in exact arithmetic.

Plans are checked against this, so nothing here knows of the planner. How the cost of a vendor's order is worked out:

- The *goods value* is the sum of displayed unit prices times pieces, each piece at its own price where steps are incremental.
  Every threshold (minimums, waivers, discounts, shipping steps by value, border steps) and every percentage (discount, order
  fee, duty) is applied to it. A threshold is reached when the goods value equals it. For border thresholds the goods value is
  converted at ``rate`` first.
- goods: the goods value less the order discount.
- shipping: the flat charge and the charge of one step per basis, added up; nothing from ``shipping_waived_from`` on.
- handling: the assortments' charges, the fixed and the proportional order fee, and the charge for orders below the soft minimum.
- tax: tax on goods, or on goods, shipping and handling. Duty and clearance are added to it and are not taxed. Where displayed
  amounts include tax, the other components are net, and the tax is what is inside them.

Rounding is half-up, and what is shown adds up, so that a buyer can check it against the vendor's basket:

- Each component is rounded once in the vendor's currency. Their sum is the vendor's total.
- The vendor's total is converted and rounded once in the buyer's currency; its components are rounded so that they add up to
  it. Duty and clearance are in the buyer's currency from the start; they are rounded once, and added to the tax.
- Where tax is included, the displayed amounts are what is paid. They are rounded, and the tax is what is left after the
  rounded net components, so that the vendor's total is the displayed one.
- The order discount is what is between the goods value and the goods, both rounded.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Context, Decimal, Inexact, localcontext
from fractions import Fraction
from functools import cached_property
from typing import Generic, NamedTuple, TypeVar

import polars as pl

from pipelines.costing.terms import ShippingStep, VendorTerms
from pipelines.errors import PlanRefusedError
from pipelines.money import currency_digits, round_money, rounded_together

_EXACT = Context(prec=100, traps=[Inexact])
"""Sums and products of prices, weights and pieces are exact in it; one that is not raises an error."""

Amount = TypeVar("Amount", Decimal, Fraction)
Other = TypeVar("Other", Decimal, Fraction)

PURCHASE_COLUMNS = (
    "vendor_code", "part_code", "colour_code", "condition", "assortment_code", "quantity", "unit_price", "weight_grams",
    "largest_dimension_mm",
)  # fmt: skip


class Purchase(NamedTuple):
    """Pieces bought from one listing; money is in the vendor's currency.

    ``unit_price`` is the price of every piece. Where pieces have different prices, ``goods_value`` is what all of them cost as
    displayed, and the unit price does not count.
    """

    part_code: str
    colour_code: str
    condition: str
    assortment_code: str
    quantity: int
    unit_price: Decimal
    weight_grams: Decimal
    largest_dimension_mm: Decimal
    goods_value: Decimal | None = None


@dataclass(frozen=True)
class Components(Generic[Amount]):
    """The four parts of a cost, all in one currency."""

    goods: Amount
    shipping: Amount
    handling: Amount
    tax: Amount

    @property
    def total(self) -> Amount:
        """The sum of the parts."""
        return self.goods + self.shipping + self.handling + self.tax

    def mapped(self, change: Callable[[Amount], Other]) -> Components[Other]:
        """The same change made to every part."""
        return Components(change(self.goods), change(self.shipping), change(self.handling), change(self.tax))


@dataclass(frozen=True)
class BrokenRule:
    """A vendor's rule that an order breaks: the name of the field of its terms, and what is wrong in words."""

    vendor_code: str
    rule: str
    what: str


@dataclass(frozen=True)
class VendorLandedCost:
    """One vendor's order.

    Attributes:
        goods_value: displayed prices times pieces, in the vendor's currency.
        exact: unrounded, in the buyer's currency.
        displayed, parts: unrounded, in the vendor's currency, without duty and clearance: as displayed, and with tax apart.
        border: duty and clearance, in the buyer's currency.
    """

    terms: VendorTerms = field(repr=False)
    goods_value: Fraction
    exact: Components[Fraction]
    displayed: Components[Fraction]
    parts: Components[Fraction]
    border: Fraction
    element_count: int
    piece_count: int
    broken_rules: tuple[BrokenRule, ...]

    @property
    def vendor_code(self) -> str:
        """The order code: the vendor's own code for its first order."""
        return self.terms.vendor_code

    @property
    def currency_code(self) -> str:
        """The vendor's currency."""
        return self.terms.currency_code

    @property
    def buyer_currency_code(self) -> str:
        """The buyer's currency."""
        return self.terms.buyer_currency_code

    # Rounded only when asked for: planning compares thousands of landed costs by their exact costs.

    @cached_property
    def charged(self) -> Components[Decimal]:
        """What the vendor charges: rounded, in the vendor's currency, without duty and clearance; tax apart."""
        rounded = self._in_its_money(self.parts)
        if self.terms.tax_on != "included":
            return rounded
        return _plus_tax(rounded, self._in_its_money(self.displayed).total - rounded.total)

    @cached_property
    def basket(self) -> Components[Decimal]:
        """The same as the vendor displays it: tax is only what comes on top."""
        return self._in_its_money(self.displayed) if self.terms.tax_on == "included" else self.charged

    @property
    def rounded_goods_value(self) -> Decimal:
        """The goods value, rounded."""
        return round_money(self.goods_value, self.terms.currency_code)

    @property
    def rounded_border(self) -> Decimal:
        """Duty and clearance, rounded, in the buyer's currency."""
        return round_money(self.border, self.terms.buyer_currency_code)

    @cached_property
    def rounded(self) -> Components[Decimal]:
        """Rounded, in the buyer's currency, with duty and clearance."""
        converted = self.charged.mapped(lambda amount: Fraction(amount) * self.terms.rate)
        digits = currency_digits(self.terms.buyer_currency_code)
        parts = (converted.goods, converted.shipping, converted.handling, converted.tax)
        return _plus_tax(Components(*rounded_together(parts, digits)), self.rounded_border)

    def _in_its_money(self, parts: Components[Fraction]) -> Components[Decimal]:
        return parts.mapped(lambda amount: round_money(amount, self.terms.currency_code))


@dataclass(frozen=True)
class LandedCost:
    """All orders of a plan, by vendor code; sums are in the buyer's currency."""

    vendors: tuple[VendorLandedCost, ...]

    @property
    def exact_cost(self) -> Fraction:
        """The unrounded landed cost."""
        return sum((vendor.exact.total for vendor in self.vendors), Fraction(0))

    @property
    def rounded(self) -> Components[Decimal]:
        """The rounded components, summed over vendors."""
        parts = [vendor.rounded for vendor in self.vendors]
        zero = Decimal(0)
        return Components(
            goods=sum((part.goods for part in parts), zero),
            shipping=sum((part.shipping for part in parts), zero),
            handling=sum((part.handling for part in parts), zero),
            tax=sum((part.tax for part in parts), zero),
        )

    @property
    def total(self) -> Decimal:
        """The sum of all rounded components."""
        return self.rounded.total

    @property
    def broken_rules(self) -> tuple[BrokenRule, ...]:
        """The vendors' rules that the orders break; a plan that breaks one is refused."""
        return tuple(rule for vendor in self.vendors for rule in vendor.broken_rules)


def work_out(purchases: pl.DataFrame, terms: Mapping[str, VendorTerms]) -> LandedCost:
    """The landed cost of a plan.

    Args:
        purchases: PURCHASE_COLUMNS and, if need be, ``goods_value``; one row per listing bought from (quantity at least 1).
        terms: by vendor code; all of one buyer.

    Raises:
        PlanRefusedError: a vendor has no terms, or the terms are of buyers with different currencies.
    """
    orders: dict[str, list[Purchase]] = {}
    valued = [name for name in ("goods_value",) if name in purchases.columns]
    for vendor_code, *rest in purchases.select(*PURCHASE_COLUMNS, *valued).iter_rows():
        orders.setdefault(vendor_code, []).append(Purchase(*rest))
    if unknown := sorted(set(orders) - set(terms)):
        raise PlanRefusedError(
            "a plan buys from vendors without terms", where=", ".join(unknown), next_step="add them to vendor_terms"
        )
    if len(currencies := {terms[code].buyer_currency_code for code in orders}) > 1:
        raise PlanRefusedError(f"a plan mixes buyers' currencies: {', '.join(sorted(currencies))}")
    return LandedCost(tuple(work_out_order(orders[code], terms[code]) for code in sorted(orders)))


def work_out_order(order: Sequence[Purchase], terms: VendorTerms) -> VendorLandedCost:
    """The landed cost of one vendor's order, which has at least one purchase."""
    displayed_values = _times([purchase.unit_price for purchase in order], order)
    values = [
        value if purchase.goods_value is None else purchase.goods_value
        for purchase, value in zip(order, displayed_values, strict=True)
    ]
    value = _sum(values)
    displayed, broken = _displayed(order, values, value, terms)
    parts = _with_tax(displayed, terms)
    border = _border(value * terms.rate, terms)
    return VendorLandedCost(
        terms=terms,
        goods_value=value,
        exact=_plus_tax(parts.mapped(lambda amount: amount * terms.rate), border),
        displayed=displayed,
        parts=parts,
        border=border,
        element_count=len({(purchase.part_code, purchase.colour_code) for purchase in order}),
        piece_count=sum(purchase.quantity for purchase in order),
        broken_rules=tuple(BrokenRule(terms.vendor_code, rule, what) for rule, what in broken),
    )


def _times(amounts: Sequence[Decimal], order: Sequence[Purchase]) -> list[Decimal]:
    """Amounts of one piece, by purchase, as those of all its pieces."""
    with localcontext(_EXACT):
        return [amount * purchase.quantity for amount, purchase in zip(amounts, order, strict=True)]


def _sum(amounts: Iterable[Decimal]) -> Fraction:
    with localcontext(_EXACT):
        return Fraction(sum(amounts, Decimal(0)))


def _displayed(
    order: Sequence[Purchase], values: Sequence[Decimal], value: Fraction, terms: VendorTerms
) -> tuple[Components[Fraction], list[tuple[str, str]]]:
    """Goods, shipping and handling as the vendor displays them, without tax of their own, and the rules broken.

    ``values`` are the purchases' displayed prices times pieces, ``value`` is their sum.
    """
    goods = value
    if value >= terms.discount_from:
        goods -= value * Fraction(terms.discount_pct) / 100
    shipping, cannot_ship = _shipping(order, value, terms)
    handling = (
        Fraction(terms.order_fee) + value * Fraction(terms.order_fee_pct) / 100 + _assortments(order, values, terms)
    )
    if value < terms.soft_minimum:
        handling += Fraction(terms.soft_minimum_charge)
    broken = [*_broken_rules(order, values, value, terms), *cannot_ship]
    return Components(goods, shipping, handling, Fraction(0)), broken


def _with_tax(displayed: Components[Fraction], terms: VendorTerms) -> Components[Fraction]:
    rate = Fraction(terms.tax_rate_pct) / 100
    if terms.tax_on == "included":
        return _plus_tax(displayed.mapped(lambda amount: amount / (1 + rate)), displayed.total * rate / (1 + rate))
    taxed = displayed.goods if terms.tax_on == "goods" else displayed.total
    return _plus_tax(displayed, taxed * rate)


def _plus_tax(parts: Components[Amount], tax: Amount) -> Components[Amount]:
    return Components(parts.goods, parts.shipping, parts.handling, parts.tax + tax)


def _shipping(order: Sequence[Purchase], value: Fraction, terms: VendorTerms) -> tuple[Fraction, list[tuple[str, str]]]:
    sizes = {
        "goods_value": value,
        "weight_grams": _sum(_times([purchase.weight_grams for purchase in order], order)),
        "largest_dimension_mm": Fraction(max(purchase.largest_dimension_mm for purchase in order)),
    }
    charge = Fraction(terms.shipping_charge)
    broken = []
    for basis, size in sizes.items():
        step = _step_holding([step for step in terms.shipping_steps if step.basis == basis], size)
        if step is None:
            continue
        charge += Fraction(step.charge)
        if step.to_value is not None and size >= step.to_value:
            broken.append(("shipping_steps", f"no shipping step holds for a {basis} of {float(size):g}"))
    if terms.shipping_waived_from is not None and value >= terms.shipping_waived_from:
        charge = Fraction(0)
    return charge, broken


def _step_holding(steps: Iterable[ShippingStep], size: Fraction) -> ShippingStep | None:
    """The step with the highest start that the size reaches; below the first start nothing is charged."""
    return max((step for step in steps if step.from_value <= size), key=lambda step: step.from_value, default=None)


def _assortments(order: Sequence[Purchase], values: Sequence[Decimal], terms: VendorTerms) -> Fraction:
    of_code: dict[str, list[Decimal]] = {}
    for purchase, value in zip(order, values, strict=True):
        if purchase.assortment_code in terms.handling:
            of_code.setdefault(purchase.assortment_code, []).append(value)
    charge = Fraction(0)
    for code, of_assortment in of_code.items():
        handling = terms.handling[code]
        if handling.waived_from is None or _sum(of_assortment) < handling.waived_from:
            charge += Fraction(handling.charge)
    return charge


def _border(buyers_value: Fraction, terms: VendorTerms) -> Fraction:
    """Duty and clearance on a goods value, both in the buyer's currency."""
    reached = [step for step in terms.border if step.goods_from <= buyers_value]
    if not reached:
        return Fraction(0)
    step = max(reached, key=lambda step: step.goods_from)
    return buyers_value * Fraction(step.duty_pct) / 100 + Fraction(step.clearance_charge)


def _broken_rules(
    order: Sequence[Purchase], values: Sequence[Decimal], value: Fraction, terms: VendorTerms
) -> list[tuple[str, str]]:
    broken = []
    money = terms.currency_code
    if value < terms.minimum_order:
        broken.append(("minimum_order", f"goods of {float(value):g} {money} are below {terms.minimum_order:f} {money}"))
    for purchase, of_line in zip(order, values, strict=True):
        if of_line < terms.minimum_line_value:
            line = f"{purchase.quantity} of {purchase.part_code} in {purchase.colour_code}"
            broken.append(("minimum_line_value", f"{line} are below {terms.minimum_line_value:f} {money}"))
    counts = {
        "maximum_element_count": len({(purchase.part_code, purchase.colour_code) for purchase in order}),
        "maximum_piece_count": sum(purchase.quantity for purchase in order),
    }
    for rule, count in counts.items():
        most = getattr(terms, rule)
        if most is not None and count > most:
            broken.append((rule, f"{count} are more than {most}"))
    return broken
