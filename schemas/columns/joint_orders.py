"""Columns of joint orders: several models bought together."""

from schemas.contract import BUYERS_CURRENCY, Column

COLUMNS = (
    Column("joint_order_code", "code", "a joint order of the settings"),
    Column("joint_order_title", "text", "the joint order in words"),
    Column("joint_model_codes", "code_list", "the models bought together"),
    Column(
        "separate_cost",
        "amount",
        "complete costs of the models bought each as if alone, added up",
        unit=BUYERS_CURRENCY,
    ),
    Column(
        "sequence_cost",
        "amount",
        "complete cost of buying the models one after the other, in the cheapest sequence",
        unit=BUYERS_CURRENCY,
    ),
    Column(
        "joint_saving",
        "amount",
        "separate cost minus the cost together; negative where the cost together is higher",
        unit=BUYERS_CURRENCY,
    ),
    Column("joint_share", "amount", "the model's share of the complete cost of all", unit=BUYERS_CURRENCY),
    Column("order_count", "integer", "orders placed with all vendors together, each one parcel", unit="orders"),
    Column(
        "separate_unfilled_piece_count", "integer", "unfilled pieces of the separate plans, added up", unit="pieces"
    ),
    Column(
        "sequence_unfilled_piece_count", "integer", "unfilled pieces of the cheapest sequence, added up", unit="pieces"
    ),
    Column(
        "share_method",
        "code",
        "shapley: what the model adds to the cost, on average over all orders of joining; proportional: in "
        "proportion to the separate costs",
        allowed=("shapley", "proportional"),
    ),
    Column("sequence_number", "integer", "number of the sequence, from 1 for the cheapest", minimum=1),
    Column("sequence_position", "integer", "place of the model in the sequence, from 1", minimum=1),
    Column(
        "spares_used_piece_count", "integer", "pieces it uses of the spares that earlier models left", unit="pieces"
    ),
    Column(
        "spares_worth",
        "amount",
        "how much more it would cost without those spares, as far as the plans show",
        unit=BUYERS_CURRENCY,
    ),
)
