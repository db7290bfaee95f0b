"""A contract's rules as pandera schemas: each by itself, to find which one a row breaks, and all in one, to see whether any is broken."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import Any

import pandera.polars as pa
import polars as pl

from schemas.all_columns import COLUMNS
from schemas.all_tables import ALL_CONTRACTS
from schemas.contract import Column, Contract

POLARS_TYPES: dict[str, pl.DataType] = {
    "code": pl.String(),
    "text": pl.String(),
    "integer": pl.Int64(),
    "price": pl.Decimal(18, 6),
    "rate": pl.Decimal(38, 12),
    "amount": pl.Decimal(18, 4),
    "number": pl.Float64(),
    "date": pl.Date(),
    "timestamp": pl.Datetime("us"),
    "month": pl.String(),
    "flag": pl.Boolean(),
    "code_list": pl.String(),
}


@cache
def pandera_schema(contract_name: str) -> pa.DataFrameSchema:
    """The pandera schema of a contract, by its name."""
    contract = ALL_CONTRACTS[contract_name]
    return pa.DataFrameSchema(
        {name: _pandera_column(COLUMNS[name], contract.may_be_empty(name)) for name in contract.columns},
        strict="filter",
        name=contract.name,
    )


@cache
def pandera_gate(contract_name: str) -> pa.DataFrameSchema:
    """All rules of a contract's values as a single check: passes exactly the typed frames that ``pandera_schema`` passes.

    Pandera looks at a frame several times for each column and each check, which for a small file takes longer than reading it.
    So the rules are asked all at once, and one by one only for a frame that breaks one.
    """
    contract = ALL_CONTRACTS[contract_name]
    return pa.DataFrameSchema(
        checks=pa.Check(lambda data: data.lazyframe.select(every_rule(contract)), error="every rule"),
        name=contract.name,
    )


def every_rule(contract: Contract) -> pl.Expr:
    """Whether a row of a typed frame keeps to all rules of its columns."""
    kept = [pl.lit(True)]
    for name in contract.columns:
        may_be_empty = contract.may_be_empty(name)
        kept += [rule.holds(pl.col(name)).fill_null(True) for rule in _rules_of(COLUMNS[name], may_be_empty)]
        kept += [] if may_be_empty else [pl.col(name).is_not_null()]
    return pl.all_horizontal(kept)


@dataclass(frozen=True)
class _Rule:
    """What a value must keep to, as an expression of its column (null where the value is), and in words."""

    holds: Callable[[pl.Expr], pl.Expr]
    words: str

    def check(self) -> pa.Check:
        """The rule for one column."""
        return pa.Check(lambda data: data.lazyframe.select(self.holds(pl.col(data.key))), error=self.words)


def _rules_of(column: Column, may_be_empty: bool) -> list[_Rule]:
    rules = []
    if column.allowed:
        rules.append(_Rule(_one_of(list(column.allowed)), column.rule))
    if column.minimum is not None:
        least = _typed_limit(column, column.minimum)
        rules.append(_Rule(lambda value: value >= least, column.rule))
    if column.maximum is not None:
        most = _typed_limit(column, column.maximum)
        rules.append(_Rule(lambda value: value <= most, column.rule))
    if column.name.endswith("currency_code"):
        rules.append(_Rule(_one_of(_currencies(may_be_empty)), "a currency of ISO 4217 such as EUR"))
    if column.pattern == "#RRGGBB":
        rules.append(_Rule(_matches(r"^#[0-9A-Fa-f]{6}$"), "written like #A0B1C2"))
    if column.kind == "month":
        rules.append(_Rule(_matches(r"^(19[0-9]|2[01][0-9])[0-9]-(0[1-9]|1[0-2])$"), "a month such as 2026-10"))
    return rules


def _one_of(allowed: list[str]) -> Callable[[pl.Expr], pl.Expr]:
    return lambda value: value.is_in(allowed)


def _matches(pattern: str) -> Callable[[pl.Expr], pl.Expr]:
    return lambda value: value.str.contains(pattern)


def _pandera_column(column: Column, may_be_empty: bool) -> pa.Column:
    checks = [rule.check() for rule in _rules_of(column, may_be_empty)]
    return pa.Column(POLARS_TYPES[column.kind], checks=checks, nullable=may_be_empty)


@cache
def _currencies(or_empty: bool) -> list[str]:
    from iso4217 import Currency

    codes = [currency.code for currency in Currency if currency.exponent is not None]
    return [*codes, ""] if or_empty else codes


def _typed_limit(column: Column, limit: float | date) -> Any:
    from decimal import Decimal

    return Decimal(str(limit)) if column.kind in ("price", "rate", "amount") else limit
