"""The arrays' own units of money, so that nothing in the planner depends on the currency or on how large prices are.

A piece costs about 1: the unit is the power of two nearest to what a needed piece costs on average where it is cheapest. Goods
values at a vendor have a unit of their own, the power of two of the vendor's currency that is nearest to the same money. A
power of two changes no digit of a float.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

import numpy as np

from pipelines.planner.statement.bands import Band, HandlingBand, SizeStep, VendorBands
from pipelines.planner.statement.columns_as_arrays import Ints
from pipelines.planner.statement.problem_arrays import ProblemArrays

_EXPONENTS = 900
"""Units lie between 2 to the power of minus and plus this."""


def in_units(arrays: ProblemArrays, rates: Sequence[Fraction]) -> ProblemArrays:
    """The arrays in units of money.

    Args:
        arrays: goods values in the vendors' currencies, costs in the buyer's.
        rates: by vendor, what one unit of its currency is worth in the buyer's.
    """
    cost = _exponent(_cost_of_a_piece(arrays))
    goods = np.array([cost - _exponent(float(rate)) for rate in rates], np.int64)
    of_offer = goods[arrays.offer_vendor]
    of_step, of_charge = of_offer[arrays.step_offer], goods[arrays.handling_vendor]
    vendors = arrays.vendors
    return replace(
        arrays,
        money_unit=_power(cost),
        vendors=replace(
            vendors,
            bands=tuple(_scaled(terms, int(e), cost) for terms, e in zip(vendors.bands, goods, strict=True)),
            grain=tuple(grain / _power(int(e)) for grain, e in zip(vendors.grain, goods, strict=True)),
            floor=np.ldexp(vendors.floor, _shift(goods - cost)),
        ),
        step_price=np.ldexp(arrays.step_price, _shift(-of_step)),
        step_base=np.ldexp(arrays.step_base, _shift(-of_step)),
        handling_charge=np.ldexp(arrays.handling_charge, -cost),
        handling_waived_from=tuple(
            None if waived_from is None else waived_from / _power(int(e))
            for waived_from, e in zip(arrays.handling_waived_from, of_charge, strict=True)
        ),
    )


def _cost_of_a_piece(arrays: ProblemArrays) -> float:
    """What a needed piece costs on average where it is cheapest; where all is free, what an order is charged; else 1."""
    total, pieces = arrays.cheapest_goods
    if total > 0:
        return total / pieces
    charges = [float(band.fixed) for terms in arrays.vendors.bands for band in terms.bands if band.fixed > 0]
    return float(np.median(charges)) if charges else 1.0


def _exponent(amount: float) -> int:
    return max(-_EXPONENTS, min(_EXPONENTS, round(math.log2(amount)))) if amount > 0 else 0


def _power(exponent: int) -> Fraction:
    return Fraction(2) ** exponent


def _shift(exponents: Ints) -> np.ndarray:
    return exponents.astype(np.int32)


def _scaled(terms: VendorBands, goods: int, cost: int) -> VendorBands:
    """A vendor's bands with goods values in units of ``2**goods`` of its currency, and costs in ``2**cost`` of the buyer's."""
    of_goods, of_cost = _power(-goods), _power(-cost)
    factor = of_cost / of_goods

    def size(step: SizeStep) -> SizeStep:
        return SizeStep(step.start, step.end, step.charge * of_cost)

    return replace(
        terms,
        bands=tuple(
            Band(
                band.start * of_goods,
                None if band.end is None else band.end * of_goods,
                band.fixed * of_cost,
                band.factor * factor,
                band.ships_free,
            )
            for band in terms.bands
        ),
        handling={
            code: HandlingBand(band.charge * of_cost, None if band.waived_from is None else band.waived_from * of_goods)
            for code, band in terms.handling.items()
        },
        weight_steps=tuple(size(step) for step in terms.weight_steps),
        dimension_steps=tuple(size(step) for step in terms.dimension_steps),
        minimum_line_value=terms.minimum_line_value * of_goods,
    )
