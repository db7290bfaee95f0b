"""The catalogue in tables/: colours, parts, what may replace a part, and the stock on hand."""

from schemas.contract import Contract

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

SUBSTITUTES = Contract(
    name="substitutes",
    grain="one row per listed part, its substitute and start date",
    columns=("part_code", "substitute_part_code", "substitute_kind", "strength", "valid_from_on", "reason"),
    key=("part_code", "substitute_part_code", "valid_from_on"),
    optional={
        "substitute_kind": "other_form",
        "strength": "equal",
        "valid_from_on": "1900-01-01",
        "reason": "",
    },
    notes="One-way and single hop: a substitute's own substitutes do not count.",
)

COMBINATIONS = Contract(
    name="combinations",
    grain="one row per listed part, combination, component and start date",
    columns=(
        "part_code",
        "combination_code",
        "component_part_code",
        "component_count",
        "valid_from_on",
        "reason",
    ),
    key=("part_code", "combination_code", "component_part_code", "valid_from_on"),
    optional={"valid_from_on": "1900-01-01", "reason": ""},
    notes="Used only where the portion bears no load. All components of one piece are bought in one colour.",
)

CODE_MAP = Contract(
    name="code_map",
    grain="one row per source, its part code and start date",
    columns=("source_code", "source_part_code", "part_code", "valid_from_on", "is_ambiguous"),
    key=("source_code", "source_part_code", "valid_from_on"),
    optional={"valid_from_on": "1900-01-01", "is_ambiguous": "false"},
    notes="Offers under an ambiguous code leave the form open. Where a source has a code map, rows whose code is "
    "not in it are quarantined. Several codes with one part and one valid_from_on are several listings: from the second one "
    "on, the source's code is the listing_code, unless the file has one. A new number in place of an old one has a later "
    "valid_from_on; the offer then goes on.",
)

ELEMENT_STATUS = Contract(
    name="element_status",
    grain="one row per element and start date",
    columns=("part_code", "colour_code", "element_status", "valid_from_on", "reason"),
    key=("part_code", "colour_code", "valid_from_on"),
    optional={"valid_from_on": "1900-01-01", "reason": ""},
    notes="What you know of whether an element is still made. It is shown beside availability; no plan uses it.",
)

STOCK_ON_HAND = Contract(
    name="stock_on_hand",
    grain="one row per element and condition",
    columns=("part_code", "colour_code", "condition", "quantity_on_hand"),
    key=("part_code", "colour_code", "condition"),
    optional={"condition": "new"},
)
