"""Columns that account for files and their rows, for decisions about them, and for refreshes."""

from schemas.contract import FIRST_DAY, LAST_DAY, Column

COLUMNS = (
    Column("file_hash", "code", "SHA-256 of the file's bytes; also its address in the archive"),
    Column("file_name", "text", "name under which the file was dropped"),
    Column("table_name", "code", "table the rows belong to"),
    Column(
        "profile_name", "code", "profile that recognised the file; empty where its columns already had kitfare's names"
    ),
    Column("received_at", "timestamp", "when the file was first taken in", unit="UTC"),
    Column(
        "file_status",
        "code",
        "loaded: it was taken in; duplicate: the same bytes were taken in before; quarantined: the whole "
        "file waits, because it could not be read; waiting: it needs `kitfare accept`; withdrawn: it counts as never "
        "received",
        allowed=("loaded", "duplicate", "quarantined", "waiting", "withdrawn"),
    ),
    Column(
        "export_standing",
        "code",
        "winner: the full export that counts for its vendor and date; overlay: a partial one, added to it; "
        "superseded: another export of the vendor and date counts instead; waiting: it is not plausible, see "
        "export_finding, and counts only once it is accepted",
        allowed=("winner", "overlay", "superseded", "waiting"),
    ),
    Column("finding_rule", "code", "rule by which an export is not plausible"),
    Column(
        "export_verdict",
        "code",
        "waits: the export counts only once its file is accepted; reported: it counts, and a message names it",
        allowed=("waits", "reported"),
    ),
    Column("measured_value", "number", "what the rule measured: days, per cent, a factor, or a number of codes"),
    Column("allowed_value", "number", "the most that the rule lets pass, in the same unit"),
    Column("compared_file_hash", "code", "file of the export that it was compared with"),
    Column("compared_observed_on", "date", "date of the export that it was compared with"),
    Column("named_codes", "text", "codes that the finding names, with the nearest known ones"),
    Column("read_row_count", "integer", "rows read", unit="rows"),
    Column("accepted_row_count", "integer", "rows that count in the price history or as price summaries", unit="rows"),
    Column(
        "quarantined_row_count",
        "integer",
        "rows in quarantine, corrected since or not, and rows of exports that wait for `kitfare accept`",
        unit="rows",
    ),
    Column(
        "superseded_row_count",
        "integer",
        "rows of exports replaced by another of the same vendor and date, and rows replaced by a corrected copy",
        unit="rows",
    ),
    Column("duplicate_row_count", "integer", "rows that repeat another row of the file exactly", unit="rows"),
    Column("withdrawn_row_count", "integer", "rows of withdrawn files", unit="rows"),
    Column("dropped_row_count", "integer", "rows dropped by a declared correction", unit="rows"),
    Column("source_line_number", "integer", "line of the file on which the row starts, from 1"),
    Column(
        "record_number",
        "integer",
        "number of the row in the file, from 1, without the header; 0 where the whole file is quarantined",
    ),
    Column("quarantined_column", "code", "column that failed; empty where the whole row did"),
    Column("quarantined_value", "text", "value that failed, as it is in the file"),
    Column("quarantined_rule", "text", "rule it failed"),
    Column("what_to_do", "text", "what to do next"),
    Column("decided_on", "date", "date of the decision", minimum=FIRST_DAY, maximum=LAST_DAY),
    Column(
        "observed_from_on", "date", "first date of the exports that are corrected", minimum=FIRST_DAY, maximum=LAST_DAY
    ),
    Column(
        "observed_to_on",
        "date",
        "last date of the exports that are corrected; empty for no end",
        minimum=FIRST_DAY,
        maximum=LAST_DAY,
    ),
    Column(
        "correction_action",
        "code",
        "drop: the row counts as not listed; multiply_price: the price is multiplied by correction_factor; "
        "set_currency: the currency becomes corrected_currency_code and the amount stays",
        allowed=("drop", "multiply_price", "set_currency"),
    ),
    Column("correction_factor", "price", "what the price is multiplied by", minimum=0.000001, maximum=1_000_000),
    Column("corrected_currency_code", "code", "currency after the correction, ISO 4217", pattern="AAA"),
    Column("corrected_unit_price", "price", "price of one piece after the correction", unit="per piece"),
    Column(
        "guard_price_from", "price", "lowest price, as received, at which the error is recognised", unit="per piece"
    ),
    Column("guard_price_to", "price", "highest price, as received, at which the error is recognised", unit="per piece"),
    Column("guard_currency_code", "code", "currency, as received, by which the error is recognised", pattern="AAA"),
    Column("is_corrected", "flag", "a corrected copy of the row, or of a row it contradicts, was accepted later"),
    Column("input_path", "text", "path of an input inside the workspace"),
    Column("refresh_id", "code", "names one refresh: its date and a hash of all its inputs"),
    Column("started_at", "timestamp", "when the refresh began", unit="UTC"),
    Column("finished_at", "timestamp", "when the refresh was published", unit="UTC"),
    Column("step_name", "code", "step of the refresh"),
    Column("step_seconds", "number", "time the step took", unit="s", minimum=0),
    Column(
        "row_count",
        "integer",
        "vendor_export: rows of the export that count; input_file: rows of the file; refresh_run: rows the step made",
        unit="rows",
    ),
    Column("software_version", "text", "version of kitfare"),
    Column("inputs_hash", "code", "hash of everything that shaped the published numbers"),
    Column("check_name", "code", "check that ran"),
    Column("failed_row_count", "integer", "rows the check returned: 0 is a pass", unit="rows"),
)
