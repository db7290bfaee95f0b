"""Price files dropped in inbox/: the only source of offers."""

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
    notes="Dropped in inbox/. Two rows with one key and different content are both quarantined.",
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
    notes="Dropped in inbox/. Prices of a market that does not name its vendors. They are used for trends and "
    "estimates, never for plans.",
)  # fmt: skip
