"""All columns by name."""

from schemas.columns import (
    availability,
    catalogue,
    flexibility,
    intake,
    joint_orders,
    makers_shop,
    models,
    over_time,
    plans,
    price_index,
    prices,
    shared,
    vendors,
    whole_costs,
)
from schemas.contract import Column, by_name

COLUMNS: dict[str, Column] = by_name(
    domain.COLUMNS
    for domain in (
        shared,
        catalogue,
        vendors,
        models,
        prices,
        intake,
        plans,
        flexibility,
        whole_costs,
        makers_shop,
        joint_orders,
        availability,
        price_index,
        over_time,
    )
)
