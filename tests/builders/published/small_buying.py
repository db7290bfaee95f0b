"""Rows about orders across models, the maker's shop, whole costs and assumptions, for the generation in which everything holds."""

from decimal import Decimal
from typing import Any

import polars as pl

from schemas.published.joint_orders import JOINT_ORDER, JOINT_PLAN, JOINT_SEQUENCE, JOINT_SHARE, JOINT_VENDOR
from schemas.published.makers_shop import MAKER_CHOICE, MAKER_FURTHER, MAKER_THRESHOLD
from schemas.published.what_if import SENSITIVITY
from schemas.published.whole_costs import COPY_COST, INSTRUCTIONS_STEP, LINE_COST, WHOLE_COST
from schemas.validate import polars_schema
from tests.builders.published.order_amounts import order_amounts

PARTS = {"goods": Decimal("1.10"), "shipping": Decimal("5.00"), "handling": Decimal("0.50"), "tax": Decimal("0.40")}


def money(text: str) -> Decimal:
    return Decimal(text)


def buying_tables(plan: dict[str, Any]) -> dict[str, pl.DataFrame]:
    """Two models in one order of two parcels; one line carries most; a maker's shop that is 3.80 from free shipping."""
    joint = {**plan, "joint_order_code": "both", "currency_code": "EUR"}
    mine = {**plan, "currency_code": "EUR"}
    tables: list[tuple[Any, list[dict[str, Any]]]] = [
        (JOINT_ORDER, [{
            **joint, **PARTS, "joint_order_title": "Both", "joint_model_codes": "mill;barn", "landed_cost": money("7.00"),
            "unfilled_estimate": money("0.40"), "complete_cost": money("7.40"), "separate_cost": money("12.00"),
            "sequence_cost": money("11.50"), "joint_saving": money("4.60"), "lower_bound": money("6.80"), "gap_pct": 2.9,
            "vendor_count": 1, "order_count": 2, "piece_count": 15, "bought_piece_count": 12, "spare_piece_count": 1,
            "on_hand_piece_count": 2, "unfilled_piece_count": 2, "unfilled_estimate_count": 0,
            "separate_unfilled_piece_count": 2, "sequence_unfilled_piece_count": 2, "share_method": "shapley",
            "effort": "standard",
        }]),
        (JOINT_VENDOR, [
            {
                **joint, **order_amounts("0.80", "2.50", PARTS["handling"], "0.20"), "vendor_code": "acorn", "order_number": 1,
                "element_count": 1, "bought_piece_count": 8,
            },
            {
                **joint, **order_amounts("0.30", "2.50", "0.00", "0.20"), "vendor_code": "acorn", "order_number": 2,
                "element_count": 1, "bought_piece_count": 4,
            },
        ]),
        (JOINT_PLAN, [
            joint_row(joint, 1, "mill", 7), joint_row(joint, 1, "", 1), joint_row(joint, 2, "barn", 4),
        ]),
        (JOINT_SHARE, [
            {**joint, "model_code": "mill", "separate_cost": money("7.40"), "joint_share": money("4.60"),
             "joint_saving": money("2.80"), "used_piece_count": 7, "on_hand_piece_count": 2, "unfilled_piece_count": 2,
             "share_method": "shapley"},
            {**joint, "model_code": "barn", "separate_cost": money("4.60"), "joint_share": money("2.80"),
             "joint_saving": money("1.80"), "used_piece_count": 4, "on_hand_piece_count": 0, "unfilled_piece_count": 0,
             "share_method": "shapley"},
        ]),
        (JOINT_SEQUENCE, [
            {**joint, "model_code": code, "sequence_number": 1, "sequence_position": at, "complete_cost": money(cost),
             "unfilled_piece_count": missing, "on_hand_piece_count": 0, "spares_used_piece_count": 0,
             "spares_worth": money("0.00")}
            for at, (code, cost, missing) in enumerate((("mill", "7.40", 2), ("barn", "4.10", 0)), start=1)
        ]),
        (MAKER_CHOICE, [{
            **mine, "line_number": 1, "portion_number": 1, "listed_part_code": "00501", "listed_colour_code": "7", "quantity": 6,
            "maker_vendor_code": "hall", "maker_unit_price": money("0.12"), "elsewhere_vendor_code": "acorn",
            "elsewhere_unit_price": money("0.10"), "maker_saving": money("-0.12"), "maker_piece_count": 0,
            "is_maker_line": False,
        }]),
        (MAKER_THRESHOLD, [{
            **mine, "maker_vendor_code": "hall", "threshold_kind": "shipping_waiver", "assortment_code": "",
            "vendor_currency_code": "EUR", "threshold_value": money("5.00"), "spent_value": money("1.20"),
            "left_to_go": money("3.80"), "threshold_charge": money("4.00"),
        }]),
        (MAKER_FURTHER, [{
            **mine, "maker_vendor_code": "hall", "maker_goods_value": money("1.20"), "further_spend": money("5.00"),
            "landed_cost": money("7.00"), "further_landed_cost": money("8.00"), "further_cost_change": money("1.00"),
            "further_piece_count": 9, "unfilled_piece_count": 2, "further_unfilled_piece_count": 2,
        }]),
        (WHOLE_COST, [{
            **mine, **PARTS, "instructions_list_price": money("15.00"), "instructions_discount": money("2.50"),
            "instructions_cost": money("12.50"), "amendment_goods": money("0.10"), "unfilled_estimate": money("0.40"),
            "complete_cost": money("7.40"), "whole_cost": money("19.90"), "piece_count": 11,
            "cost_per_piece": money("0.822222"), "cost_per_100_pieces": money("82.22"), "owned_piece_count": 2,
            "owned_goods": money("0.20"),
        }]),
        (INSTRUCTIONS_STEP, [
            {**mine, "step_number": 0, "instructions_step": "list_price", "discount_reason": "", "discount_pct": None,
             "instructions_price": money("15.00")},
            {**mine, "step_number": 1, "instructions_step": "discount", "discount_reason": "a sale",
             "discount_pct": money("16.67"), "instructions_price": money("12.50")},
        ]),
        (LINE_COST, [
            line_row(mine, 2, "0.64", "4.43", 1), line_row(mine, 1, "0.46", "2.57", 2), line_row(mine, 3, "0.00", "0.40", 3),
        ]),
        (COPY_COST, [
            {**mine, "copies": copies, "landed_cost": money(landed), "unfilled_estimate": money("0.40"),
             "complete_cost": money(landed) + money("0.40"), "cost_per_copy": money(each), "vendor_count": 2,
             "unfilled_piece_count": 2, "unfilled_estimate_count": 0, "effort": "quick"}
            for copies, landed, each in ((1, "7.00", "7.40"), (2, "11.00", "5.70"))
        ]),
        (SENSITIVITY, [
            {**mine, "assumption": "shipping", "sensitivity_side": side, "changed_to": words, "complete_cost": money(cost),
             "sensitivity_amount": money(cost) - money("7.40"), "sensitivity_low": money(low), "sensitivity_high": money(high),
             "unfilled_piece_count": 2}
            for side, words, cost, low, high in (
                ("down", "25 % cheaper", "6.15", "-1.30", "-1.15"), ("up", "25 % dearer", "8.65", "1.15", "1.30"),
            )
        ]),
    ]  # fmt: skip
    return {
        contract.name: pl.DataFrame(
            [{name: row.get(name) for name in contract.columns} for row in rows], polars_schema(contract)
        )
        for contract, rows in tables
    }


def joint_row(joint: dict[str, Any], order: int, model: str, quantity: int) -> dict[str, Any]:
    return {
        **joint, "vendor_code": "acorn", "order_number": order, "offer_id": f"o{order}", "part_code": "00501", "colour_code": "7",
        "condition": "new", "listing_code": "", "model_code": model, "quantity": quantity, "unit_price": money("0.10"),
        "vendor_currency_code": "EUR",
    }  # fmt: skip


def line_row(mine: dict[str, Any], line: int, goods: str, cost: str, rank: int) -> dict[str, Any]:
    return {
        **mine, "line_number": line, "portion_source": "designer", "listed_part_code": "00501", "listed_colour_code": "7",
        "quantity": 3, "line_goods": money(goods), "line_cost": money(cost), "line_cost_share": float(money(cost) / money("7.40")),
        "cost_rank": rank, "other_colour_code": "", "other_colour_saving": None, "other_form_saving": None,
        "left_out_saving": money(goods),
    }  # fmt: skip
