"""How many pieces of an offer a plan can sensibly buy in each price step, and how thresholds are stated to a solver."""

from __future__ import annotations

from fractions import Fraction
from functools import lru_cache

import numpy as np

from pipelines.planner.statement.columns_as_arrays import MICRO, Floats, Ints
from pipelines.planner.statement.problem_arrays import Compiled


def step_limits(compiled: Compiled) -> Ints:
    """The most pieces worth buying per price step; 0 for steps no plan needs.

    More than the portions can use is bought only to fill a multiple, to reach the step, or to lift an order over a threshold;
    for the last, what alone reaches the vendor's highest threshold is always enough. Without spares, the quantity bought is the
    smallest that can be bought and covers the use, so that steps above the want are out of reach.
    """
    offer = compiled.step_offer
    multiple = compiled.offer_multiple[offer]
    want = compiled.offer_want[offer]
    extra = np.zeros(len(offer), np.int64)
    vendor = compiled.offer_vendor[offer]
    gains = compiled.vendors.gains_by_spares[vendor]
    if gains.any():
        top = np.maximum(highest_thresholds(compiled)[vendor] - compiled.step_base, 0.0)[gains]
        extra[gains] = np.minimum(np.ceil(top / compiled.step_price[gains]), compiled.step_most[gains]).astype(np.int64)
    needed = -(-(want + extra) // multiple) * multiple
    limits = np.minimum(compiled.step_most, np.maximum(compiled.step_least, needed))
    if not compiled.allow_spares:
        limits[compiled.step_least - compiled.step_gap >= want] = 0
    return limits


def highest_thresholds(compiled: Compiled) -> Floats:
    """The highest value a vendor's terms compare goods or an assortment with, in the vendor's currency."""
    top = [max((float(band.start) for band in terms.bands), default=0.0) for terms in compiled.vendors.bands]
    highest = np.array(top, np.float64)
    for vendor, waived_from in zip(compiled.handling_vendor, compiled.handling_waived_from, strict=True):
        highest[vendor] = max(highest[vendor], float(waived_from or 0))
    return highest


@lru_cache(maxsize=50_000)
def just_below(threshold: Fraction, grain: int) -> float:
    """Half a grain below the first attainable value at or above a threshold; grains are in millionths.

    An order's value is on the same side of it as of the threshold, at a distance that a solver's tolerance does not bridge.
    """
    grains = -(-threshold * MICRO // grain)
    return float(grains - Fraction(1, 2)) * grain / MICRO
