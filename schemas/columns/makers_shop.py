"""Columns about the maker's shop: which lines to buy there, and what its thresholds require."""

from schemas.contract import BUYERS_CURRENCY, VENDORS_CURRENCY, Column

COLUMNS = (
    Column("maker_vendor_code", "code", "the maker's shop"),
    Column(
        "maker_unit_price",
        "price",
        "price of a piece at the maker's shop, with the tax on goods",
        unit=BUYERS_CURRENCY,
    ),
    Column("elsewhere_vendor_code", "code", "independent vendor whose pieces are the cheapest"),
    Column(
        "elsewhere_unit_price",
        "price",
        "price of a piece from elsewhere_vendor_code, with the tax on goods",
        unit=BUYERS_CURRENCY,
    ),
    Column(
        "maker_saving",
        "amount",
        "how much less the portion's goods cost at the maker's shop; negative where they cost more",
        unit=BUYERS_CURRENCY,
    ),
    Column(
        "maker_piece_count",
        "integer",
        "pieces that serve the portion and are bought at the maker's shop",
        unit="pieces",
    ),
    Column("is_maker_line", "flag", "the model's settings list the line in maker_lines"),
    Column(
        "threshold_kind",
        "code",
        "what changes at the threshold. minimum_order: the order is accepted; soft_minimum: the charge for "
        "small orders ends; shipping_waiver: shipping becomes free; handling_waiver: the handling charge of "
        "an assortment ends; discount: a discount begins",
        allowed=("minimum_order", "soft_minimum", "shipping_waiver", "handling_waiver", "discount"),
    ),
    Column("threshold_value", "amount", "goods value from which the change applies", unit=VENDORS_CURRENCY),
    Column(
        "spent_value", "amount", "goods value of the order that counts towards the threshold", unit=VENDORS_CURRENCY
    ),
    Column(
        "left_to_go",
        "amount",
        "goods value still missing; 0 where the threshold is reached",
        unit=VENDORS_CURRENCY,
        minimum=0,
    ),
    Column("threshold_charge", "amount", "charge that ends at the threshold", unit=VENDORS_CURRENCY),
    Column(
        "maker_goods_value",
        "amount",
        "displayed value of the order at the maker's shop in the cheapest mix",
        unit=BUYERS_CURRENCY,
    ),
    Column("further_spend", "amount", "goods value spent there beyond that order, at least", unit=BUYERS_CURRENCY),
    Column("further_landed_cost", "amount", "landed cost of all orders with that spend", unit=BUYERS_CURRENCY),
    Column(
        "further_cost_change",
        "amount",
        "further_landed_cost minus the cheapest mix's landed cost; negative where it saves",
        unit=BUYERS_CURRENCY,
    ),
    Column("further_piece_count", "integer", "pieces used from the maker's shop with that spend", unit="pieces"),
    Column("further_unfilled_piece_count", "integer", "pieces that could not be bought with that spend", unit="pieces"),
)
