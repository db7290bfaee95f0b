"""The rows of the tables about one joint order."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from pipelines.costing.several_orders import vendor_of, vendors_of
from pipelines.insight.replanning.offers import Pieces
from pipelines.insight.replanning.placed_orders import PlacedOrders, Served
from pipelines.insight.replanning.shared_market import SharedMarket
from pipelines.planning.plan_tables import charged_amounts
from pipelines.settings import JointOrder
from schemas.published.joint_orders import JOINT_ORDER, JOINT_PLAN, JOINT_SEQUENCE, JOINT_SHARE, JOINT_VENDOR

Row = dict[str, Any]


@dataclass(frozen=True)
class Position:
    """One model in a sequence: its cost there, and what it takes from stock on hand and earlier spares."""

    model: int
    cost: Decimal
    unfilled_count: int
    on_hand_count: int
    spares_used_count: int
    spares_worth: Decimal


@dataclass(frozen=True)
class JointResult:
    """A joint order worked out; models by position, money in the buyer's currency, rounded.

    Attributes:
        estimate: of unfilled pieces; ``unpriced_count`` of them have none.
        separate_costs: complete cost of each model bought as if alone.
        shares: of the complete cost of all.
        sequences: the cheapest first.
    """

    shared: SharedMarket
    order: JointOrder
    together: PlacedOrders
    estimate: Decimal
    unpriced_count: int
    lower_bound: Decimal
    gap_pct: float
    separate_costs: list[Decimal]
    separate_unfilled_count: int
    shares: list[Decimal]
    share_method: str
    sequences: list[list[Position]]


def joint_rows(found: JointResult) -> dict[str, list[Row]]:
    """Rows of JOINT_CONTRACTS by table name."""
    key = {
        "priced_on": found.shared.day,
        "joint_order_code": found.order.joint_order_code,
        "buyer_code": found.shared.buyer.buyer_code,
    }
    rows = {
        JOINT_ORDER.name: [_order_row(found)],
        JOINT_VENDOR.name: _vendor_rows(found),
        JOINT_PLAN.name: _plan_rows(found),
        JOINT_SHARE.name: _share_rows(found),
        JOINT_SEQUENCE.name: _sequence_rows(found),
    }
    return {name: [{**key, **row} for row in of_table] for name, of_table in rows.items()}


def _code(found: JointResult, model: int) -> str:
    return found.shared.models[model].model_code


def _order_row(found: JointResult) -> Row:
    shared, together = found.shared, found.together
    landed_costs = [landed_cost.rounded for landed_cost in shared.pricing.landed_costs(together.orders)]
    landed = shared.pricing.rounded_cost(together)
    complete, separate = landed + found.estimate, sum(found.separate_costs, Decimal(0))
    best = found.sequences[0]
    return {
        "joint_order_title": found.order.title,
        "joint_model_codes": ";".join(model.model_code for model in shared.models),
        "scenario_code": found.order.scenario_code,
        "currency_code": shared.buyer.currency_code,
        **{
            name: sum((getattr(parts, name) for parts in landed_costs), Decimal(0))
            for name in ("goods", "shipping", "handling", "tax")
        },
        "landed_cost": landed,
        "unfilled_estimate": found.estimate,
        "complete_cost": complete,
        "separate_cost": separate,
        "sequence_cost": sum((position.cost for position in best), Decimal(0)),
        "joint_saving": separate - complete,
        "lower_bound": found.lower_bound,
        "gap_pct": found.gap_pct,
        "vendor_count": len(vendors_of(code for code, _ in together.orders)),
        "order_count": len(together.orders),
        "piece_count": int(shared.portions["quantity"].sum()),
        "bought_piece_count": sum(together.bought.values()),
        "spare_piece_count": sum(together.spares.values()),
        "on_hand_piece_count": sum(row[-1] for row in together.on_hand),
        "unfilled_piece_count": together.unfilled_count,
        "unfilled_estimate_count": found.unpriced_count,
        "separate_unfilled_piece_count": found.separate_unfilled_count,
        "sequence_unfilled_piece_count": sum(position.unfilled_count for position in best),
        "share_method": found.share_method,
        "effort": found.order.effort,
    }


def _numbered(together: PlacedOrders) -> list[tuple[str, int, Mapping[str, int]]]:
    """Order code, number of the order with that vendor, and its pieces."""
    seen: dict[str, int] = {}
    numbered = []
    for code, pieces in together.orders:
        vendor = vendor_of(code)
        seen[vendor] = seen.get(vendor, 0) + 1
        numbered.append((code, seen[vendor], pieces))
    return numbered


def _vendor_rows(found: JointResult) -> list[Row]:
    shared = found.shared
    rows = []
    for code, number, pieces in _numbered(found.together):
        landed_cost = shared.pricing.landed_cost(code, pieces)
        parts = landed_cost.rounded
        rows.append(
            {
                "vendor_code": vendor_of(code),
                "order_number": number,
                "currency_code": landed_cost.buyer_currency_code,
                "goods": parts.goods,
                "shipping": parts.shipping,
                "handling": parts.handling,
                "tax": parts.tax,
                "landed_cost": parts.total,
                **charged_amounts(landed_cost),
                "element_count": landed_cost.element_count,
                "bought_piece_count": landed_cost.piece_count,
            }
        )
    return rows


def _plan_rows(found: JointResult) -> list[Row]:
    """Pieces by order, offer and model; an offer's pieces go to the models in order, spares to none."""
    shared = found.shared
    waiting = _used_by_model(shared, found.together.served)
    rows = []
    for code, number, pieces in _numbered(found.together):
        for offer_id, quantity in sorted(pieces.items()):
            offer = shared.offers[offer_id]
            element = {name: offer.columns[name] for name in ("part_code", "colour_code", "condition", "listing_code")}
            common = {
                "vendor_code": vendor_of(code),
                "order_number": number,
                "offer_id": vendor_of(offer_id),
                **element,
                "unit_price": offer.price(quantity),
                "vendor_currency_code": shared.book.vendors[code].currency_code,
            }
            left = quantity
            for model in range(len(shared.models)):
                taken = min(left, waiting.get((offer_id, model), 0))
                if taken:
                    waiting[offer_id, model] -= taken
                    left -= taken
                    rows.append({**common, "model_code": _code(found, model), "quantity": taken})
            if left:
                rows.append({**common, "model_code": "", "quantity": left})
    return rows


