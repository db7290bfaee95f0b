"""All tables in the order a reader meets them, and every list of tables that code uses."""

from schemas.contract import Contract
from schemas.inputs.catalogue import CODE_MAP, COLOURS, COMBINATIONS, ELEMENT_STATUS, PARTS, STOCK_ON_HAND, SUBSTITUTES
from schemas.inputs.models import AMENDMENTS, FLEXIBLE_LINES, PARTS_LIST
from schemas.inputs.plan_files import (
    PLAN_COLOURS,
    PLAN_HANDLING,
    PLAN_NEEDS,
    PLAN_OFFERS,
    PLAN_RATES,
    PLAN_SHIPPING_STEPS,
    PLAN_TERMS,
    PLAN_WEIGHTS,
)
from schemas.inputs.price_decisions import ACCEPTED_EXPORTS, CONFIRMED_PRICES, SOURCE_CORRECTIONS, WITHDRAWN_FILES
from schemas.inputs.price_files import PRICE_EXPORT, PRICE_SUMMARY
from schemas.inputs.vendors import (
    BORDER_CHARGES,
    EXCHANGE_RATES,
    HANDLING_CHARGES,
    SHIPPING_STEPS,
    VENDOR_CLOSURES,
    VENDOR_TERMS,
    VENDORS,
)
from schemas.published.availability import ELEMENT_AVAILABILITY, MODEL_AVAILABILITY
from schemas.published.flexibility import COLOUR_FLEX_SAVING, FLEXIBILITY_COST, LOOK_FIRST, SUBSTITUTE_SAVING
from schemas.published.intake import CORRECTED_ROW, EXPORT_FINDING, INTAKE_FILE, QUARANTINED_ROW, VENDOR_EXPORT
from schemas.published.joint_orders import JOINT_ORDER, JOINT_PLAN, JOINT_SEQUENCE, JOINT_SHARE, JOINT_VENDOR
from schemas.published.makers_shop import MAKER_CHOICE, MAKER_FURTHER, MAKER_THRESHOLD
from schemas.published.over_time import (
    BUYING_TIME,
    COST_CHANGE,
    FORECAST_TRIAL,
    NIGHTLY_COST,
    PRICE_FORECAST,
    SEASONAL_PATTERN,
    VENDOR_CHANGE,
)
from schemas.published.plans import MODEL_COST, PLAN_LINE, PLAN_PURCHASE, PLAN_VENDOR, SECOND_SOURCE, UNFILLED_LINE
from schemas.published.price_history import OFFER_CONFIRMATION, OFFER_SOURCE, PRICE_HISTORY, SUSPECT_PRICE
from schemas.published.price_index import (
    ELEMENT_PRICE,
    INDEX_BAND,
    INDEX_CONTRIBUTION,
    INDEX_REVISION,
    INDEX_VINTAGE,
    PRICE_CHANGE_DISTRIBUTION,
    PRICE_INDEX,
)
from schemas.published.runs import CHECK_RESULT, INPUT_FILE, REFRESH_RUN
from schemas.published.watches import WATCH_RESULT
from schemas.published.what_if import PLAN_VARIANT, SENSITIVITY
from schemas.published.whole_costs import COPY_COST, INSTRUCTIONS_STEP, LINE_COST, WHOLE_COST

INBOX = (PRICE_EXPORT, PRICE_SUMMARY)
"""Price files dropped in inbox/."""

CATALOGUE_TABLES = (COLOURS, PARTS, SUBSTITUTES, COMBINATIONS, CODE_MAP, ELEMENT_STATUS, STOCK_ON_HAND)
VENDOR_TABLES = (
    VENDORS,
    VENDOR_TERMS,
    VENDOR_CLOSURES,
    SHIPPING_STEPS,
    HANDLING_CHARGES,
    BORDER_CHARGES,
    EXCHANGE_RATES,
)
PRICE_DECISION_TABLES = (ACCEPTED_EXPORTS, WITHDRAWN_FILES, SOURCE_CORRECTIONS, CONFIRMED_PRICES)
WORKSPACE_TABLES = (*CATALOGUE_TABLES, *VENDOR_TABLES, *PRICE_DECISION_TABLES)
"""Files tables/<name>.csv of a workspace. One that is absent counts as empty."""

MODEL_FILES = (PARTS_LIST, FLEXIBLE_LINES, AMENDMENTS)
"""Files models/<model_code>/{parts,flexible_lines,amendments}.csv."""

ALL_INPUTS = (*INBOX, *WORKSPACE_TABLES, *MODEL_FILES)
"""Everything a workspace is given as a table."""

