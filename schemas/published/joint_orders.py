"""Joint orders: several models bought together."""

from schemas.contract import Contract

JOINT_KEY = ("priced_on", "joint_order_code", "buyer_code")

JOINT_ORDER = Contract(
    name="joint_order",
    grain="one row per date, joint order of the settings and buyer: several models bought together",
    columns=(
        *JOINT_KEY, "joint_order_title", "joint_model_codes", "scenario_code", "currency_code", "goods", "shipping",
        "handling", "tax", "landed_cost", "unfilled_estimate", "complete_cost", "separate_cost", "sequence_cost",
        "joint_saving", "lower_bound", "gap_pct", "vendor_count", "order_count", "piece_count", "bought_piece_count",
        "spare_piece_count", "on_hand_piece_count", "unfilled_piece_count", "unfilled_estimate_count",
        "separate_unfilled_piece_count", "sequence_unfilled_piece_count", "share_method", "effort",
    ),
    key=JOINT_KEY,
    notes="At equal fill, never more expensive than the cheapest sequence. It may cost more than the separate "
    "plans, because each of those counts on stock that can be bought only once. The lower bound is of plans "
    "that order once from each vendor.",
)  # fmt: skip

JOINT_VENDOR = Contract(
    name="joint_vendor",
    grain="one row per joint order, vendor and order with that vendor",
    columns=(
        *JOINT_KEY, "vendor_code", "order_number", "currency_code", "goods", "shipping", "handling", "tax",
        "landed_cost", "border_charges", "vendor_currency_code", "vendor_goods_value", "vendor_discount", "vendor_shipping",
        "vendor_handling", "vendor_tax", "vendor_total", "exchange_rate_used", "element_count", "bought_piece_count",
    ),
    key=(*JOINT_KEY, "vendor_code", "order_number"),
    notes="A vendor gets several orders where one of its limits requires it, or where one order would cost more.",
)  # fmt: skip

JOINT_PLAN = Contract(
    name="joint_plan",
    grain="one row per joint order, order with a vendor, offer bought and model it is for; spare pieces have no model",
    columns=(
        *JOINT_KEY, "vendor_code", "order_number", "offer_id", "part_code", "colour_code", "condition", "listing_code",
        "model_code", "quantity", "unit_price", "vendor_currency_code",
    ),
    key=(*JOINT_KEY, "vendor_code", "order_number", "offer_id", "model_code"),
    optional={"listing_code": "", "model_code": ""},
)  # fmt: skip

JOINT_SHARE = Contract(
    name="joint_share",
    grain="one row per joint order and model: its fair share of the cost of all",
    columns=(
        *JOINT_KEY, "model_code", "currency_code", "separate_cost", "joint_share", "joint_saving", "used_piece_count",
        "on_hand_piece_count", "unfilled_piece_count", "share_method",
    ),
    key=(*JOINT_KEY, "model_code"),
    notes="Up to 8 models: the Shapley value of the complete costs of all sets of them, planned at the order's "
    "effort, or quickly from 4 models on. More models: in proportion to the separate costs. Shares add up to "
    "the complete cost.",
)  # fmt: skip

JOINT_SEQUENCE = Contract(
    name="joint_sequence",
    grain="one row per joint order, sequence of buying the models one after the other, and position in it",
    columns=(
        *JOINT_KEY, "sequence_number", "sequence_position", "model_code", "currency_code", "complete_cost",
        "unfilled_piece_count", "on_hand_piece_count", "spares_used_piece_count", "spares_worth",
    ),
    key=(*JOINT_KEY, "sequence_number", "sequence_position"),
    notes="Sequence 1 is the cheapest. Each model buys from what those before it left; their spares are used first.",
)  # fmt: skip
