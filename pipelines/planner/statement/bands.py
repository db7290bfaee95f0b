"""A vendor's terms as the planner works with them: bands on the goods value of its order.

In a band an order costs a fixed charge plus a factor times its goods value. Shipping and its waiver, shipping steps by value,
order discounts, soft minimums, fees, tax, duty and clearance are all in the bands; the lowest band starts at the minimum order.
Two kinds of charges stand beside them: the assortments' handling charges, by the assortments' own subtotals; and shipping
charges by weight or size, which are waived in bands that ship free. All costs are in the buyer's currency, unrounded and exact;
goods values and sizes are as in the terms. For every order that breaks no rule, the sum equals the landed cost before rounding.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property

from pipelines.costing.terms import ShippingStep, VendorTerms

ZERO = Fraction(0)


@dataclass(frozen=True)
class Band:
    """Goods values in [``start``, ``end``), in the vendor's currency, and what an order costs there; no end if None."""

    start: Fraction
    end: Fraction | None
    fixed: Fraction
    factor: Fraction
    ships_free: bool = False

    def cost(self, goods_value: Fraction) -> Fraction:
        """Cost of an order in this band, without charges by assortment and size."""
        return self.fixed + self.factor * goods_value


@dataclass(frozen=True)
class HandlingBand:
    """A charge for buying anything of an assortment, unless its subtotal (vendor's currency) reaches ``waived_from``."""

    charge: Fraction
    waived_from: Fraction | None


@dataclass(frozen=True)
class SizeStep:
    """Shipping charge for a size in [``start``, ``end``): grams in all, or millimetres of the longest piece."""

    start: Fraction
    end: Fraction | None
    charge: Fraction


@dataclass(frozen=True)
class VendorBands:
    """A vendor's terms in bands and steps.

    Attributes:
        bands: by start; no order can have a goods value outside of them.
        handling: by assortment code.
        weight_steps, dimension_steps: by start, from size 0 on; empty where shipping does not depend on that size.
    """

    bands: tuple[Band, ...]
    handling: Mapping[str, HandlingBand]
    weight_steps: tuple[SizeStep, ...]
    dimension_steps: tuple[SizeStep, ...]
    minimum_line_value: Fraction
    maximum_element_count: int | None
    maximum_piece_count: int | None

    @cached_property
    def is_rising(self) -> bool:
        """Whether buying less never breaks a rule on goods, and never saves less than the goods at the least factor."""
        if not self.bands or self.bands[0].start > 0 or any(b.waived_from is not None for b in self.handling.values()):
            return False
        least = min(band.factor for band in self.bands)
        return all(
            below.end == above.start and below.cost(above.start) <= above.cost(above.start)
            for below, above in zip(self.bands, self.bands[1:], strict=False)
        ) and all(
            below.fixed + (below.factor - least) * above.start <= above.fixed + (above.factor - least) * above.start
            for below, above in zip(self.bands, self.bands[1:], strict=False)
        )

    @property
    def is_one_band(self) -> bool:
        """Whether every order has one fixed charge and one factor."""
        return len(self.bands) == 1 and self.bands[0].start == 0 and self.bands[0].end is None

    @property
    def has_one_price(self) -> bool:
        """Whether every order costs one fixed charge and its goods at one factor, and nothing limits it."""
        limits = self.maximum_element_count, self.maximum_piece_count
        charges = self.handling, self.weight_steps, self.dimension_steps
        return self.is_one_band and not any(charges) and limits == (None, None)

    def band_at(self, goods_value: Fraction) -> Band | None:
        """The band of a goods value; None where it can't be ordered."""
        for band in self.bands:
            if band.start <= goods_value and (band.end is None or goods_value < band.end):
                return band
        return None


def with_penalties(terms: VendorBands, penalties: Fraction) -> VendorBands:
    """The bands with an order's penalties added to every fixed charge."""
    if not penalties:
        return terms
    return replace(terms, bands=tuple(replace(band, fixed=band.fixed + penalties) for band in terms.bands))


def may_cost_less_apart(terms: VendorBands) -> bool:
    """Whether two orders may cost less than one with all their pieces, or may be possible where one is not.

    They can't where nothing limits an order, shipping does not depend on size, and neither the fixed charge nor the factor ever
    rises with the goods value. Then one order saves a fixed charge, and pays no more for any piece.
    """
    limited = terms.maximum_element_count is not None or terms.maximum_piece_count is not None
    if limited or terms.weight_steps or terms.dimension_steps or not terms.bands or terms.bands[-1].end is not None:
        return True
    return any(
        below.end != above.start or below.fixed < above.fixed or below.factor < above.factor
        for below, above in zip(terms.bands, terms.bands[1:], strict=False)
    )


def charges_rise(steps: tuple[SizeStep, ...]) -> bool:
    """Whether a larger size never ships for less."""
    charges = [step.charge for step in steps]
    return charges == sorted(charges)


_COMPILED: dict[int, tuple[VendorTerms, VendorBands]] = {}
_COMPILED_AT_MOST = 10_000


