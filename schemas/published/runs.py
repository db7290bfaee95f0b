"""The refresh itself: its steps, its inputs and its checks."""

from schemas.contract import Contract

REFRESH_RUN = Contract(
    name="refresh_run",
    grain="one row per refresh and step",
    columns=(
        "refresh_id", "priced_on", "started_at", "finished_at", "software_version", "inputs_hash", "step_name",
        "step_seconds", "row_count",
    ),
    key=("refresh_id", "step_name"),
    optional={"finished_at": None},
)  # fmt: skip

INPUT_FILE = Contract(
    name="input_file",
    grain="one row per workspace file that shaped the published numbers",
    columns=("input_path", "file_hash", "table_name", "row_count"),
    key=("input_path",),
    optional={"table_name": ""},
)

CHECK_RESULT = Contract(
    name="check_result",
    grain="one row per check",
    columns=("check_name", "failed_row_count"),
    key=("check_name",),
)
