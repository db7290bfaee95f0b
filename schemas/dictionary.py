"""The data dictionary, written from the contracts so that it cannot differ from them."""

from __future__ import annotations

from collections.abc import Iterable

from schemas.columns import COLUMNS
from schemas.contract import Contract
from schemas.inputs import INBOX, MODEL_FILES, WORKSPACE_TABLES
from schemas.plan_files import PLAN_FILES
from schemas.published import ALL_PUBLISHED

KIND_WORDS = {
    "code": "code",
    "text": "text",
    "integer": "whole number",
    "price": "decimal, up to 6 places",
    "amount": "money, exact",
    "number": "number",
    "date": "date",
    "timestamp": "time, UTC",
    "month": "month",
    "flag": "true or false",
    "code_list": "codes; semicolons between",
}

GROUPS: tuple[tuple[str, tuple[Contract, ...]], ...] = (
    ("Files dropped in inbox/", INBOX),
    ("Files in tables/", WORKSPACE_TABLES),
    ("Files in models/<model_code>/", MODEL_FILES),
    ("Files of `kitfare plan`", PLAN_FILES),
    ("Published tables", ALL_PUBLISHED),
)


def data_dictionary() -> str:
    """The whole dictionary as Markdown: every table with its grain, key, columns, units, ranges and defaults."""
    parts = [
        "# Data dictionary",
        "",
        "Written from the contracts in `schemas/` by `kitfare dictionary`; a test fails when it is stale.",
        "",
    ]
    for title, contracts in GROUPS:
        parts += [f"## {title}", ""]
        for contract in contracts:
            parts += table_section(contract)
    return "\n".join(parts).rstrip() + "\n"


def table_section(contract: Contract) -> list[str]:
    """One table as Markdown lines."""
    lines = [f"### {contract.name}", "", f"{_sentence(contract.grain)} Key: {', '.join(contract.key)}."]
    if contract.notes:
        lines[-1] += f" {contract.notes}"
    lines += ["", "| column | kind | meaning | if left out |", "| --- | --- | --- | --- |"]
    lines += [_column_row(contract, name) for name in contract.columns]
    return [*lines, ""]


def _column_row(contract: Contract, name: str) -> str:
    column = COLUMNS[name]
    meaning = "; ".join(filter(None, (column.meaning, column.unit and f"in {column.unit}", column.rule)))
    cells: Iterable[str] = (f"`{name}`", KIND_WORDS[column.kind], meaning, _absence(contract, name))
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def _absence(contract: Contract, name: str) -> str:
    if name not in contract.optional:
        return "must be there"
    default = contract.optional[name]
    return f"`{default}`" if default else "empty"


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + "."
