"""Files taken in, and what became of their rows."""

from schemas.contract import Contract

INTAKE_FILE = Contract(
    name="intake_file",
    grain="one row per file taken in",
    columns=(
        "file_hash", "file_name", "table_name", "profile_name", "received_at", "file_status", "read_row_count",
        "accepted_row_count", "quarantined_row_count", "superseded_row_count", "duplicate_row_count", "withdrawn_row_count",
        "dropped_row_count",
    ),
    key=("file_hash",),
    optional={"table_name": "", "profile_name": ""},
)  # fmt: skip

VENDOR_EXPORT = Contract(
    name="vendor_export",
    grain="one row per file, vendor and date",
    columns=(
        "file_hash", "vendor_code", "observed_on", "coverage", "revision_number", "export_standing", "row_count",
    ),
    key=("file_hash", "vendor_code", "observed_on"),
)  # fmt: skip

EXPORT_FINDING = Contract(
    name="export_finding",
    grain="one row per export and rule by which it was not plausible",
    columns=(
        "file_hash", "vendor_code", "observed_on", "finding_rule", "export_verdict", "measured_value", "allowed_value",
        "compared_file_hash", "compared_observed_on", "named_codes",
    ),
    key=("file_hash", "vendor_code", "observed_on", "finding_rule"),
    optional={
        "measured_value": None, "allowed_value": None, "compared_file_hash": "", "compared_observed_on": None, "named_codes": "",
    },
    notes="Recorded when the export came. An export with a finding that waits counts for nothing until its file is "
    "accepted with `kitfare accept`.",
)  # fmt: skip

QUARANTINED_ROW = Contract(
    name="quarantined_row",
    grain="one row per file, record and failed rule",
    columns=(
        "file_hash", "file_name", "source_line_number", "record_number", "quarantined_column", "quarantined_value", "quarantined_rule",
        "what_to_do", "is_corrected",
    ),
    key=("file_hash", "record_number", "quarantined_column", "quarantined_rule"),
    optional={"quarantined_column": "", "quarantined_value": ""},
)  # fmt: skip

CORRECTED_ROW = Contract(
    name="corrected_row",
    grain="one row per row of a price file that a declared correction changed or dropped",
    columns=(
        "file_hash", "record_number", "source_line_number", "vendor_code", "part_code", "colour_code", "condition",
        "listing_code", "observed_on", "correction_action", "unit_price", "currency_code", "corrected_unit_price",
        "corrected_currency_code", "reason",
    ),
    key=("file_hash", "record_number"),
    optional={"listing_code": "", "corrected_unit_price": None, "corrected_currency_code": None},
    notes="unit_price and currency_code are as received. A row whose price could not be a price after its "
    "correction is dropped.",
)  # fmt: skip
