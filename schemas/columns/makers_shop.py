"""Columns about the maker's shop: which lines to buy there, and what its thresholds ask for."""

from schemas.contract import BUYERS_CURRENCY, VENDORS_CURRENCY, Column

COLUMNS = (
    Column("counter_vendor_code", "code", "the counter"),
    Column(
        "counter_unit_price", "price", "price of a piece at the counter, with the tax on goods", unit=BUYERS_CURRENCY
    ),
    Column("elsewhere_vendor_code", "code", "independent vendor whose pieces are the cheapest elsewhere"),
    Column(
        "elsewhere_unit_price",
        "price",
        "price of a piece from independent vendors, with the tax on goods",
        unit=BUYERS_CURRENCY,
    ),
    Column(
        "counter_saving",
        "amount",
        "what the portion's goods cost less at the counter; negative where they cost more",
        unit=BUYERS_CURRENCY,
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
    Column("threshold_value", "amount", "goods value from which it holds", unit=VENDORS_CURRENCY),
    Column("spent_value", "amount", "goods value that counts towards it", unit=VENDORS_CURRENCY),
    Column("left_to_go", "amount", "goods value still missing; 0 when reached", unit=VENDORS_CURRENCY, minimum=0),
    Column("threshold_charge", "amount", "charge that goes when it is reached", unit=VENDORS_CURRENCY),
    Column("counter_goods_value", "amount", "displayed value of the mix's order at the counter", unit=BUYERS_CURRENCY),
    Column("further_spend", "amount", "goods value spent there beyond the mix's order, at least", unit=BUYERS_CURRENCY),
    Column("further_landed_cost", "amount", "landed cost of all orders then", unit=BUYERS_CURRENCY),
    Column(
        "further_cost_change",
        "amount",
        "that less the mix's landed cost; negative where it saves",
        unit=BUYERS_CURRENCY,
    ),
    Column("further_piece_count", "integer", "pieces used from the counter then", unit="pieces"),
    Column("further_unfilled_piece_count", "integer", "pieces that could not be bought then", unit="pieces"),
)