def compile_terms(terms: VendorTerms) -> VendorBands:
    """Terms as bands; each object of terms only once, because all problems of a day and buyer share them."""
    known = _COMPILED.get(id(terms))
    if known is None or known[0] is not terms:
        if len(_COMPILED) >= _COMPILED_AT_MOST:
            _COMPILED.clear()
        known = _COMPILED[id(terms)] = terms, _bands_of(terms)
    return known[1]


def _bands_of(terms: VendorTerms) -> VendorBands:
    points = sorted(_breakpoints(terms))
    ends = [*points[1:], None]
    bands = [band for start, end in zip(points, ends, strict=True) if (band := _band(start, end, terms))]
    charged = _factor_on_charges(terms)
    return VendorBands(
        bands=_merged(bands),
        handling={
            code: HandlingBand(
                Fraction(handling.charge) * charged,
                None if handling.waived_from is None else Fraction(handling.waived_from),
            )
            for code, handling in terms.handling.items()
            if handling.charge and handling.waived_from != 0
        },
        weight_steps=_size_steps(terms, "weight_grams", charged),
        dimension_steps=_size_steps(terms, "largest_dimension_mm", charged),
        minimum_line_value=Fraction(terms.minimum_line_value),
        maximum_element_count=terms.maximum_element_count,
        maximum_piece_count=terms.maximum_piece_count,
    )


def _breakpoints(terms: VendorTerms) -> set[Fraction]:
    points = {ZERO, Fraction(terms.minimum_order), Fraction(terms.discount_from), Fraction(terms.soft_minimum)}
    if terms.shipping_waived_from is not None:
        points.add(Fraction(terms.shipping_waived_from))
    points |= {Fraction(step.goods_from) / terms.rate for step in terms.border}
    for step in terms.shipping_steps:
        if step.basis == "goods_value":
            points |= {Fraction(end) for end in (step.from_value, step.to_value) if end is not None}
    return points


def _band(start: Fraction, end: Fraction | None, terms: VendorTerms) -> Band | None:
    """The band between two neighbouring breakpoints; None where no order is possible."""
    step = _last_reached(terms.shipping_steps, start)
    if start < terms.minimum_order or (step and step.to_value is not None and start >= step.to_value):
        return None
    ships_free = terms.shipping_waived_from is not None and start >= terms.shipping_waived_from
    charges = Fraction(terms.order_fee)
    if not ships_free:
        charges += Fraction(terms.shipping_charge) + (Fraction(step.charge) if step else ZERO)
    if start < terms.soft_minimum:
        charges += Fraction(terms.soft_minimum_charge)
    goods_share = Fraction(1)
    if start >= terms.discount_from:
        goods_share -= Fraction(terms.discount_pct) / 100
    goods_tax = ZERO if terms.tax_on == "included" else Fraction(terms.tax_rate_pct) / 100
    on_charges = _factor_on_charges(terms)
    factor = goods_share * (1 + goods_tax) * terms.rate + Fraction(terms.order_fee_pct) / 100 * on_charges
    fixed = charges * on_charges
    reached = [border for border in terms.border if Fraction(border.goods_from) <= start * terms.rate]
    if reached:
        border = max(reached, key=lambda border: border.goods_from)
        factor += Fraction(border.duty_pct) / 100 * terms.rate
        fixed += Fraction(border.clearance_charge)
    return Band(start, end, fixed, factor, ships_free)


def _factor_on_charges(terms: VendorTerms) -> Fraction:
    """What one unit of shipping or handling, as the vendor states it, costs the buyer."""
    taxed = terms.tax_on == "goods_and_shipping"
    return terms.rate * (1 + Fraction(terms.tax_rate_pct) / 100 if taxed else 1)


def _last_reached(steps: tuple[ShippingStep, ...], goods_value: Fraction) -> ShippingStep | None:
    reached = [step for step in steps if step.basis == "goods_value" and step.from_value <= goods_value]
    return max(reached, key=lambda step: step.from_value, default=None)


def _merged(bands: list[Band]) -> tuple[Band, ...]:
    """The bands, with neighbours that cost the same as one."""
    merged: list[Band] = []
    for band in bands:
        last = merged[-1] if merged else None
        if last and last.end == band.start and replace(last, start=band.start, end=band.end) == band:
            merged[-1] = replace(last, end=band.end)
        else:
            merged.append(band)
    return tuple(merged)


def _size_steps(terms: VendorTerms, basis: str, charged: Fraction) -> tuple[SizeStep, ...]:
    """Steps without overlap from 0 on: a step ends where the next begins; sizes in a gap or beyond the end can't ship."""
    steps = sorted((step for step in terms.shipping_steps if step.basis == basis), key=lambda step: step.from_value)
    if not steps:
        return ()
    compiled = [SizeStep(ZERO, Fraction(steps[0].from_value), ZERO)] if steps[0].from_value > 0 else []
    for step, following in zip(steps, [*steps[1:], None], strict=True):
        ends = [
            Fraction(end) for end in (step.to_value, following.from_value if following else None) if end is not None
        ]
        end = min(ends, default=None)
        if end is None or end > step.from_value:
            compiled.append(SizeStep(Fraction(step.from_value), end, Fraction(step.charge) * charged))
    return tuple(compiled)
