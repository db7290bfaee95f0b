"""Contracts of the files that ``kitfare plan`` takes: a purchase to plan, without a workspace.

Columns are those of the workspace's tables, without what a workspace needs beside them: dates, regions, names.
"""

from schemas.contract import Contract
from schemas.inputs.vendors import VENDOR_TERMS

PLAN_NEEDS = Contract(
    name="plan_needs",
    grain="one row per line and portion to buy",
    columns=(
        "line_number", "portion_number", "part_code", "colour_code", "quantity", "colour_rule", "accept_colour_codes",
        "refuse_colour_codes", "group_code", "near_distance", "flexible_quantity", "accept_conditions", "is_load_bearing",
    ),
    key=("line_number", "portion_number"),
    optional={
        "portion_number": "1", "colour_rule": "as_listed", "accept_colour_codes": "", "refuse_colour_codes": "",
        "group_code": "", "near_distance": None, "flexible_quantity": None, "accept_conditions": "new",
        "is_load_bearing": "false",
    },
    notes="`--needs`. accept_conditions may be called conditions. Without flexible_quantity all pieces follow "
    "colour_rule. Combinations and weaker substitutes are used wherever is_load_bearing is not true.",
)  # fmt: skip

PLAN_OFFERS = Contract(
    name="plan_offers",
    grain="one row per vendor, element, condition, listing and price step",
    columns=(
        "vendor_code", "part_code", "colour_code", "condition", "unit_price", "currency_code", "quantity_available",
        "listing_code", "sold_in_multiples_of", "step_from_quantity", "assortment_code", "maximum_per_order",
        "form_certainty", "step_kind",
    ),
    key=("vendor_code", "part_code", "colour_code", "condition", "listing_code", "step_from_quantity"),
    optional={
        "listing_code": "", "sold_in_multiples_of": "1", "step_from_quantity": "1", "assortment_code": "",
        "maximum_per_order": None, "form_certainty": "stated", "step_kind": "all_units",
    },
    notes="`--offers`. Rows that fail are reported and left out. Of rows with the same key all are left out, and so "
    "are all steps of an offer that differ in step_kind.",
)  # fmt: skip

_FLAT_TERMS = {
    name: default
    for name, default in VENDOR_TERMS.optional.items()
    if name not in ("buyer_region_code", "valid_from_on", "shipping_charge")
}

PLAN_TERMS = Contract(
    name="plan_terms",
    grain="one row per vendor",
    columns=(
        "vendor_code", "shipping_charge", *_FLAT_TERMS, "duty_pct", "clearance_charge", "currency_code", "closed_from_on",
        "opens_again_on",
    ),
    key=("vendor_code",),
    optional={
        **_FLAT_TERMS, "duty_pct": "0", "clearance_charge": "0", "currency_code": None, "closed_from_on": None,
        "opens_again_on": None,
    },
    notes="`--terms`. shipping_charge may be called shipping; write 0 where `--shipping-steps` are the whole "
    "charge. currency_code is that of the vendor's offers unless stated. clearance_charge is in the buyer's "
    "currency. With opens_again_on and no closed_from_on the vendor is closed until then.",
)  # fmt: skip

PLAN_SHIPPING_STEPS = Contract(
    name="plan_shipping_steps",
    grain="one row per vendor, basis and step",
    columns=("vendor_code", "step_basis", "step_from", "step_to", "step_charge"),
    key=("vendor_code", "step_basis", "step_from"),
    optional={"step_to": None},
    notes="`--shipping-steps`. Added to the flat shipping charge; beyond the last step the vendor does not ship.",
)

PLAN_HANDLING = Contract(
    name="plan_handling",
    grain="one row per vendor and assortment",
    columns=("vendor_code", "assortment_code", "handling_charge", "handling_waived_from"),
    key=("vendor_code", "assortment_code"),
    optional={"handling_waived_from": None},
    notes="`--handling`. The amounts may be called charge and waived_from.",
)

PLAN_COLOURS = Contract(
    name="plan_colours",
    grain="one row per colour",
    columns=("colour_code", "colour_name", "srgb_hex", "colour_family", "finish"),
    key=("colour_code",),
    optional={"colour_name": "", "colour_family": "", "finish": "plain"},
    notes="`--colours`. Without it the colours are those of needs and offers, all of them plain, and the rule near "
    "can't be used.",
)

PLAN_WEIGHTS = Contract(
    name="plan_weights",
    grain="one row per part",
    columns=("part_code", "weight_grams", "largest_dimension_mm", "surface", "material"),
    key=("part_code",),
    optional={"weight_grams": None, "largest_dimension_mm": None, "surface": "plain", "material": "hard"},
    notes="`--weights`. A part that is not in it counts as plain, hard and as heavy as the 95th percentile of the "
    "parts that are.",
)

PLAN_RATES = Contract(
    name="plan_rates",
    grain="one row per pair of currencies and date",
    columns=("from_currency_code", "to_currency_code", "exchange_rate", "rate_on"),
    key=("from_currency_code", "to_currency_code", "rate_on"),
    optional={"rate_on": "1900-01-01"},
    notes="`--rates`. The latest rate of a pair holds, however old. A rate in the other direction is used as well.",
)

SHORT_NAMES = {
    "shipping": "shipping_charge",
    "charge": "handling_charge",
    "waived_from": "handling_waived_from",
    "conditions": "accept_conditions",
}
"""Names a file may give these columns instead, where its contract has them: they are clear there."""
