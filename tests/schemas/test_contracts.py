"""Every contract has a schema, refuses a bad row, and the dictionary in the repository is what the contracts say."""

from datetime import date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.errors import InputError
from schemas import validate
from schemas.all_columns import COLUMNS
from schemas.all_tables import ALL_CONTRACTS, ALL_PUBLISHED
from schemas.contract import Column, Contract, by_name
from schemas.dictionary import data_dictionary
from schemas.inputs.price_files import PRICE_EXPORT
from schemas.inputs.vendors import VENDOR_TERMS
from schemas.rules import POLARS_TYPES, every_rule, pandera_gate, pandera_schema
from schemas.validate import polars_schema, validate_text, validate_typed

CONTRACTS = list(ALL_CONTRACTS.values())
ROOT = Path(__file__).resolve().parents[2]

GOOD_TEXT = {
    "code": "a1", "text": "words", "integer": "3", "price": "1.25", "rate": "1.25", "amount": "1.25", "number": "0.5",
    "date": "2026-10-31", "timestamp": "2026-10-31T02:30:00", "month": "2026-10", "flag": "true", "code_list": "a;b",
}  # fmt: skip
BAD_TEXT = {
    "integer": "3.5", "price": "1,25", "rate": "1,25", "amount": "1.234567", "number": "half", "date": "31.10.2026",
    "timestamp": "yesterday", "month": "2026-13", "flag": "maybe",
}  # fmt: skip


def good_value(name: str) -> str:
    column = COLUMNS[name]
    if column.allowed:
        return column.allowed[0]
    if name.endswith("currency_code"):
        return "EUR"
    return "#A0B1C2" if column.pattern == "#RRGGBB" else GOOD_TEXT[column.kind]


def good_row(contract: Contract) -> dict[str, list[str]]:
    return {name: [good_value(name)] for name in contract.columns}


@pytest.mark.parametrize("contract", CONTRACTS, ids=lambda c: c.name)
def test_a_good_row_passes_typed(contract: Contract) -> None:
    result = validate_text(contract, pl.DataFrame(good_row(contract)), where="test.csv")
    assert result.failures.is_empty(), result.failures
    rows = result.rows.select(contract.columns)
    assert rows.schema == polars_schema(contract)
    assert validate_typed(contract, rows, where="test").height == 1


@pytest.mark.parametrize("contract", CONTRACTS, ids=lambda c: c.name)
def test_every_column_of_every_contract_refuses_a_bad_value(contract: Contract) -> None:
    tried = 0
    for name in contract.columns:
        column = COLUMNS[name]
        bad = "no such value" if column.allowed or column.pattern == "#RRGGBB" else BAD_TEXT.get(column.kind)
        bad = "ZZZ" if name.endswith("currency_code") else bad
        if bad is None:
            continue
        tried += 1
        result = validate_text(contract, pl.DataFrame({**good_row(contract), name: [bad]}), where="test.csv")
        assert result.rows.is_empty()
        assert name in result.failures["quarantined_column"].to_list()
        assert bad in result.failures["quarantined_value"].to_list()
    assert tried, "a contract without any refusable column tests nothing"


@pytest.mark.parametrize("contract", CONTRACTS, ids=lambda c: c.name)
def test_every_required_column_must_be_there_and_filled(contract: Contract) -> None:
    for name in contract.required:
        with pytest.raises(InputError, match=name):
            validate_text(contract, pl.DataFrame({k: v for k, v in good_row(contract).items() if k != name}), where="t")
        result = validate_text(contract, pl.DataFrame({**good_row(contract), name: ["  "]}), where="t")
        assert result.failures["quarantined_column"].to_list() == [name]


@pytest.mark.parametrize("contract", CONTRACTS, ids=lambda c: c.name)
def test_two_rows_with_one_key_fail_both(contract: Contract) -> None:
    twice = pl.DataFrame({name: value * 2 for name, value in good_row(contract).items()})
    assert validate_text(contract, twice, where="t").failures["record_number"].n_unique() == 2


@pytest.mark.parametrize("contract", ALL_PUBLISHED, ids=lambda c: c.name)
def test_a_typed_table_with_a_broken_rule_is_refused(contract: Contract) -> None:
    rows = validate_text(contract, pl.DataFrame(good_row(contract)), where="t").rows.select(contract.columns)
    with pytest.raises(InputError):
        validate_typed(contract, pl.concat([rows, rows]), where="twice the same key")
    for name in contract.columns:
        column = COLUMNS[name]
        if contract.may_be_empty(name):
            continue
        empty = rows.with_columns(pl.lit(None, dtype=POLARS_TYPES[column.kind]).alias(name))
        with pytest.raises(InputError):
            validate_typed(contract, empty, where=name)
        if column.allowed:
            with pytest.raises(InputError, match=name):
                validate_typed(contract, rows.with_columns(pl.lit("other").alias(name)), where=name)


def test_limits_are_inclusive_and_exact() -> None:
    frame = pl.DataFrame({**good_row(PRICE_EXPORT), "unit_price": ["0.000001"], "quantity_available": ["0"]})
    assert validate_text(PRICE_EXPORT, frame, where="t").failures.is_empty()
    for price in ("0", "-1", "1e300", "NaN", "0.0000001", "100000.000001"):
        assert validate_text(PRICE_EXPORT, frame.with_columns(unit_price=pl.lit(price)), where="t").rows.is_empty()


