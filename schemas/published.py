"""Contracts of the tables in published/: what a reader may query and rely on."""

from schemas.buying import COUNTER_CONTRACTS, JOINT_CONTRACTS, SWING_CONTRACTS, WHOLE_COST_CONTRACTS
from schemas.contract import Contract
from schemas.outlook import ALL_OUTLOOK
from schemas.savings import SAVING_CONTRACTS

PLAN_KEY = ("priced_on", "model_code", "scenario_code", "buyer_code")

PRICE_HISTORY = Contract(
    name="price_history",
    grain="one row per spell of an offer's price step: the time in which nothing about it changed",
    columns=(
        "offer_id", "vendor_code", "part_code", "colour_code", "condition", "listing_code", "step_from_quantity",
        "currency_code", "unit_price", "quantity_available", "sold_in_multiples_of", "assortment_code",
        "maximum_per_order", "form_certainty", "valid_from_on", "valid_to_on", "last_confirmed_on", "confirmed_from_on",
    ),
    key=("vendor_code", "part_code", "colour_code", "condition", "listing_code", "step_from_quantity", "valid_from_on"),
    optional={"maximum_per_order": None, "valid_to_on": None, "listing_code": "", "assortment_code": ""},
    notes="confirmed_from_on and last_confirmed_on are the spell's latest run of confirmations; offer_confirmation has all.",
)  # fmt: skip

OFFER_CONFIRMATION = Contract(
    name="offer_confirmation",
    grain="one row per run of confirmations of an offer's spell",
    columns=("vendor_code", "offer_id", "confirmed_from_on", "confirmed_to_on"),
    key=("offer_id", "confirmed_from_on"),
    notes="With the winners of vendor_export it gives the latest confirmation up to any day; see the macro market_on.",
)

OFFER_SOURCE = Contract(
    name="offer_source",
    grain="one row per spell of an offer's price step: the row of a price file that opened it",
    columns=("offer_id", "step_from_quantity", "file_hash", "source_line_number", "record_number"),
    key=("offer_id", "step_from_quantity"),
    notes="The file is archive/<first two digits>/<file_hash>; vendor_export says which files confirmed it later.",
)

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
    notes="unit_price and currency_code are as received. A price that could not be one after its correction drops the row.",
)  # fmt: skip

MODEL_COST = Contract(
    name="model_cost",
    grain="one row per date, model, scenario and buyer",
    columns=(
        *PLAN_KEY, "model_title", "list_version", "copy_count", "currency_code", "plan_status", "goods", "shipping",
        "handling", "tax", "landed_cost", "unfilled_estimate", "complete_cost", "instructions_cost", "lower_bound",
        "gap_pct", "vendor_count", "element_count", "piece_count", "on_hand_piece_count", "spare_piece_count",
        "unfilled_piece_count", "unfilled_estimate_count", "oldest_offer_on", "effort",
    ),
    key=PLAN_KEY,
    optional={"oldest_offer_on": None, "instructions_cost": None},
)  # fmt: skip

PLAN_VENDOR = Contract(
    name="plan_vendor",
    grain="one row per plan, vendor ordered from and order with it",
    columns=(
        *PLAN_KEY, "vendor_code", "order_number", "vendor_name", "vendor_kind", "currency_code", "goods", "shipping", "handling", "tax",
        "landed_cost", "vendor_currency_code", "vendor_total", "exchange_rate_used", "element_count",
        "bought_piece_count",
    ),
    key=(*PLAN_KEY, "vendor_code", "order_number"),
    optional={"order_number": "1"},
    notes="A plan places one order with a vendor, or up to maximum_order_count where its terms allow more.",
)  # fmt: skip

PLAN_PURCHASE = Contract(
    name="plan_purchase",
    grain="one row per plan, order and offer bought",
    columns=(
        *PLAN_KEY, "vendor_code", "order_number", "part_code", "colour_code", "condition", "listing_code", "step_from_quantity",
        "offer_id", "bought_piece_count", "used_piece_count", "spare_piece_count", "unit_price",
        "vendor_currency_code", "purchase_value",
    ),
    key=(*PLAN_KEY, "offer_id", "order_number", "step_from_quantity"),
    optional={"order_number": "1", "listing_code": ""},
)  # fmt: skip

