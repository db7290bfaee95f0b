"""Contracts of everything a user gives: price files through the inbox, and the files of the workspace."""

from schemas.contract import Contract

PRICE_EXPORT = Contract(
    name="price_export",
    grain="one row per vendor, element, condition, listing and price step on a date",
    columns=(
        "vendor_code", "part_code", "colour_code", "condition", "unit_price", "currency_code", "quantity_available",
        "observed_on", "listing_code", "sold_in_multiples_of", "step_from_quantity", "assortment_code",
        "maximum_per_order", "form_certainty", "coverage", "revision_number",
    ),
    key=(
        "vendor_code", "observed_on", "part_code", "colour_code", "condition", "listing_code", "step_from_quantity",
    ),
    optional={
        "listing_code": "", "sold_in_multiples_of": "1", "step_from_quantity": "1", "assortment_code": "",
        "maximum_per_order": None, "form_certainty": "stated", "coverage": "partial", "revision_number": "0",
    },
    notes="Dropped in inbox/. Two rows with one key and different content are both held.",
)  # fmt: skip

PRICE_SUMMARY = Contract(
    name="price_summary",
    grain="one row per source, element and condition on a date",
    columns=(
        "source_code", "part_code", "colour_code", "condition", "observed_on", "currency_code", "lowest_price",
        "average_price", "quantity_available", "offer_vendor_count",
    ),
    key=("source_code", "part_code", "colour_code", "condition", "observed_on"),
    optional={"lowest_price": None, "quantity_available": None, "offer_vendor_count": None},
    notes="Dropped in inbox/. Prices of a market that does not name its vendors: for trends and estimates, never for plans.",
)  # fmt: skip

INBOX = (PRICE_EXPORT, PRICE_SUMMARY)

COLOURS = Contract(
    name="colours",
    grain="one row per colour",
    columns=("colour_code", "colour_name", "srgb_hex", "colour_family", "finish"),
    key=("colour_code",),
    optional={"finish": "plain"},
)

PARTS = Contract(
    name="parts",
    grain="one row per part",
    columns=(
        "part_code", "part_name", "part_family", "surface", "material", "weight_grams", "largest_dimension_mm",
    ),
    key=("part_code",),
    optional={
        "part_family": "", "surface": "plain", "material": "hard", "weight_grams": None, "largest_dimension_mm": None,
    },
    notes="A part that is not listed here counts as plain, hard and of unknown weight.",
)  # fmt: skip

INTERCHANGE = Contract(
    name="interchange",
    grain="one row per listed part and stand-in",
    columns=("part_code", "stand_in_part_code", "stand_in_kind", "strength", "valid_from_on", "reason"),
    key=("part_code", "stand_in_part_code", "valid_from_on"),
    optional={
        "stand_in_kind": "substitute",
        "strength": "equal",
        "valid_from_on": "1900-01-01",
        "reason": "",
    },
    notes="One-way and single hop: a stand-in's own stand-ins do not count.",
)

MAKE_UPS = Contract(
    name="make_ups",
    grain="one row per listed part, make-up and component",
    columns=(
        "part_code",
        "make_up_code",
        "component_part_code",
        "component_count",
        "valid_from_on",
        "reason",
    ),
    key=("part_code", "make_up_code", "component_part_code", "valid_from_on"),
    optional={"valid_from_on": "1900-01-01", "reason": ""},
    notes="Used only where the portion does not bear load. All components of one piece are bought in one colour.",
)

CODE_MAP = Contract(
    name="code_map",
    grain="one row per source, its part code and start date",
    columns=("source_code", "source_part_code", "part_code", "valid_from_on", "is_ambiguous"),
    key=("source_code", "source_part_code", "valid_from_on"),
    optional={"valid_from_on": "1900-01-01", "is_ambiguous": "false"},
    notes="Rows from an ambiguous code leave the form open. A source with a code map holds rows whose code is not in it.",
)

ELEMENT_STATUS = Contract(
    name="element_status",
    grain="one row per element and start date",
    columns=("part_code", "colour_code", "element_status", "valid_from_on", "reason"),
    key=("part_code", "colour_code", "valid_from_on"),
    optional={"valid_from_on": "1900-01-01", "reason": ""},
    notes="What you know of whether an element is still made. It goes beside availability; no plan looks at it.",
)

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
    notes="A vendor serves the regions it has rows for. On a date the row with the latest start holds; the buyer's own "
    "region goes before *. A parcel from a small vendor costs about 7 to ship (common practice, no source).",
)  # fmt: skip

VENDOR_CLOSURES = Contract(
    name="vendor_closures",
    grain="one row per vendor and first closed date",
    columns=("vendor_code", "closed_from_on", "opens_again_on", "reason"),
    key=("vendor_code", "closed_from_on"),
    optional={"opens_again_on": None, "reason": ""},
    notes="Holidays, removals: on these dates no plan uses the vendor. Its prices stay in history and trends.",
)

