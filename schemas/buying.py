"""Contracts of the published tables about orders across models, the counter, whole costs and assumptions."""

from schemas.contract import Contract

_JOINT_KEY = ("priced_on", "joint_order_code", "buyer_code")
_PLAN_KEY = ("priced_on", "model_code", "scenario_code", "buyer_code")
_MODEL_KEY = ("priced_on", "model_code", "buyer_code")

JOINT_ORDER = Contract(
    name="joint_order",
    grain="one row per date and joint order of the settings: several models bought together",
    columns=(
        *_JOINT_KEY, "joint_order_title", "joint_model_codes", "scenario_code", "currency_code", "goods", "shipping",
        "handling", "tax", "landed_cost", "unfilled_estimate", "complete_cost", "separate_cost", "sequence_cost",
        "joint_saving", "lower_bound", "gap_pct", "vendor_count", "order_count", "piece_count", "bought_piece_count",
        "spare_piece_count", "on_hand_piece_count", "unfilled_piece_count", "unfilled_estimate_count",
        "separate_unfilled_piece_count", "sequence_unfilled_piece_count", "share_method", "effort",
    ),
    key=_JOINT_KEY,
    notes="Never dearer than the cheapest sequence at equal fill. It may cost more than the separate plans, each of which "
    "counts on stock that can be bought only once. The lower bound is of plans that order once from each vendor.",
)  # fmt: skip

JOINT_VENDOR = Contract(
    name="joint_vendor",
    grain="one row per joint order, vendor and order with that vendor",
    columns=(
        *_JOINT_KEY, "vendor_code", "order_number", "currency_code", "goods", "shipping", "handling", "tax",
        "landed_cost", "vendor_currency_code", "vendor_total", "element_count", "bought_piece_count",
    ),
    key=(*_JOINT_KEY, "vendor_code", "order_number"),
    notes="A vendor gets several orders where a limit of its own asks for that, or where one order would cost more.",
)  # fmt: skip

JOINT_PLAN = Contract(
    name="joint_plan",
    grain="one row per joint order, order with a vendor, offer bought and model it is for; spare pieces have no model",
    columns=(
        *_JOINT_KEY, "vendor_code", "order_number", "offer_id", "part_code", "colour_code", "condition", "listing_code",
        "model_code", "quantity", "unit_price", "vendor_currency_code",
    ),
    key=(*_JOINT_KEY, "vendor_code", "order_number", "offer_id", "model_code"),
    optional={"listing_code": "", "model_code": ""},
)  # fmt: skip

JOINT_SHARE = Contract(
    name="joint_share",
    grain="one row per joint order and model: its fair share of the cost of all",
    columns=(
        *_JOINT_KEY, "model_code", "currency_code", "separate_cost", "joint_share", "joint_saving", "used_piece_count",
        "on_hand_piece_count", "unfilled_piece_count", "share_method",
    ),
    key=(*_JOINT_KEY, "model_code"),
    notes="Shapley value of the complete costs of all sets of up to 8 models, planned at the order's effort or, from 4 "
    "models on, quickly; for more models in proportion to the separate costs. Shares add up to the complete cost.",
)  # fmt: skip

JOINT_SEQUENCE = Contract(
    name="joint_sequence",
    grain="one row per joint order, sequence of buying the models one after the other, and position in it",
    columns=(
        *_JOINT_KEY, "sequence_number", "sequence_position", "model_code", "currency_code", "complete_cost",
        "unfilled_piece_count", "on_hand_piece_count", "spares_used_piece_count", "spares_worth",
    ),
    key=(*_JOINT_KEY, "sequence_number", "sequence_position"),
    notes="Sequence 1 is the cheapest. Each model buys from what those before it left; their spares are used first.",
)  # fmt: skip

COUNTER_CHOICE = Contract(
    name="counter_choice",
    grain="one row per date, model, buyer and portion that the counter could serve or the cheapest mix buys there",
    columns=(
        *_MODEL_KEY, "line_number", "portion_number", "listed_part_code", "listed_colour_code", "quantity",
        "currency_code", "counter_vendor_code", "counter_unit_price", "elsewhere_vendor_code", "elsewhere_unit_price",
        "counter_saving", "counter_piece_count", "is_counter_line",
    ),
    key=(*_MODEL_KEY, "line_number", "portion_number"),
    optional={
        "counter_vendor_code": "", "counter_unit_price": None, "elsewhere_vendor_code": "", "elsewhere_unit_price": None,
        "counter_saving": None,
    },
    notes="Prices are the mean price of the cheapest stock that covers the portion, each portion by itself, without "
    "shipping and handling, which only a plan can weigh.",
)  # fmt: skip

COUNTER_THRESHOLD = Contract(
    name="counter_threshold",
    grain="one row per date, model, buyer, counter and value from which its terms change",
    columns=(
        *_MODEL_KEY, "counter_vendor_code", "threshold_kind", "assortment_code", "vendor_currency_code",
        "threshold_value", "spent_value", "left_to_go", "threshold_charge",
    ),
    key=(*_MODEL_KEY, "counter_vendor_code", "threshold_kind", "assortment_code"),
    optional={"assortment_code": "", "threshold_charge": None},
    notes="Spent is the goods value of the cheapest mix's order there, at displayed prices; of several orders, the first's, which has "
    "most pieces.",
)  # fmt: skip

