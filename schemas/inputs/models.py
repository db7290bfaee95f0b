"""The files of a model, in models/<model_code>/."""

from schemas.contract import Contract

PARTS_LIST = Contract(
    name="parts_list",
    grain="one row per version and line",
    columns=("list_version", "line_number", "part_code", "colour_code", "quantity", "section_code"),
    key=("list_version", "line_number"),
    optional={"list_version": "1", "section_code": ""},
    notes="models/<model_code>/parts.csv. Every version in full; model.toml dates the versions.",
)

FLEXIBLE_LINES = Contract(
    name="flexible_lines",
    grain="one row per line, portion and decision date",
    columns=(
        "line_number", "part_code", "colour_code", "portion_number", "quantity", "colour_rule", "accept_colour_codes", "refuse_colour_codes",
        "group_code", "near_distance", "accept_conditions", "is_load_bearing", "decided_on", "decided_by", "reason",
    ),
    key=("line_number", "part_code", "colour_code", "portion_number", "decided_on"),
    optional={
        "part_code": "", "colour_code": "", "portion_number": "1", "quantity": None, "accept_colour_codes": "", "refuse_colour_codes": "", "group_code": "",
        "near_distance": None, "accept_conditions": "new", "is_load_bearing": "true", "decided_on": "1900-01-01",
        "decided_by": "", "reason": "",
    },
    notes="models/<model_code>/flexible_lines.csv. An empty quantity takes what the line's other portions leave. A line "
    "without rows is undecided; pieces that no portion covers are as listed. part_code and colour_code: what the decision is about; it stays with them when "
    "lines get other numbers. Empty: what the line is on decided_on.",
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