SHIPPING_STEPS = Contract(
    name="shipping_steps",
    grain="one row per vendor, buyer region, start date, basis and step",
    columns=(
        "vendor_code", "buyer_region_code", "valid_from_on", "step_basis", "step_from", "step_to", "step_charge",
    ),
    key=("vendor_code", "buyer_region_code", "valid_from_on", "step_basis", "step_from"),
    optional={"buyer_region_code": "*", "valid_from_on": "1900-01-01", "step_to": None},
    notes="Added to the flat shipping charge; steps of different bases add up; each begins where the one before "
    "ends. Beyond the last step the vendor does not ship. The waiver threshold waives all of it.",
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

STOCK_ON_HAND = Contract(
    name="stock_on_hand",
    grain="one row per element and condition",
    columns=("part_code", "colour_code", "condition", "quantity_on_hand"),
    key=("part_code", "colour_code", "condition"),
    optional={"condition": "new"},
)

EXCHANGE_RATES = Contract(
    name="exchange_rates",
    grain="one row per date and pair of currencies",
    columns=("rate_on", "from_currency_code", "to_currency_code", "exchange_rate"),
    key=("rate_on", "from_currency_code", "to_currency_code"),
)

ACCEPTED_EXPORTS = Contract(
    name="accepted_exports",
    grain="one row per export accepted though it closes more than half of its vendor's offers",
    columns=("file_hash", "decided_on", "reason"),
    key=("file_hash",),
    optional={"reason": ""},
    notes="Written by `kitfare accept`.",
)

WITHDRAWN_FILES = Contract(
    name="withdrawn_files",
    grain="one row per price file that must count as never received",
    columns=("file_hash", "decided_on", "reason"),
    key=("file_hash",),
    optional={"reason": ""},
    notes="Written by `kitfare withdraw`.",
)

CONFIRMED_PRICES = Contract(
    name="confirmed_prices",
    grain="one row per offer and price that stands out and is right all the same",
    columns=(
        "vendor_code", "part_code", "colour_code", "condition", "listing_code", "unit_price", "valid_from_on", "reason",
    ),
    key=("vendor_code", "part_code", "colour_code", "condition", "listing_code", "unit_price"),
    optional={"condition": "new", "listing_code": "", "valid_from_on": "1900-01-01", "reason": ""},
    notes="The offer's prices near this one are no longer suspect for dates from valid_from_on on. See suspect_price.",
)  # fmt: skip

SOURCE_CORRECTIONS = Contract(
    name="source_corrections",
    grain="one row per known error of a vendor's exports and its first date",
    columns=(
        "vendor_code", "part_code", "colour_code", "observed_from_on", "observed_to_on", "correction_action",
        "correction_factor", "corrected_currency_code", "guard_price_from", "guard_price_to", "guard_currency_code",
        "decided_on", "reason",
    ),
    key=("vendor_code", "part_code", "colour_code", "observed_from_on"),
    optional={
        "part_code": "*", "colour_code": "*", "observed_to_on": None, "correction_factor": None,
        "corrected_currency_code": None, "guard_price_from": None, "guard_price_to": None, "guard_currency_code": None,
    },
    notes="* is any part or colour. Of several corrections of one row that with part and colour named holds, then that with "
    "the part, then the latest start. The guard says how the error shows: a row outside of it is right as it is, and from its "
    "date on the source has mended itself for that offer. A correction without a guard needs observed_to_on.",
)  # fmt: skip

WORKSPACE_TABLES = (
    COLOURS, PARTS, INTERCHANGE, MAKE_UPS, CODE_MAP, ELEMENT_STATUS, VENDORS, VENDOR_TERMS, VENDOR_CLOSURES, SHIPPING_STEPS,
    HANDLING_CHARGES, BORDER_CHARGES, STOCK_ON_HAND, EXCHANGE_RATES, ACCEPTED_EXPORTS, WITHDRAWN_FILES, CONFIRMED_PRICES,
    SOURCE_CORRECTIONS,
)  # fmt: skip
"""Files tables/<name>.csv of a workspace; one that is absent counts as empty."""

PARTS_LIST = Contract(
    name="parts_list",
    grain="one row per version and line",
    columns=("list_version", "line_number", "part_code", "colour_code", "quantity", "section_code"),
    key=("list_version", "line_number"),
    optional={"list_version": "1", "section_code": ""},
    notes="models/<model_code>/parts.csv. Every version in full; model.toml dates the versions.",
)

FREEDOMS = Contract(
    name="freedoms",
    grain="one row per line, portion and decision date",
    columns=(
        "line_number", "portion_number", "quantity", "colour_rule", "accept_colour_codes", "refuse_colour_codes",
        "group_code", "near_distance", "accept_conditions", "is_load_bearing", "judged_on", "judged_by", "reason",
    ),
    key=("line_number", "portion_number", "judged_on"),
    optional={
        "portion_number": "1", "quantity": None, "accept_colour_codes": "", "refuse_colour_codes": "", "group_code": "",
        "near_distance": None, "accept_conditions": "new", "is_load_bearing": "true", "judged_on": "1900-01-01",
        "judged_by": "", "reason": "",
    },
    notes="models/<model_code>/freedoms.csv. An empty quantity takes what the line's other portions leave. A line without "
    "rows is unjudged; pieces no portion covers are as listed.",
)  # fmt: skip

AMENDMENTS = Contract(
    name="amendments",
    grain="one row per line and start date",
    columns=(
        "line_number", "amendment_action", "part_code", "colour_code", "quantity", "colour_rule", "valid_from_on",
        "reason",
    ),
    key=("line_number", "valid_from_on"),
    optional={"part_code": "", "colour_code": "", "colour_rule": "any", "valid_from_on": "1900-01-01", "reason": ""},
    notes="models/<model_code>/amendments.csv. An added line takes a number the parts list does not use.",
)  # fmt: skip

MODEL_FILES = (PARTS_LIST, FREEDOMS, AMENDMENTS)
"""Files models/<model_code>/{parts,freedoms,amendments}.csv."""

ALL_INPUTS = (*INBOX, *WORKSPACE_TABLES, *MODEL_FILES)
