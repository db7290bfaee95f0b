"""Price steps of an offer: what so many pieces cost as displayed.

``all_units``: the price of the step that the quantity reaches holds for all pieces. ``incremental``: every piece costs the
price of the step it falls in; pieces below the first step, fewer of which can't be bought, cost the first step's price.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import ROUND_HALF_UP, Decimal

import numpy as np
from numpy.typing import NDArray

STEP_KINDS = ("all_units", "incremental")
_PRICE_DIGITS = Decimal("0.000001")


def goods_value(steps: Sequence[tuple[int, Decimal]], step_kind: str, quantity: int) -> Decimal:
    """What a quantity that reaches the first step costs, exactly.

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
    """The price of one of so many pieces, rounded half-up to a millionth."""
    return (value / quantity).quantize(_PRICE_DIGITS, ROUND_HALF_UP)


def bases(
    offer: NDArray[np.int64], start: NDArray[np.int64], price: NDArray[np.int64], is_incremental: NDArray[np.bool_]
) -> NDArray[np.int64]:
    """What quantities in a step cost beside the step's price for every piece: what the pieces below it cost more, or less.

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
