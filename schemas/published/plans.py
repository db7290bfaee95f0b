"""Purchase plans: what each costs, what is bought from whom, and what can't be bought."""

from schemas.contract import Contract
from schemas.published.keys import PLAN_KEY

MODEL_COST = Contract(
    name="model_cost",
    grain="one row per date, model, scenario and buyer",
    columns=(
        *PLAN_KEY, "model_title", "list_version", "copy_count", "currency_code", "plan_status", "goods", "shipping",
        "handling", "tax", "landed_cost", "unfilled_estimate", "complete_cost", "instructions_cost", "lower_bound",
        "gap_pct", "vendor_count", "element_count", "piece_count", "on_hand_piece_count", "spare_piece_count",
        "unfilled_piece_count", "unfilled_estimate_count", "oldest_offer_on", "effort",
    ),
    key=PLAN_KEY,
    optional={"oldest_offer_on": None, "instructions_cost": None},
)  # fmt: skip

PLAN_VENDOR = Contract(
    name="plan_vendor",
    grain="one row per plan, vendor ordered from and order with it",
    columns=(
        *PLAN_KEY, "vendor_code", "order_number", "vendor_name", "vendor_kind", "currency_code", "goods", "shipping", "handling", "tax",
        "landed_cost", "border_charges", "vendor_currency_code", "vendor_goods_value", "vendor_discount", "vendor_shipping",
        "vendor_handling", "vendor_tax", "vendor_total", "exchange_rate_used", "element_count", "bought_piece_count",
    ),
    key=(*PLAN_KEY, "vendor_code", "order_number"),
    optional={"order_number": "1"},
    notes="A plan places one order with a vendor, or up to maximum_order_count where its terms allow more.",
)  # fmt: skip

PLAN_PURCHASE = Contract(
    name="plan_purchase",
    grain="one row per plan, order, offer bought and its price step",
    columns=(
        *PLAN_KEY, "vendor_code", "order_number", "part_code", "colour_code", "condition", "listing_code", "step_from_quantity",
        "offer_id", "bought_piece_count", "used_piece_count", "spare_piece_count", "unit_price",
        "vendor_currency_code", "purchase_value",
    ),
    key=(*PLAN_KEY, "offer_id", "order_number", "step_from_quantity"),
    optional={"order_number": "1", "listing_code": ""},
)  # fmt: skip

PLAN_LINE = Contract(
    name="plan_line",
    grain="one row per plan, portion and offer that serves it, by order; pieces from stock on hand have no vendor, "
    "and order 1",
    columns=(
        *PLAN_KEY, "line_number", "portion_number", "portion_source", "listed_part_code", "listed_colour_code",
        "colour_rule", "vendor_code", "order_number", "offer_id", "part_code", "colour_code", "condition", "listing_code",
        "combination_code", "quantity", "unit_price", "vendor_currency_code", "is_listed_colour", "is_listed_part",
    ),
    key=(
        *PLAN_KEY, "line_number", "portion_number", "offer_id", "order_number", "combination_code", "part_code", "colour_code",
        "condition",
    ),
    optional={
        "vendor_code": "", "order_number": "1", "offer_id": "", "listing_code": "", "combination_code": "", "unit_price": None,
        "vendor_currency_code": None,
    },
)  # fmt: skip

UNFILLED_LINE = Contract(
    name="unfilled_line",
    grain="one row per plan and portion that could not be bought in full",
    columns=(
        *PLAN_KEY, "line_number", "portion_number", "listed_part_code", "listed_colour_code", "unfilled_piece_count",
        "estimated_unit_price", "unfilled_estimate", "estimate_basis", "remedies",
    ),
    key=(*PLAN_KEY, "line_number", "portion_number"),
    optional={"estimated_unit_price": None, "remedies": ""},
)  # fmt: skip

SECOND_SOURCE = Contract(
    name="second_source",
    grain="one row per plan and portion bought: who else could fill it",
    columns=(
        *PLAN_KEY, "line_number", "portion_number", "quantity", "source_vendor_codes", "paid_unit_price", "source_count",
        "source_in_plan_count", "second_vendor_code", "second_unit_price", "is_second_in_plan",
    ),
    key=(*PLAN_KEY, "line_number", "portion_number"),
    optional={"second_vendor_code": "", "second_unit_price": None},
)  # fmt: skip
