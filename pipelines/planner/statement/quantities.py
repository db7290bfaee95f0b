"""How many pieces are worth buying in each price step, and how thresholds are stated to a solver."""

from __future__ import annotations

from fractions import Fraction
from functools import lru_cache

import numpy as np

from pipelines.planner.statement.columns_as_arrays import Ints
from pipelines.planner.statement.problem_arrays import ProblemArrays


def step_limits(arrays: ProblemArrays) -> Ints:
    """The most pieces worth buying per price step; 0 for steps that no plan needs.

    More than the portions can use is bought for three reasons only: to fill a multiple, to reach the step, or to lift an order
    over a threshold. For the last, what alone reaches the vendor's highest threshold is always enough. Without spares, the
    smallest quantity on sale is bought that covers the use, so that no step above that is reached.
    """
    offer = arrays.step_offer
    multiple = arrays.offer_multiple[offer]
    want = arrays.offer_want[offer]
    extra = np.zeros(len(offer), np.int64)
    vendor = arrays.offer_vendor[offer]
    gains = arrays.vendors.gains_by_spares[vendor]
    if gains.any():
        top = np.maximum(arrays.highest_threshold[vendor] - arrays.step_base, 0.0)[gains]
        extra[gains] = np.minimum(np.ceil(top / arrays.step_price[gains]), arrays.step_most[gains]).astype(np.int64)
    needed = -(-(want + extra) // multiple) * multiple
    limits: Ints = np.minimum(arrays.step_most, np.maximum(arrays.step_least, needed))
    if not arrays.allow_spares:
        limits[arrays.step_least - arrays.step_gap >= want] = 0
    return limits


@lru_cache(maxsize=50_000)
def just_below(threshold: Fraction, grain: Fraction) -> float:
    """Half a grain below the first possible value at or above a threshold.

    An order's value lies on the same side of this as of the threshold, further away than any solver's tolerance.
    """
    grains = -(-threshold // grain)
    return float((grains - Fraction(1, 2)) * grain)