@pytest.mark.parametrize(
    ("text", "is_allowed"),
    [("1990-01-01", True), ("2199-12-31", True), ("2028-02-29", True), ("1989-12-31", False), ("2200-01-01", False),
     ("0000-01-01", False), ("0001-01-01", False), ("9999-12-31", False), ("10000-01-01", False), ("-2026-01-01", False),
     ("2027-02-29", False), ("+2026-01-01", False), ("\u0662026-10-31", False)],
)  # fmt: skip
def test_dates_of_prices_are_dates_that_can_be_calculated_with(text: str, is_allowed: bool) -> None:
    frame = pl.DataFrame({**good_row(PRICE_EXPORT), "observed_on": [text]})
    result = validate_text(PRICE_EXPORT, frame, where="t")
    assert result.rows.height == is_allowed
    if not is_allowed:
        assert result.failures["quarantined_column"].to_list() == ["observed_on"]
        assert result.failures["quarantined_value"].to_list() == [text]


def test_other_dates_may_stand_for_always_and_for_no_end() -> None:
    frame = pl.DataFrame(good_row(VENDOR_TERMS))
    for text, count in (("1900-01-01", 1), ("9999-12-31", 1), ("0000-01-01", 0), ("1899-12-31", 0)):
        changed = frame.with_columns(valid_from_on=pl.lit(text))
        assert validate_text(VENDOR_TERMS, changed, where="t").rows.height == count, text


def test_codes_stay_text() -> None:
    rows = validate_text(PRICE_EXPORT, pl.DataFrame({**good_row(PRICE_EXPORT), "part_code": ["00501"]}), where="t").rows
    assert rows["part_code"].to_list() == ["00501"]


def test_an_unknown_column_is_refused_by_name() -> None:
    with pytest.raises(InputError, match="unit_prise"):
        validate_text(PRICE_EXPORT, pl.DataFrame({**good_row(PRICE_EXPORT), "unit_prise": ["1"]}), where="t")


@given(st.decimals(min_value=Decimal("0.000001"), max_value=100000, places=6))
def test_prices_keep_every_digit(price: Decimal) -> None:
    frame = pl.DataFrame({**good_row(PRICE_EXPORT), "unit_price": [f"{price:f}"]})
    assert validate_text(PRICE_EXPORT, frame, where="t").rows["unit_price"].to_list() == [price]


def test_a_column_is_defined_once() -> None:
    column = Column("price", "price", "a price")
    with pytest.raises(ValueError, match="twice"):
        by_name([(column,), (column,)])


def test_every_schema_is_built_from_defined_columns() -> None:
    for contract in CONTRACTS:
        assert set(pandera_schema(contract.name).columns) == set(contract.columns)


def test_every_defined_column_is_used() -> None:
    unused = set(COLUMNS) - {name for contract in CONTRACTS for name in contract.columns}
    assert not unused, unused


def test_the_data_dictionary_is_fresh() -> None:
    written = (ROOT / "schemas" / "DICTIONARY.md").read_text(encoding="utf-8")
    assert written == data_dictionary(), "run `kitfare dictionary > schemas/DICTIONARY.md`"


def values_for(column: Column) -> list[Any]:
    """Values inside and just outside what a column allows, and nothing at all."""
    kind = POLARS_TYPES[column.kind]
    limits = [limit for limit in (column.minimum, column.maximum) if limit is not None]
    if column.kind in ("price", "rate", "amount", "number", "integer"):
        near = [0, 1, *(limit + step for limit in limits if not isinstance(limit, date) for step in (-1, 0, 1))]
        near = [value for value in near if abs(value) < 10**11]
        return [*pl.Series([str(value) for value in near]).cast(kind).to_list(), None]
    if column.kind == "date":
        ordinals = [limit.toordinal() + step for limit in limits if isinstance(limit, date) for step in (-1, 0, 1)]
        days = [date.fromordinal(min(ordinal, date.max.toordinal())) for ordinal in ordinals]
        return [date(2026, 10, 31), date.min, date.max, *days, None]
    if column.kind == "timestamp":
        return [datetime(2026, 10, 31), None]
    if column.kind == "flag":
        return [True, False, None]
    return [*column.allowed, "EUR", "XXY", "", "#A0B1C2", "#A0B1CG", "2026-10", "2026-13", None]


@pytest.mark.parametrize("contract", CONTRACTS, ids=lambda c: c.name)
def test_all_rules_at_once_refuse_the_rows_that_pandera_refuses_one_by_one(
    contract: Contract, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One row for each value of each column, everything else in it good."""
    good = validate_text(contract, pl.DataFrame(good_row(contract)), where="test.csv").rows.row(0, named=True)
    rows = [{**good, name: value} for name in contract.columns for value in values_for(COLUMNS[name])]
    frame = pl.DataFrame(rows, schema=polars_schema(contract))
    numbered = frame.with_row_index("_record", offset=1).with_columns(_line=pl.col("_record"))
    monkeypatch.setattr(validate, "_passes", lambda schema, frame: False)
    one_by_one = validate._pandera_failures(
        contract, numbered.cast(dict.fromkeys(contract.columns, pl.String)), numbered
    )
    at_once = numbered.filter(~every_rule(contract))
    assert set(at_once["_record"]) == set(one_by_one["record_number"])
    monkeypatch.undo()
    assert validate._passes(pandera_gate(contract.name), frame) == at_once.is_empty()
    assert validate._passes(pandera_gate(contract.name), frame.head(0))


def test_whole_numbers_read_quickly_are_those_of_the_pattern() -> None:
    signs, bodies = ("", "+", "-", "--", " "), ("0", "7", "007", "9" * 17, "9" * 18, "9" * 19, "0" * 20 + "1", "1_0", "1e3",
                                                "1.0", "1.5", "0x1", "", "\u0663", "1 ")  # fmt: skip
    column = COLUMNS["quantity_available"]
    for text in (sign + body for sign in signs for body in bodies):
        series = pl.Series(column.name, [text])
        general = series.to_frame().select(validate._parsing(column).alias(column.name)).to_series()
        assert validate._parsed(column, series).equals(general), text