PLAN_LINE = Contract(
    name="plan_line",
    grain="one row per plan, portion and offer that serves it, by order; pieces from stock on hand have no vendor, and order 1",
    columns=(
        *PLAN_KEY, "line_number", "portion_number", "portion_source", "listed_part_code", "listed_colour_code",
        "colour_rule", "vendor_code", "order_number", "offer_id", "part_code", "colour_code", "condition", "listing_code",
        "make_up_code", "quantity", "unit_price", "vendor_currency_code", "is_listed_colour", "is_listed_part",
    ),
    key=(
        *PLAN_KEY, "line_number", "portion_number", "offer_id", "order_number", "make_up_code", "part_code", "colour_code",
        "condition",
    ),
    optional={
        "vendor_code": "", "order_number": "1", "offer_id": "", "listing_code": "", "make_up_code": "", "unit_price": None,
        "vendor_currency_code": None,
    },
)  # fmt: skip

UNFILLED_LINE = Contract(
    name="unfilled_line",
    grain="one row per plan and portion that could not be bought in full",
    columns=(
        *PLAN_KEY, "line_number", "portion_number", "listed_part_code", "listed_colour_code", "unfilled_piece_count",
        "estimated_unit_price", "unfilled_estimate", "estimate_basis", "what_would_help",
    ),
    key=(*PLAN_KEY, "line_number", "portion_number"),
    optional={"estimated_unit_price": None, "what_would_help": ""},
)  # fmt: skip

PLAN_VARIANT = Contract(
    name="plan_variant",
    grain="one row per plan and change to what it may do: what it would cost then",
    columns=(
        *PLAN_KEY, "variant_kind", "variant_value", "landed_cost", "unfilled_piece_count", "vendor_count",
        "variant_vendor_codes",
    ),
    key=(*PLAN_KEY, "variant_kind", "variant_value"),
    notes="Made with little effort: a variant can be bought at this cost, and a cheaper one may exist.",
)  # fmt: skip

SECOND_SOURCE = Contract(
    name="second_source",
    grain="one row per plan and portion bought: who else could fill it",
    columns=(
        *PLAN_KEY, "line_number", "portion_number", "quantity", "source_vendor_codes", "paid_unit_price", "source_count",
        "source_in_plan_count", "second_vendor_code", "second_unit_price", "is_second_in_plan",
    ),
    key=(*PLAN_KEY, "line_number", "portion_number"),
    optional={"second_vendor_code": "", "second_unit_price": None},
)  # fmt: skip

PRICE_INDEX = Contract(
    name="price_index",
    grain="one row per model, buyer, month and index method",
    columns=(
        "model_code", "buyer_code", "month", "index_method", "base_month", "index_level", "change_1_month_pct",
        "change_12_months_pct", "basket_line_count", "priced_line_count", "coverage_share", "imputed_share",
        "is_withheld",
    ),
    key=("model_code", "buyer_code", "month", "index_method"),
    optional={"index_level": None, "change_1_month_pct": None, "change_12_months_pct": None},
)  # fmt: skip

ELEMENT_PRICE = Contract(
    name="element_price",
    grain="one row per model, buyer, month and line of the parts list",
    columns=(
        "model_code", "buyer_code", "month", "line_number", "part_code", "colour_code", "quantity", "element_price",
        "is_imputed", "price_change_pct", "contribution_points", "market_vendor_count", "market_quantity",
    ),
    key=("model_code", "buyer_code", "month", "line_number"),
    optional={"element_price": None, "price_change_pct": None, "contribution_points": None},
)  # fmt: skip

INDEX_BAND = Contract(
    name="index_band",
    grain="one row per model, buyer and month that is shown: how far the index methods lie apart",
    columns=("model_code", "buyer_code", "month", "lowest_index_level", "highest_index_level", "band_reason"),
    key=("model_code", "buyer_code", "month"),
)

INDEX_CONTRIBUTION = Contract(
    name="index_contribution",
    grain="one row per model, buyer, month, months compared, view and group: the group's part of the change of lowe",
    columns=(
        "model_code", "buyer_code", "month", "change_month_count", "contribution_view", "contribution_group",
        "group_contribution_points", "contributing_line_count",
    ),
    key=("model_code", "buyer_code", "month", "change_month_count", "contribution_view", "contribution_group"),
    notes="The groups of a view add up to the change of lowe. Lines one by one are in element_price.",
)  # fmt: skip

INDEX_VINTAGE = Contract(
    name="index_vintage",
    grain="one row per model, buyer, past month and method: its level as first published, never changed afterwards",
    columns=(
        "model_code", "buyer_code", "month", "index_method", "first_published_on", "first_published_level",
        "first_published_base_month", "list_version",
    ),
    key=("model_code", "buyer_code", "month", "index_method"),
    notes="What earlier refreshes published, read from the workspace's index_vintages/.",
)  # fmt: skip

INDEX_REVISION = Contract(
    name="index_revision",
    grain="one row per model, buyer, month and method whose level differs from the one first published",
    columns=(
        "model_code", "buyer_code", "month", "index_method", "first_published_on", "first_published_level", "index_level",
        "revision_points", "revision_reason",
    ),
    key=("model_code", "buyer_code", "month", "index_method"),
    optional={"index_level": None, "revision_points": None},
    notes="Without a level where the month is withheld now.",
)  # fmt: skip

