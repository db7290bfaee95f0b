"""Every contract and every column is listed once."""

import importlib
from pathlib import Path

import pytest

from schemas.all_columns import COLUMNS
from schemas.all_tables import ALL_CONTRACTS, ALL_INPUTS, ALL_PUBLISHED, INPUT_DOMAINS, PLAN_FILES, PUBLISHED_DOMAINS
from schemas.contract import Contract

SCHEMAS = Path(__file__).resolve().parents[2] / "schemas"
MODULES = [
    ".".join(path.relative_to(SCHEMAS.parent).with_suffix("").parts)
    for path in sorted(SCHEMAS.rglob("*.py"))
    if path.name != "__init__.py"
]


def room_of(module: str) -> str:
    return ".".join(module.split(".")[:2])


def contracts_of(room: str) -> list[Contract]:
    names = [name for name in MODULES if room_of(name) == f"schemas.{room}"]
    return [
        each for name in names for each in vars(importlib.import_module(name)).values() if isinstance(each, Contract)
    ]


@pytest.mark.parametrize(
    ("room", "listed"),
    [("inputs", (*ALL_INPUTS, *PLAN_FILES)), ("published", ALL_PUBLISHED)],
    ids=["inputs", "published"],
)
def test_every_contract_of_a_room_is_listed_once(room: str, listed: tuple[Contract, ...]) -> None:
    names = [contract.name for contract in listed]
    assert len(names) == len(set(names))
    assert {contract.name for contract in contracts_of(room)} == set(names)


def test_every_contract_is_in_one_domain() -> None:
    named = [contract.name for _, tables in (*INPUT_DOMAINS, *PUBLISHED_DOMAINS) for contract in tables]
    assert named == list(ALL_CONTRACTS)
    assert {contract.name for contract in (*ALL_INPUTS, *PLAN_FILES, *ALL_PUBLISHED)} == set(named)


def test_every_column_of_every_domain_is_listed() -> None:
    modules = [importlib.import_module(name) for name in MODULES if room_of(name) == "schemas.columns"]
    assert {column.name for module in modules for column in module.COLUMNS} == set(COLUMNS)


@pytest.mark.parametrize("contract", ALL_CONTRACTS.values(), ids=lambda contract: contract.name)
def test_a_contract_says_what_a_row_is(contract: Contract) -> None:
    assert contract.grain.startswith("one row per ")
