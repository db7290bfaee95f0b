"""What a model costs in all: with its instructions, line by line, and for several copies."""

from schemas.contract import Contract
from schemas.published.keys import MODEL_KEY, PLAN_KEY

WHOLE_COST = Contract(
    name="whole_cost",
    grain="one row per plan of the priced date: instructions, parts and all charges",
    columns=(
        *PLAN_KEY, "currency_code", "instructions_list_price", "instructions_discount", "instructions_cost", "goods",
        "amendment_goods", "shipping", "handling", "tax", "unfilled_estimate", "complete_cost", "whole_cost",
        "piece_count", "cost_per_piece", "cost_per_100_pieces", "owned_piece_count", "owned_goods",
    ),
    key=PLAN_KEY,
    optional=dict.fromkeys(
        ("instructions_list_price", "instructions_discount", "instructions_cost", "cost_per_piece", "cost_per_100_pieces")
    ),
    notes="cost_per_piece and cost_per_100_pieces are the complete cost by pieces that are needed and not on hand. "
    "Instructions whose price or exchange rate is not known are not in whole_cost.",
)  # fmt: skip

INSTRUCTIONS_STEP = Contract(
    name="instructions_step",
    grain="one row per date, model, buyer and step from the list price of the instructions to what is paid",
    columns=(
        *MODEL_KEY, "step_number", "instructions_step", "discount_reason", "discount_pct", "currency_code",
        "instructions_price",
    ),
    key=(*MODEL_KEY, "step_number"),
    optional={"discount_reason": "", "discount_pct": None},
    notes="Discounts multiply. Each price is calculated exactly from the list price and rounded once.",
)  # fmt: skip

LINE_COST = Contract(
    name="line_cost",
    grain="one row per line of the cheapest mix: its part of the complete cost",
    columns=(
        *PLAN_KEY, "line_number", "portion_source", "listed_part_code", "listed_colour_code", "quantity",
        "currency_code", "line_goods", "line_cost", "line_cost_share", "cost_rank", "other_colour_code",
        "other_colour_saving", "other_form_saving", "left_out_saving",
    ),
    key=(*PLAN_KEY, "line_number"),
    optional={
        "other_colour_code": "", "other_colour_saving": None, "other_form_saving": None, "left_out_saving": None,
    },
    notes="line_cost adds up the line's goods (with the spares of its offers), its part of each order's charges in "
    "proportion to goods, and its estimate. Over all lines it adds up to the complete cost. Savings are "
    "calculated for the most expensive lines, with the rest of the plan as it is.",
)  # fmt: skip

COPY_COST = Contract(
    name="copy_cost",
    grain="one row per date, model, buyer and number of copies bought at once, in the cheapest mix",
    columns=(
        *PLAN_KEY, "copies", "currency_code", "landed_cost", "unfilled_estimate", "complete_cost", "cost_per_copy",
        "vendor_count", "unfilled_piece_count", "unfilled_estimate_count", "effort",
    ),
    key=(*PLAN_KEY, "copies"),
)  # fmt: skip
