"""Columns that account for files, rows and runs."""

from schemas.contract import Column

COLUMNS = (
    Column("file_hash", "code", "SHA-256 of the file's bytes; also its address in the archive"),
    Column("file_name", "text", "name under which the file was dropped"),
    Column("table_name", "code", "table the rows belong to"),
    Column("profile_name", "code", "profile that recognised the file; empty when its columns were already ours"),
    Column("received_at", "timestamp", "when the file was first taken in", unit="UTC"),
    Column(
        "file_status",
        "code",
        "loaded; duplicate: the same bytes were taken in before; held: the file could not be read; waiting: needs "
        "`kitfare accept`; withdrawn",
        allowed=("loaded", "duplicate", "held", "waiting", "withdrawn"),
    ),
    Column(
        "export_standing",
        "code",
        "winner: the full export of its vendor and date; overlay: a partial one; superseded: another export of the vendor "
        "and date won; waiting: would close more than half of the vendor's offers",
        allowed=("winner", "overlay", "superseded", "waiting"),
    ),
    Column("read_row_count", "integer", "rows read", unit="rows"),
    Column("accepted_row_count", "integer", "rows in the history", unit="rows"),
    Column(
        "held_row_count",
        "integer",
        "rows held for mending, mended since or not, and rows of exports that wait for `kitfare accept`",
        unit="rows",
    ),
    Column(
        "superseded_row_count",
        "integer",
        "rows of exports that lost to another of the same vendor and date, and rows that lost to a mended copy",
        unit="rows",
    ),
    Column("duplicate_row_count", "integer", "rows that repeat an accepted row", unit="rows"),
    Column("withdrawn_row_count", "integer", "rows of withdrawn files", unit="rows"),
    Column("dropped_row_count", "integer", "rows dropped by a declared correction", unit="rows"),
    Column("source_line_number", "integer", "line of the file on which the row starts, from 1"),
    Column(
        "record_number",
        "integer",
        "row of the file, from 1, without the header; 0 for a file held whole",
    ),
    Column("held_column", "code", "column that failed; empty when the whole row did"),
    Column("held_value", "text", "value that failed, as the file has it"),
    Column("held_rule", "text", "rule it failed"),
    Column("what_to_do", "text", "what to do next"),
    Column("decided_on", "date", "date of the decision"),
    Column("is_mended", "flag", "a mended copy of the row, or of one it contradicts, was accepted later"),
    Column("input_path", "text", "path of an input inside the workspace"),
    Column("refresh_id", "code", "names one refresh: its date and a hash of all its inputs"),
    Column("started_at", "timestamp", "when the refresh began", unit="UTC"),
    Column("finished_at", "timestamp", "when the refresh was published", unit="UTC"),
    Column("step_name", "code", "step of the refresh"),
    Column("step_seconds", "number", "time the step took", unit="s", minimum=0),
    Column("row_count", "integer", "rows", unit="rows"),
    Column("software_version", "text", "version of kitfare"),
    Column("inputs_hash", "code", "hash of everything that shaped the published numbers"),
    Column("check_name", "code", "check that ran"),
    Column("failed_row_count", "integer", "rows the check returned: 0 is a pass", unit="rows"),
)