PLAN_FILES = (
    PLAN_NEEDS,
    PLAN_OFFERS,
    PLAN_TERMS,
    PLAN_SHIPPING_STEPS,
    PLAN_HANDLING,
    PLAN_COLOURS,
    PLAN_WEIGHTS,
    PLAN_RATES,
)
"""Contracts that only `kitfare plan` has. For the two tables of substitutes it takes the workspace's own contracts."""

OPTIONAL_FILES: dict[str, Contract] = {
    "shipping_steps": PLAN_SHIPPING_STEPS,
    "handling": PLAN_HANDLING,
    "substitutes": SUBSTITUTES,
    "combinations": COMBINATIONS,
    "colours": PLAN_COLOURS,
    "weights": PLAN_WEIGHTS,
    "rates": PLAN_RATES,
}
"""Contracts of the files that `kitfare plan` may be given besides needs, offers and terms, by the name of their option."""

SAVING_CONTRACTS = (FLEXIBILITY_COST, COLOUR_FLEX_SAVING, SUBSTITUTE_SAVING, LOOK_FIRST)
SENSITIVITY_CONTRACTS = (SENSITIVITY,)
WHOLE_COST_CONTRACTS = (WHOLE_COST, INSTRUCTIONS_STEP, LINE_COST, COPY_COST)
MAKER_CONTRACTS = (MAKER_CHOICE, MAKER_THRESHOLD, MAKER_FURTHER)
JOINT_CONTRACTS = (JOINT_ORDER, JOINT_VENDOR, JOINT_PLAN, JOINT_SHARE, JOINT_SEQUENCE)

INPUT_DOMAINS: tuple[tuple[str, tuple[Contract, ...]], ...] = (
    ("Price files, in inbox/", INBOX),
    ("Catalogue, in tables/", CATALOGUE_TABLES),
    ("Vendors, in tables/", VENDOR_TABLES),
    ("Decisions about price files, in tables/", PRICE_DECISION_TABLES),
    ("Models, in models/<model_code>/", MODEL_FILES),
    ("Files of `kitfare plan`", PLAN_FILES),
)
"""Tables a user gives, by domain, in the order a reader meets them."""

PUBLISHED_DOMAINS: tuple[tuple[str, tuple[Contract, ...]], ...] = (
    ("Purchase plans", (MODEL_COST, PLAN_VENDOR, PLAN_PURCHASE, PLAN_LINE, UNFILLED_LINE, SECOND_SOURCE)),
    ("What flexibility saves", SAVING_CONTRACTS),
    ("What if", (PLAN_VARIANT, *SENSITIVITY_CONTRACTS)),
    ("Whole costs", WHOLE_COST_CONTRACTS),
    ("The maker's shop", MAKER_CONTRACTS),
    ("Joint orders", JOINT_CONTRACTS),
    ("Availability", (ELEMENT_AVAILABILITY, MODEL_AVAILABILITY)),
    (
        "Price index",
        (
            PRICE_INDEX,
            ELEMENT_PRICE,
            INDEX_BAND,
            INDEX_CONTRIBUTION,
            INDEX_VINTAGE,
            INDEX_REVISION,
            PRICE_CHANGE_DISTRIBUTION,
        ),
    ),
    (
        "Costs over time, and when to buy",
        (
            NIGHTLY_COST,
            COST_CHANGE,
            VENDOR_CHANGE,
            BUYING_TIME,
            SEASONAL_PATTERN,
            FORECAST_TRIAL,
            PRICE_FORECAST,
        ),
    ),
    ("Watches", (WATCH_RESULT,)),
    ("Price history", (PRICE_HISTORY, OFFER_CONFIRMATION, OFFER_SOURCE, SUSPECT_PRICE)),
    ("Intake", (INTAKE_FILE, VENDOR_EXPORT, EXPORT_FINDING, QUARANTINED_ROW, CORRECTED_ROW)),
    ("Refreshes", (REFRESH_RUN, INPUT_FILE, CHECK_RESULT)),
)
"""Tables of a generation, by domain, in the order a reader meets them. A workspace's own tables are published beside them."""

ALL_PUBLISHED: tuple[Contract, ...] = tuple(contract for _, tables in PUBLISHED_DOMAINS for contract in tables)

ALL_CONTRACTS: dict[str, Contract] = {
    contract.name: contract for _, tables in (*INPUT_DOMAINS, *PUBLISHED_DOMAINS) for contract in tables
}
"""Every contract by the name of its table."""
