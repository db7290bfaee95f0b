"""Columns of what a model costs in all: its instructions, its lines, and several copies."""

from schemas.contract import BUYERS_CURRENCY, Column

COLUMNS = (
    Column(
        "instructions_list_price", "amount", "price of the instructions before sales and codes", unit=BUYERS_CURRENCY
    ),
    Column(
        "instructions_discount",
        "amount",
        "what running sales and codes take off the price of the instructions",
        unit=BUYERS_CURRENCY,
    ),
    Column(
        "instructions_cost",
        "amount",
        "price of the instructions after sales and codes",
        unit=BUYERS_CURRENCY,
    ),
    Column("amendment_goods", "amount", "the part of goods that serves lines of amendments", unit=BUYERS_CURRENCY),
    Column("whole_cost", "amount", "instructions after sales and codes, plus complete cost", unit=BUYERS_CURRENCY),
    Column("cost_per_piece", "price", "complete cost of one piece", unit=BUYERS_CURRENCY),
    Column("cost_per_100_pieces", "amount", "complete cost of a hundred pieces", unit=BUYERS_CURRENCY),
    Column("owned_piece_count", "integer", "pieces of the model that stock on hand could serve", unit="pieces"),
    Column("owned_goods", "amount", "what those pieces cost in the plan, goods only", unit=BUYERS_CURRENCY),
    Column("step_number", "integer", "number of the step, from 0 for the list price", minimum=0),
    Column(
        "instructions_step",
        "code",
        "list_price, or a discount that runs on the date",
        allowed=("list_price", "discount"),
    ),
    Column("discount_reason", "text", "the discount's reason in the settings"),
    Column("instructions_price", "amount", "price of the instructions after the step", unit=BUYERS_CURRENCY),
    Column("line_goods", "amount", "the line's part of goods", unit=BUYERS_CURRENCY),
    Column("line_cost", "amount", "the line's part of the complete cost", unit=BUYERS_CURRENCY),
    Column("line_cost_share", "number", "the line's part of the complete cost, as a share", minimum=0, maximum=1),
    Column("cost_rank", "integer", "place of the line by cost, from 1 for the most expensive", minimum=1),
    Column("other_colour_code", "code", "colour in which the line would save most"),
    Column(
        "other_colour_saving",
        "amount",
        "landed cost saved if the line is bought in other_colour_code",
        unit=BUYERS_CURRENCY,
    ),
    Column(
        "other_form_saving",
        "amount",
        "landed cost saved if the line may be of a weaker form or a combination of several parts",
        unit=BUYERS_CURRENCY,
    ),
    Column("left_out_saving", "amount", "landed cost saved if the design leaves the line out", unit=BUYERS_CURRENCY),
    Column("copies", "integer", "copies of the model that this row buys at once", minimum=1),
    Column("cost_per_copy", "amount", "complete cost of the row divided by copies", unit=BUYERS_CURRENCY),
)
