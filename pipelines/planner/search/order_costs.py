"""About what orders cost, for many plans at once: the vendors' terms as the search sees them, in floats.

Where spares are allowed, an order counts as lifted to a band's start if that is cheaper: no order seems dearer than it would be
with spares. Exact costs come from costing/landed_cost.py alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipelines.planner.statement.bands import SizeStep
from pipelines.planner.statement.columns_as_arrays import Floats, Ints
from pipelines.planner.statement.problem_arrays import ProblemArrays
from pipelines.planner.statement.tolerances import BROKEN


@dataclass(frozen=True)
class OrderCosts:
    """The vendors' bands and handling charges as arrays; each vendor's bands are padded to the most that any has.

    Attributes:
        start, end, fixed, factor: bands (vendors x bands); a padding band starts and ends at infinity.
        broken: what an order counts as that breaks a rule.
        allows_spares: whether spares may lift goods values.
        handling_charge, handling_waived_from: by handling charge; infinite for never.
    """

    start: Floats
    end: Floats
    fixed: Floats
    factor: Floats
    broken: float
    allows_spares: bool
    handling_vendor: Ints
    handling_charge: Floats
    handling_waived_from: Floats

    @classmethod
    def of(cls, arrays: ProblemArrays) -> OrderCosts:
        """The costs of a problem's vendors."""
        vendors = arrays.vendors
        width = max((len(terms.bands) for terms in vendors.bands), default=1)
        start, end = np.full((len(vendors), width), np.inf), np.full((len(vendors), width), np.inf)
        fixed, factor = np.zeros((len(vendors), width)), np.zeros((len(vendors), width))
        for number, terms in enumerate(vendors.bands):
            for index, band in enumerate(terms.bands):
                start[number, index], fixed[number, index] = float(band.start), float(band.fixed)
                end[number, index] = np.inf if band.end is None else float(band.end)
                factor[number, index] = float(band.factor)
        waived_from = [np.inf if waived is None else float(waived) for waived in arrays.handling_waived_from]
        return cls(
            start,
            end,
            fixed,
            factor,
            BROKEN * arrays.scale,
            arrays.allow_spares,
            arrays.handling_vendor,
            arrays.handling_charge,
            np.array(waived_from, np.float64),
        )

    def of_goods(self, goods: Floats, vendor: Ints | slice = slice(None)) -> Floats:
        """Costs of orders with some goods values (..., vendors); 0 where nothing is ordered."""
        least = np.full(goods.shape, self.broken)
        for index in range(self.start.shape[1]):
            np.minimum(least, self._in_band(goods, vendor, index), out=least)
        return np.where(goods > 0, least, 0.0)

    def cheapest_band(self, goods: float, vendor: int) -> int:
        """The band in which an order costs least, lifted to the band by spares if need be."""
        value = np.array([goods])
        at = np.array([vendor])
        return int(np.argmin([self._in_band(value, at, index)[0] for index in range(self.start.shape[1])]))

    def _in_band(self, goods: Floats, vendor: Ints | slice, index: int) -> Floats:
        start, end = self.start[vendor, index], self.end[vendor, index]
        value = np.maximum(goods, start) if self.allows_spares else goods
        fits = (value < end) & (value >= start) & np.isfinite(start)
        cost = self.fixed[vendor, index] + self.factor[vendor, index] * np.where(fits, value, 0.0)
        return np.where(fits, cost, self.broken)

    def of_assortments(self, subtotals: Floats, charge: Ints | int) -> Floats:
        """Handling charges for some subtotals (..., handling charges)."""
        paid = (subtotals > 0) & (subtotals < self.handling_waived_from[charge])
        return np.where(paid, self.handling_charge[charge], 0.0)


def charge_at(steps: tuple[SizeStep, ...], sizes: Floats, broken: float) -> Floats:
    """The charge of the step that holds each size; ``broken`` where nothing ships."""
    starts = np.array([float(step.start) for step in steps])
    charges = np.array([float(step.charge) for step in steps])
    ends = np.array([np.inf if step.end is None else float(step.end) for step in steps])
    index = np.maximum(np.searchsorted(starts, sizes, side="right") - 1, 0)
    return np.where(sizes < ends[index], charges[index], broken)
