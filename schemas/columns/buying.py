"""Columns of orders across models, of the counter question, of whole costs and of changed assumptions."""

from schemas.contract import Column

_BUYERS = "currency of the buyer"

COLUMNS = (
    Column("joint_order_code", "code", "a joint order of the settings"),
    Column("joint_order_title", "text", "the joint order in words"),
    Column("joint_model_codes", "code_list", "the models bought together"),
    Column("separate_cost", "amount", "complete cost of the models bought as if alone, added up", unit=_BUYERS),
    Column(
        "sequence_cost", "amount", "complete cost of buying one after the other in the cheapest sequence", unit=_BUYERS
    ),
    Column(
        "joint_saving", "amount", "separate cost minus the cost together; negative where that is more", unit=_BUYERS
    ),
    Column("joint_share", "amount", "the model's share of the complete cost of all", unit=_BUYERS),
    Column("order_count", "integer", "orders in all: parcels", unit="orders"),
    Column("order_number", "integer", "counts the orders with one vendor, from 1", minimum=1),
    Column("separate_unfilled_piece_count", "integer", "pieces missing in the separate plans", unit="pieces"),
    Column("sequence_unfilled_piece_count", "integer", "pieces missing in the cheapest sequence", unit="pieces"),
    Column(
        "share_method",
        "code",
        "shapley: what the model adds on average over all orders of joining; proportional: to the separate costs",
        allowed=("shapley", "proportional"),
    ),
    Column("sequence_number", "integer", "counts sequences from the cheapest, 1", minimum=1),
    Column("sequence_position", "integer", "place of the model in the sequence, from 1", minimum=1),
    Column("spares_used_piece_count", "integer", "spare pieces of models before it that it uses", unit="pieces"),
    Column(
        "spares_worth", "amount", "what it would cost more without those spares, as far as plans tell", unit=_BUYERS
    ),
    Column("counter_vendor_code", "code", "the counter"),
    Column("counter_unit_price", "price", "price of a piece at the counter, with the tax on goods", unit=_BUYERS),
    Column("elsewhere_vendor_code", "code", "independent vendor whose pieces are the cheapest elsewhere"),
    Column(
        "elsewhere_unit_price",
        "price",
        "price of a piece from independent vendors, with the tax on goods",
        unit=_BUYERS,
    ),
    Column(
        "counter_saving",
        "amount",
        "what the portion's goods cost less at the counter; negative where they cost more",
        unit=_BUYERS,
    ),
    Column(
        "counter_piece_count", "integer", "pieces that serve the portion and are bought at the counter", unit="pieces"
    ),
    Column("is_counter_line", "flag", "the model's settings name the line among its counter_lines"),
    Column(
        "threshold_kind",
        "code",
        "what changes: the order is accepted (minimum_order), the charge for small orders goes (soft_minimum), shipping "
        "goes (shipping_waiver), handling of an assortment goes (handling_waiver), a discount begins (discount)",
        allowed=("minimum_order", "soft_minimum", "shipping_waiver", "handling_waiver", "discount"),
    ),
    Column("threshold_value", "amount", "goods value from which it holds", unit="currency of the vendor"),
    Column("spent_value", "amount", "goods value that counts towards it", unit="currency of the vendor"),
    Column(
        "left_to_go", "amount", "goods value still missing; 0 when reached", unit="currency of the vendor", minimum=0
    ),
    Column("threshold_charge", "amount", "charge that goes when it is reached", unit="currency of the vendor"),
    Column("counter_goods_value", "amount", "displayed value of the mix's order at the counter", unit=_BUYERS),
    Column("further_spend", "amount", "goods value spent there beyond the mix's order, at least", unit=_BUYERS),
    Column("further_landed_cost", "amount", "landed cost of all orders then", unit=_BUYERS),
    Column("further_cost_change", "amount", "that less the mix's landed cost; negative where it saves", unit=_BUYERS),
    Column("further_piece_count", "integer", "pieces used from the counter then", unit="pieces"),
    Column("further_unfilled_piece_count", "integer", "pieces that could not be bought then", unit="pieces"),
    Column("instructions_list_price", "amount", "price of the instructions before sale and code", unit=_BUYERS),
    Column("instructions_discount", "amount", "what running sales and codes take off the instructions", unit=_BUYERS),
    Column("amendment_goods", "amount", "the part of goods that serves lines of amendments", unit=_BUYERS),
    Column("whole_cost", "amount", "instructions after sale and code, and complete cost", unit=_BUYERS),
    Column("cost_per_piece", "price", "complete cost of one piece", unit=_BUYERS),
    Column("cost_per_100_pieces", "amount", "complete cost of a hundred pieces", unit=_BUYERS),
    Column("owned_piece_count", "integer", "pieces of the model that stock on hand could serve", unit="pieces"),
    Column("owned_goods", "amount", "what those pieces cost in the plan, goods only", unit=_BUYERS),
    Column("step_number", "integer", "counts the steps from the list price, 0", minimum=0),
    Column(
        "instructions_step",
        "code",
        "list_price, or a discount that runs on the date",
        allowed=("list_price", "discount"),
    ),
    Column("discount_reason", "text", "the discount's reason in the settings"),
    Column("instructions_price", "amount", "price of the instructions after the step", unit=_BUYERS),
    Column("line_goods", "amount", "the line's part of goods", unit=_BUYERS),
    Column("line_cost", "amount", "the line's part of the complete cost", unit=_BUYERS),
    Column("line_cost_share", "number", "the line's part of the complete cost, of 1", minimum=0, maximum=1),
    Column("cost_rank", "integer", "counts lines from the dearest, 1", minimum=1),
    Column("other_colour_code", "code", "colour in which the line would save most"),
    Column("other_colour_saving", "amount", "landed cost saved with the line in that colour", unit=_BUYERS),
    Column(
        "other_form_saving",
        "amount",
        "landed cost saved if the line might be of a weaker form or made up of several parts",
        unit=_BUYERS,
    ),
    Column("left_out_saving", "amount", "landed cost saved if the design did without the line", unit=_BUYERS),
    Column("copies", "integer", "copies of the model bought at once", minimum=1),
    Column("cost_per_copy", "amount", "complete cost by copies", unit=_BUYERS),
    Column(
        "assumption",
        "code",
        "what is changed",
        allowed=("shipping", "tax", "exchange_rate", "prices", "condition", "vendor_count", "freedoms", "counter"),
    ),
    Column("swing_side", "code", "which way it is changed", allowed=("down", "up")),
    Column("changed_to", "text", "the assumption in words as changed"),
    Column("swing_amount", "amount", "complete cost then, less that of the plan", unit=_BUYERS),
)
