"""A user's decisions about price files, in tables/: what to accept, withdraw, confirm or correct."""

from schemas.contract import Contract

ACCEPTED_EXPORTS = Contract(
    name="accepted_exports",
    grain="one row per price file whose exports count though they are not plausible",
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
    notes="* is any part or colour. Of several corrections of one row, the one that names part and colour holds, "
    "then the one that names the part, then the one with the latest start. The guard states how the error is "
    "recognised: a row outside it is right as it is, and from its date on the source itself has corrected "
    "that offer. A correction without a guard needs observed_to_on.",
)  # fmt: skip

CONFIRMED_PRICES = Contract(
    name="confirmed_prices",
    grain="one row per offer and suspect price that is right",
    columns=(
        "vendor_code", "part_code", "colour_code", "condition", "listing_code", "unit_price", "valid_from_on", "reason",
    ),
    key=("vendor_code", "part_code", "colour_code", "condition", "listing_code", "unit_price"),
    optional={"condition": "new", "listing_code": "", "valid_from_on": "1900-01-01", "reason": ""},
    notes="From valid_from_on on, prices of the offer close to this one are no longer suspect. See suspect_price.",
)  # fmt: skip
