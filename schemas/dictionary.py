"""The data dictionary, written from the contracts so that it cannot differ from them."""

from __future__ import annotations

from collections.abc import Iterable

from schemas.all_columns import COLUMNS
from schemas.all_tables import INPUT_DOMAINS, PUBLISHED_DOMAINS
from schemas.contract import Contract

KIND_WORDS = {
    "code": "code",
    "text": "text",
    "integer": "whole number",
    "price": "decimal, up to 6 places",
    "rate": "decimal, up to 12 places",
    "amount": "money, exact",
    "number": "number",
    "date": "date",
    "timestamp": "time, UTC",
    "month": "month",
    "flag": "true or false",
    "code_list": "codes; semicolons between",
}

_PARTS = (("Tables you give", INPUT_DOMAINS), ("Tables that kitfare publishes", PUBLISHED_DOMAINS))


def data_dictionary() -> str:
    """The whole dictionary as Markdown: every table by domain, with its grain, key, columns, units, ranges and defaults."""
    parts = [
        "# Data dictionary",
        "",
        "Written from the contracts in `schemas/` by `kitfare dictionary`; a test fails when it is stale.",
        "",
    ]
    for title, domains in _PARTS:
        parts += [f"{title}:", ""]
        parts += [f"- {domain}: {', '.join(map(_link, contracts))}" for domain, contracts in domains]
        parts += [""]
    for _, domains in _PARTS:
        for domain, contracts in domains:
            parts += [f"## {domain}", ""]
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
    cells: Iterable[str] = (f"`{name}`", KIND_WORDS[column.kind], column.description, _absence(contract, name))
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def _absence(contract: Contract, name: str) -> str:
    if name not in contract.optional:
        return "must be there"
    default = contract.optional[name]
    return f"`{default}`" if default else "empty"


def _link(contract: Contract) -> str:
    return f"[{contract.name}](#{contract.name})"


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + "."