NIGHTLY_COST = Contract(
    name="nightly_cost",
    grain="one row per plan of each of the last two months' nights, as that night published it",
    columns=(*PLAN_KEY, "plan_status", "landed_cost", "unfilled_estimate", "complete_cost", "unfilled_piece_count"),
    key=PLAN_KEY,
    notes="The priced date included. Earlier nights are read from the workspace's night_costs/.",
)

COST_CHANGE = Contract(
    name="cost_change",
    grain="one row per plan, the earlier plan it is compared with, and part of the change in complete cost",
    columns=(*PLAN_KEY, "compared_on", "change_part", "cost_change", "is_break"),
    key=(*PLAN_KEY, "compared_on", "change_part"),
    notes="Consecutive month ends, the priced date last. The parts add up to the change exactly.",
)

SUSPECT_PRICE = Contract(
    name="suspect_price",
    grain="one row per spell of an offer's price step whose price stands out",
    columns=(
        "offer_id", "step_from_quantity", "vendor_code", "part_code", "colour_code", "condition", "listing_code",
        "currency_code", "unit_price", "price_from_on", "valid_from_on", "valid_to_on", "own_price", "own_ratio",
        "market_price", "market_ratio", "rival_vendor_count", "pack_size", "suspicion", "cleared_from_on",
        "wanted_piece_count", "cost_influence", "influence_rank",
    ),
    key=("offer_id", "step_from_quantity"),
    optional={
        "listing_code": "", "valid_to_on": None, "own_price": None, "own_ratio": None, "market_price": None,
        "market_ratio": None, "pack_size": None, "cleared_from_on": None, "influence_rank": None,
    },
    notes="Such offers stay in the history and out of plans and trends until the price changes or tables/confirmed_prices "
    "says that it is right.",
)  # fmt: skip

INTAKE_FILE = Contract(
    name="intake_file",
    grain="one row per file taken in",
    columns=(
        "file_hash", "file_name", "table_name", "profile_name", "received_at", "file_status", "read_row_count",
        "accepted_row_count", "held_row_count", "superseded_row_count", "duplicate_row_count", "withdrawn_row_count",
        "dropped_row_count",
    ),
    key=("file_hash",),
    optional={"table_name": "", "profile_name": ""},
)  # fmt: skip

HELD_ROW = Contract(
    name="held_row",
    grain="one row per file, record and failed rule",
    columns=(
        "file_hash", "file_name", "source_line_number", "record_number", "held_column", "held_value", "held_rule",
        "what_to_do", "is_mended",
    ),
    key=("file_hash", "record_number", "held_column", "held_rule"),
    optional={"held_column": "", "held_value": ""},
)  # fmt: skip

VENDOR_EXPORT = Contract(
    name="vendor_export",
    grain="one row per file, vendor and date",
    columns=(
        "file_hash", "vendor_code", "observed_on", "coverage", "revision_number", "export_standing", "row_count",
    ),
    key=("file_hash", "vendor_code", "observed_on"),
)  # fmt: skip

INPUT_FILE = Contract(
    name="input_file",
    grain="one row per workspace file that shaped the published numbers",
    columns=("input_path", "file_hash", "table_name", "row_count"),
    key=("input_path",),
    optional={"table_name": ""},
)

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

CHECK_RESULT = Contract(
    name="check_result",
    grain="one row per check",
    columns=("check_name", "failed_row_count"),
    key=("check_name",),
)

ALL_PUBLISHED = (
    MODEL_COST, PLAN_VENDOR, PLAN_PURCHASE, PLAN_LINE, UNFILLED_LINE, *SAVING_CONTRACTS, PLAN_VARIANT, SECOND_SOURCE,
    PRICE_INDEX, ELEMENT_PRICE, INDEX_BAND, INDEX_CONTRIBUTION, INDEX_VINTAGE, INDEX_REVISION, NIGHTLY_COST, COST_CHANGE, *ALL_OUTLOOK, *JOINT_CONTRACTS, *COUNTER_CONTRACTS, *WHOLE_COST_CONTRACTS, *SWING_CONTRACTS, PRICE_HISTORY, OFFER_CONFIRMATION, SUSPECT_PRICE, OFFER_SOURCE,
    CORRECTED_ROW, INTAKE_FILE, HELD_ROW, VENDOR_EXPORT, INPUT_FILE, REFRESH_RUN, CHECK_RESULT,
)  # fmt: skip
"""Tables of a generation, in the order a reader meets them. The workspace's own tables are published beside them."""
