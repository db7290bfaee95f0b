"""Columns of joint orders: several models bought together."""

from schemas.contract import BUYERS_CURRENCY, Column

COLUMNS = (
    Column("joint_order_code", "code", "a joint order of the settings"),
    Column("joint_order_title", "text", "the joint order in words"),
    Column("joint_model_codes", "code_list", "the models bought together"),
    Column("separate_cost", "amount", "complete cost of the models bought as if alone, added up", unit=BUYERS_CURRENCY),
    Column(
        "sequence_cost",
        "amount",
        "complete cost of buying one after the other in the cheapest sequence",
        unit=BUYERS_CURRENCY,
    ),
    Column(
        "joint_saving",
        "amount",
        "separate cost minus the cost together; negative where that is more",
        unit=BUYERS_CURRENCY,
    ),
    Column("joint_share", "amount", "the model's share of the complete cost of all", unit=BUYERS_CURRENCY),
    Column("order_count", "integer", "orders in all: parcels", unit="orders"),
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
        "spares_worth",
        "amount",
        "what it would cost more without those spares, as far as plans tell",
        unit=BUYERS_CURRENCY,
    ),
)