def _used_by_model(shared: SharedMarket, served: tuple[Served, ...]) -> dict[tuple[str, int], int]:
    used: dict[tuple[str, int], int] = {}
    for row in served:
        key = (row[2], shared.model_of(row[0]))
        used[key] = used.get(key, 0) + row[-1]
    return used


def _share_rows(found: JointResult) -> list[Row]:
    shared, together = found.shared, found.together
    rows = []
    for model, (separate, share) in enumerate(zip(found.separate_costs, found.shares, strict=True)):
        pieces = Pieces()
        counted = (
            ("used_piece_count", ((row[0], row[-1]) for row in together.served)),
            ("on_hand_piece_count", ((row[0], row[-1]) for row in together.on_hand)),
            ("unfilled_piece_count", ((portion[0], quantity) for portion, quantity in together.unfilled)),
        )
        for name, of_lines in counted:
            pieces[name] = sum(quantity for line, quantity in of_lines if shared.model_of(line) == model)
        rows.append(
            {
                "model_code": _code(found, model),
                "currency_code": shared.buyer.currency_code,
                "separate_cost": separate,
                "joint_share": share,
                "joint_saving": separate - share,
                **pieces,
                "share_method": found.share_method,
            }
        )
    return rows


def _sequence_rows(found: JointResult) -> list[Row]:
    return [
        {
            "sequence_number": number,
            "sequence_position": at,
            "model_code": _code(found, position.model),
            "currency_code": found.shared.buyer.currency_code,
            "complete_cost": position.cost,
            "unfilled_piece_count": position.unfilled_count,
            "on_hand_piece_count": position.on_hand_count,
            "spares_used_piece_count": position.spares_used_count,
            "spares_worth": position.spares_worth,
        }
        for number, sequence in enumerate(found.sequences, start=1)
        for at, position in enumerate(sequence, start=1)
    ]
