"""Price steps of an offer: what a number of pieces costs as displayed.

``all_units``: all pieces cost the price of the step that the quantity reaches. ``incremental``: every piece costs the price of
the step it falls in. Pieces below the first step cost the first step's price; fewer pieces than that can't be bought.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import ROUND_HALF_UP, Decimal

import numpy as np
from numpy.typing import NDArray

STEP_KINDS = ("all_units", "incremental")
_PRICE_DIGITS = Decimal("0.000001")


def goods_value(steps: Sequence[tuple[int, Decimal]], step_kind: str, quantity: int) -> Decimal:
    """The exact cost of a quantity that reaches the first step.

    Args:
        steps: (from quantity, price of one piece), by quantity.
        step_kind: one of STEP_KINDS.
        quantity: pieces.
    """
    reached = [step for step in steps if step[0] <= quantity]
    if step_kind == "all_units":
        return reached[-1][1] * quantity
    ends = [start - 1 for start, _ in reached[1:]] + [quantity]
    value, before = Decimal(0), 0
    for (_, price), end in zip(reached, ends, strict=True):
        value += price * (end - before)
        before = end
    return value


def average_price(value: Decimal, quantity: int) -> Decimal:
    """The average price of a piece, rounded half-up to a millionth."""
    return (value / quantity).quantize(_PRICE_DIGITS, ROUND_HALF_UP)


def bases(
    offer: NDArray[np.int64], start: NDArray[np.int64], price: NDArray[np.int64], is_incremental: NDArray[np.bool_]
) -> NDArray[np.int64]:
    """What the pieces below a step cost more or less than at the step's own price, by step.

    Args:
        offer, start, price: price steps by offer and start; prices in millionths.
        is_incremental: by step, whether its offer is.

    Returns:
        Bases in millionths, by step; 0 for first steps and all_units.
    """
    base = np.zeros(len(offer), np.int64)
    for step in np.flatnonzero(is_incremental[1:] & (offer[1:] == offer[:-1])) + 1:
        base[step] = base[step - 1] + (price[step - 1] - price[step]) * (max(start[step], 1) - 1)
    return base