COUNTER_FURTHER = Contract(
    name="counter_further",
    grain="one row per date, model, buyer and counter: what the cheapest mix costs if a little more is spent there",
    columns=(
        *_MODEL_KEY, "counter_vendor_code", "currency_code", "counter_goods_value", "further_spend", "landed_cost",
        "further_landed_cost", "further_cost_change", "further_piece_count", "unfilled_piece_count",
        "further_unfilled_piece_count",
    ),
    key=(*_MODEL_KEY, "counter_vendor_code"),
    optional={"further_landed_cost": None, "further_cost_change": None, "further_unfilled_piece_count": None},
    notes="Planned quick among the vendors of the mix and a few others: it can be bought at this cost, and a cheaper way "
    "may exist. Empty where the counter has not enough to spend it on.",
)  # fmt: skip

WHOLE_COST = Contract(
    name="whole_cost",
    grain="one row per plan of the priced date: instructions, parts and all charges",
    columns=(
        *_PLAN_KEY, "currency_code", "instructions_list_price", "instructions_discount", "instructions_cost", "goods",
        "amendment_goods", "shipping", "handling", "tax", "unfilled_estimate", "complete_cost", "whole_cost",
        "piece_count", "cost_per_piece", "cost_per_100_pieces", "owned_piece_count", "owned_goods",
    ),
    key=_PLAN_KEY,
    optional=dict.fromkeys(
        ("instructions_list_price", "instructions_discount", "instructions_cost", "cost_per_piece", "cost_per_100_pieces")
    ),
    notes="Per piece: complete cost by pieces wanted and not on hand. Instructions whose price or exchange rate is not known "
    "are not in whole_cost.",
)  # fmt: skip

INSTRUCTIONS_STEP = Contract(
    name="instructions_step",
    grain="one row per date, model, buyer and step from the list price of the instructions to what is paid",
    columns=(
        *_MODEL_KEY, "step_number", "instructions_step", "discount_reason", "discount_pct", "currency_code",
        "instructions_price",
    ),
    key=(*_MODEL_KEY, "step_number"),
    optional={"discount_reason": "", "discount_pct": None},
    notes="Discounts multiply; each price is worked out exactly from the list price and rounded once.",
)  # fmt: skip

LINE_COST = Contract(
    name="line_cost",
    grain="one row per line of the cheapest mix: what it carries of the complete cost",
    columns=(
        *_PLAN_KEY, "line_number", "portion_source", "listed_part_code", "listed_colour_code", "quantity",
        "currency_code", "line_goods", "line_cost", "line_cost_share", "cost_rank", "other_colour_code",
        "other_colour_saving", "other_form_saving", "left_out_saving",
    ),
    key=(*_PLAN_KEY, "line_number"),
    optional={
        "other_colour_code": "", "other_colour_saving": None, "other_form_saving": None, "left_out_saving": None,
    },
    notes="line_cost is the line's goods, spares of its offers included, its part of each order's charges in proportion to "
    "goods, and its estimate: over all lines they add up to the complete cost. Savings are worked out for the dearest "
    "lines, the rest of the plan staying as it is.",
)  # fmt: skip

COPY_COST = Contract(
    name="copy_cost",
    grain="one row per date, model, buyer and number of copies bought at once, in the cheapest mix",
    columns=(
        *_PLAN_KEY, "copies", "currency_code", "landed_cost", "unfilled_estimate", "complete_cost", "cost_per_copy",
        "vendor_count", "unfilled_piece_count", "unfilled_estimate_count", "effort",
    ),
    key=(*_PLAN_KEY, "copies"),
)  # fmt: skip

WHAT_IF_SWING = Contract(
    name="what_if_swing",
    grain="one row per date, model, buyer, assumption and side to which it is changed, all others staying",
    columns=(
        *_PLAN_KEY, "assumption", "swing_side", "changed_to", "currency_code", "complete_cost", "swing_amount",
        "unfilled_piece_count",
    ),
    key=(*_PLAN_KEY, "assumption", "swing_side"),
    notes="Prices, shipping, tax and exchange rates: the same purchases at changed terms, unless a vendor would refuse them. The "
    "rest is planned anew with little effort, starting from the published plan.",
)  # fmt: skip

JOINT_CONTRACTS = (JOINT_ORDER, JOINT_VENDOR, JOINT_PLAN, JOINT_SHARE, JOINT_SEQUENCE)
COUNTER_CONTRACTS = (COUNTER_CHOICE, COUNTER_THRESHOLD, COUNTER_FURTHER)
WHOLE_COST_CONTRACTS = (WHOLE_COST, INSTRUCTIONS_STEP, LINE_COST, COPY_COST)
SWING_CONTRACTS = (WHAT_IF_SWING,)
