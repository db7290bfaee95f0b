"""Vendors in tables/: their terms and charges, charges at a border, and exchange rates."""

from schemas.contract import Contract

VENDORS = Contract(
    name="vendors",
    grain="one row per vendor",
    columns=("vendor_code", "vendor_name", "vendor_kind", "vendor_region_code", "currency_code"),
    key=("vendor_code",),
    optional={"vendor_kind": "independent"},
)

VENDOR_TERMS = Contract(
    name="vendor_terms",
    grain="one row per vendor, buyer region and start date",
    columns=(
        "vendor_code", "buyer_region_code", "valid_from_on", "shipping_charge", "shipping_waived_from",
        "minimum_order", "soft_minimum", "soft_minimum_charge", "minimum_line_value", "order_fee", "order_fee_pct",
        "discount_from", "discount_pct", "tax_rate_pct", "tax_on", "maximum_element_count", "maximum_piece_count",
        "maximum_order_count",
    ),
    key=("vendor_code", "buyer_region_code", "valid_from_on"),
    optional={
        "buyer_region_code": "*", "valid_from_on": "1900-01-01", "shipping_charge": "7", "shipping_waived_from": None,
        "minimum_order": "0", "soft_minimum": "0", "soft_minimum_charge": "0", "minimum_line_value": "0",
        "order_fee": "0", "order_fee_pct": "0", "discount_from": "0", "discount_pct": "0", "tax_rate_pct": "0",
        "tax_on": "goods", "maximum_element_count": None, "maximum_piece_count": None, "maximum_order_count": "1",
    },
    notes="A vendor serves the regions it has rows for. On a date the row with the latest start holds; a row for "
    "the buyer's own region is used before one for *. A parcel from a small vendor costs about 7 to ship "
    "(common practice, no source).",
)  # fmt: skip

VENDOR_CLOSURES = Contract(
    name="vendor_closures",
    grain="one row per vendor and first closed date",
    columns=("vendor_code", "closed_from_on", "opens_again_on", "reason"),
    key=("vendor_code", "closed_from_on"),
    optional={"opens_again_on": None, "reason": ""},
    notes="Holidays or a move, for example. On these dates no plan uses the vendor. Its prices stay in history and "
    "trends.",
)

SHIPPING_STEPS = Contract(
    name="shipping_steps",
    grain="one row per vendor, buyer region, start date, basis and step",
    columns=(
        "vendor_code", "buyer_region_code", "valid_from_on", "step_basis", "step_from", "step_to", "step_charge",
    ),
    key=("vendor_code", "buyer_region_code", "valid_from_on", "step_basis", "step_from"),
    optional={"buyer_region_code": "*", "valid_from_on": "1900-01-01", "step_to": None},
    notes="Added to the flat shipping charge. Steps of different bases add up. Each step begins where the one "
    "before it ends. Beyond the last step the vendor does not ship. Where shipping is waived, all of it is.",
)  # fmt: skip

HANDLING_CHARGES = Contract(
    name="handling_charges",
    grain="one row per vendor, assortment and start date",
    columns=("vendor_code", "assortment_code", "valid_from_on", "handling_charge", "handling_waived_from"),
    key=("vendor_code", "assortment_code", "valid_from_on"),
    optional={"valid_from_on": "1900-01-01", "handling_waived_from": None},
)

BORDER_CHARGES = Contract(
    name="border_charges",
    grain="one row per pair of regions, start date and goods value step",
    columns=(
        "buyer_region_code", "vendor_region_code", "valid_from_on", "currency_code", "goods_from", "duty_pct",
        "clearance_charge",
    ),
    key=("buyer_region_code", "vendor_region_code", "valid_from_on", "goods_from"),
    optional={"valid_from_on": "1900-01-01", "goods_from": "0", "duty_pct": "0", "clearance_charge": "0"},
    notes="currency_code is the buyer's. The step with the highest goods_from that the order reaches holds.",
)  # fmt: skip

EXCHANGE_RATES = Contract(
    name="exchange_rates",
    grain="one row per date and pair of currencies",
    columns=("rate_on", "from_currency_code", "to_currency_code", "exchange_rate"),
    key=("rate_on", "from_currency_code", "to_currency_code"),
)
