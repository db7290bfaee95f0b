"""The one helper that checks frames against their contracts, always collected and at full depth.

Two steps. Text is parsed strictly by kind (never inferred), because a pandera coercion would round decimals without a word.
Then a pandera schema derived from the contract checks ranges, allowed values, emptiness and patterns on the collected
frame; on a LazyFrame pandera would check names and types only. Every failing row comes back with its column, value,
rule and advice; nothing is dropped.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pandera.polars as pa
import polars as pl

from pipelines.errors import InputError
from schemas.all_columns import COLUMNS
from schemas.contract import Column, Contract
from schemas.rules import POLARS_TYPES, pandera_gate, pandera_schema

POSITION_COLUMNS = ("source_line_number", "record_number")
"""Where a row stands in its file; carried through validation untouched."""

# Positions under names that no contract uses, because a table such as quarantined_row has columns of those names itself.
_POSITIONS = {"source_line_number": "_line", "record_number": "_record"}

FAILURE_SCHEMA = pl.Schema(
    {
        "source_line_number": pl.Int64(),
        "record_number": pl.Int64(),
        "quarantined_column": pl.String(),
        "quarantined_value": pl.String(),
        "quarantined_rule": pl.String(),
        "what_to_do": pl.String(),
    }
)

# A number in a file of ours, or after a profile's number format was applied: a point, no thousands separators.
_TEXT_PATTERNS = {
    "integer": r"^[+-]?\d{1,18}(\.0+)?$",
    "price": r"^[+-]?\d{1,12}(\.\d{1,6}0*)?$",
    "rate": r"^[+-]?\d{1,26}(\.\d{1,12}0*)?$",
    "amount": r"^[+-]?\d{1,14}(\.\d{1,4}0*)?$",
    "number": r"^[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?$",
    "date": r"^[1-9]\d{3}-\d{2}-\d{2}$",  # Python knows no year 0
    "timestamp": r"^[1-9]\d{3}-\d{2}-\d{2}[T ]\d{2}:\d{2}:\d{2}(\.\d{1,6})?$",
}
_WRITTEN_LIKE = {
    "integer": "a whole number such as 120",
    "price": "a number such as 0.045 with at most 6 decimals",
    "rate": "a number such as 1.0842 with at most 12 decimals",
    "amount": "a number such as 12.50 with at most 4 decimals",
    "number": "a number such as 2.5",
    "date": "a date such as 2026-10-31",
    "timestamp": "a time such as 2026-10-31T02:30:00",
    "flag": "true or false",
}
_PLAIN_DIGITS = 18
"""Characters of a whole number that is within the pattern's digits, with or without a sign."""
_FLAGS = {"true": True, "yes": True, "1": True, "false": False, "no": False, "0": False}


@dataclass(frozen=True)
class Validated:
    """The rows that pass their contract, typed, and every failure of the others."""

    rows: pl.DataFrame
    failures: pl.DataFrame


def empty_frame(contract: Contract) -> pl.DataFrame:
    """A frame with the contract's columns and types, and no rows."""
    return pl.DataFrame(schema=polars_schema(contract))


def polars_schema(contract: Contract) -> pl.Schema:
    """The contract's columns with their Polars types, in order."""
    return pl.Schema({name: POLARS_TYPES[COLUMNS[name].kind] for name in contract.columns})


def validate_text(
    contract: Contract,
    text: pl.DataFrame,
    *,
    where: str,
    unique_key: bool = True,
    allow_extra: bool = False,
    is_trimmed: bool = False,
) -> Validated:
    """Turn a frame of text into typed rows, with every failure of the rows that fail.

    Args:
        contract: what the rows must be.
        text: String columns named as in the contract; ``source_line_number`` and ``record_number`` (Int64) are
            carried along, and made by counting where absent. Surrounding blanks are cut off.
        where: file name, for errors.
        unique_key: whether rows that share a key fail (all of them).
        allow_extra: whether columns outside the contract are left out instead of refused.
        is_trimmed: whether no cell has blanks around it, so that there is nothing to cut off.

    Raises:
        InputError: a required column is missing, or there is a column the contract does not know.
    """
    present = [name for name in text.columns if name not in POSITION_COLUMNS or name in contract.columns]
    _check_columns(contract, present, where, allow_extra)
    frame = _with_positions(contract, text)
    frame, parsed = _read(contract, frame, present, is_trimmed)
    failures = [_parse_failures(contract, frame, parsed), _pandera_failures(contract, frame, parsed)]
    if unique_key:
        failures.append(_key_failures(contract, frame, parsed))
    failed = pl.concat(failures).unique(maintain_order=True).sort("record_number", maintain_order=True)
    bad = failed.select(pl.col("record_number").unique().alias("_record"))
    rows = parsed.join(bad, on="_record", how="anti", maintain_order="left") if bad.height else parsed
    return Validated(rows.select(*_position_columns(contract), *contract.columns), failed)


def validate_typed(contract: Contract, frame: pl.DataFrame, *, where: str) -> pl.DataFrame:
    """The contract's columns of a typed frame, in order, where every row passes the contract.

    Raises:
        InputError: a column is missing or of another type, a rule fails, or a key repeats; names the first rows
            by their key.
    """
    _check_columns(contract, frame.columns, where, allow_extra=True, need_all=True)
    expected = polars_schema(contract)
    chosen = frame.select(contract.columns)
    wrong = {name: chosen.schema[name] for name in contract.columns if chosen.schema[name] != expected[name]}
    if wrong:
        types = ", ".join(f"{name} is {kind}, not {expected[name]}" for name, kind in wrong.items())
        raise InputError(f"table {contract.name} has columns of another type: {types}", where=where)
    numbered = _with_positions(contract, chosen)
    as_text = numbered.select(*_POSITIONS.values(), *(pl.col(name).cast(pl.String) for name in contract.columns))
    failures = pl.concat([_pandera_failures(contract, as_text, numbered), _key_failures(contract, as_text, numbered)])
    if failures.height:

        def key_of(failure: dict[str, Any]) -> str:
            key = chosen.select(contract.key).row(failure["record_number"] - 1, named=True)
            return ", ".join(f"{name} {value}" for name, value in key.items())

        raise InputError(
            f"table {contract.name} breaks its contract in {failures['record_number'].n_unique()} rows",
            where=where,
            next_step="correct these: " + "; ".join(describe_failures(failures, 5, key_of)),
        )
    return chosen


def require_valid(contract: Contract, text: pl.DataFrame, *, where: str) -> pl.DataFrame:
    """The typed rows of a workspace file, all of which must pass: one bad row is reason enough to stop.

    Raises:
        InputError: naming the file, the first failing lines, the values and what to do.
    """
    result = validate_text(contract, text, where=where)
    if result.failures.height:
        count = result.failures["record_number"].n_unique()
        raise InputError(
            f"{count} row{'s' if count > 1 else ''} of {where} cannot be used",
            where="; ".join(describe_failures(result.failures, limit=5)),
            state="nothing was computed from this file",
            next_step="correct the rows and run the command again",
        )
    return result.rows


def _line_of(failure: dict[str, Any]) -> str:
    return f"line {failure['source_line_number']}"


def describe_failures(
    failures: pl.DataFrame, limit: int, row_of: Callable[[dict[str, Any]], str] = _line_of
) -> list[str]:
    """The first failures in words: line (or what ``row_of`` calls the row), column, value, rule, advice."""
    words = []
    for row in failures.head(limit).iter_rows(named=True):
        column = f" {row['quarantined_column']} {row['quarantined_value']!r}:" if row["quarantined_column"] else ""
        words.append(f"{row_of(row)},{column} {row['quarantined_rule']} ({row['what_to_do']})")
    if failures.height > limit:
        words.append(f"and {failures.height - limit} more")
    return words


def _check_columns(
    contract: Contract, present: list[str], where: str, allow_extra: bool, need_all: bool = False
) -> None:
    needed = contract.columns if need_all else contract.required
    missing = [name for name in needed if name not in present]
    if missing:
        raise InputError(
            f"{where} lacks the columns {', '.join(missing)} of the table {contract.name}",
            where=where,
            next_step="its columns are: " + ", ".join(present),
        )
    extra = [name for name in present if name not in contract.columns]
    if extra and not allow_extra:
        raise InputError(
            f"{where} has columns that the table {contract.name} does not know: {', '.join(extra)}",
            where=where,
            next_step=f"rename or remove them; the table's columns are: {', '.join(contract.columns)}",
        )


def _read(
    contract: Contract, frame: pl.DataFrame, present: list[str], is_trimmed: bool
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The positions with the contract's columns as text, and with what they were parsed to.

    Many columns of a file have one value in every row (a date, a currency, or the default of an absent column): those are
    read once.
    """
    texts: list[pl.Series | pl.Expr] = []
    values: list[pl.Series | pl.Expr] = []
    for name in contract.columns:
        is_alike = name not in present or has_one_value(frame[name])
        if is_alike:
            text = frame.head(1).select(_text_column(contract, name, name in present)).to_series()
        else:
            text = frame[name].cast(pl.String)
            text = text if is_trimmed else text.str.strip_chars()
            if text.null_count() or (text == "").any():
                text = text.to_frame().select(_text_column(contract, name, True)).to_series()
        value = _parsed(COLUMNS[name], text)
        texts.append(_one_for_all(text) if is_alike else text)
        values.append(_one_for_all(value) if is_alike else value)
    return frame.select(*_POSITIONS.values(), *texts), frame.select(*_POSITIONS.values(), *values)


def _one_for_all(one: pl.Series) -> pl.Expr:
    """The only value of a series in every row of a frame, which takes no memory by its rows."""
    return pl.lit(one[0] if one.len() else None, dtype=one.dtype).alias(one.name)


def has_one_value(column: pl.Series) -> bool:
    """Whether a column has the same text, or nothing, in all of its rows."""
    size = column.len()
    if not size or column.dtype != pl.String:
        return False
    first = column[0]
    if first is None:
        return column.null_count() == size
    is_same = first == column[size // 2] and first == column[-1] and not column.null_count()
    return is_same and bool((column == first).all())


def _with_positions(contract: Contract, frame: pl.DataFrame) -> pl.DataFrame:
    counted = pl.int_range(1, pl.len() + 1, dtype=pl.Int64)
    given = [name for name in POSITION_COLUMNS if name in frame.columns and name not in contract.columns]
    record = pl.col("record_number") if "record_number" in given else counted
    line = pl.col("source_line_number") if "source_line_number" in given else record + 1
    return frame.with_columns(record.alias("_record"), line.alias("_line"))


def _position_columns(contract: Contract) -> list[pl.Expr]:
    return [pl.col(own).alias(name) for name, own in _POSITIONS.items() if name not in contract.columns]


def _text_column(contract: Contract, name: str, is_present: bool) -> pl.Expr:
    default = contract.optional.get(name)
    if not is_present:
        return pl.lit(default, dtype=pl.String).alias(name)
    trimmed = pl.col(name).cast(pl.String).str.strip_chars()
    filled = pl.when(trimmed.is_null() | (trimmed == "")).then(pl.lit(default, dtype=pl.String)).otherwise(trimmed)
    return filled.alias(name)


def _parsed(column: Column, text: pl.Series) -> pl.Series:
    """The values of a column's cells; null where a cell is not written as its kind asks."""
    if column.kind in ("code", "text", "month", "code_list"):
        return text
    if column.kind == "integer" and (text.str.len_bytes().max() or 0) <= _PLAIN_DIGITS:  # type: ignore[operator]
        # Polars reads nothing but digits and a sign as a whole number; where it reads less than there is, the pattern decides.
        whole = text.cast(pl.Int64, strict=False)
        if whole.null_count() == text.null_count():
            return whole
    return text.to_frame().select(_parsing(column).alias(column.name)).to_series()


def _parsing(column: Column) -> pl.Expr:
    text = pl.col(column.name)
    if column.kind == "flag":
        return text.str.to_lowercase().replace_strict(_FLAGS, default=None, return_dtype=pl.Boolean())
    plausible = pl.when(text.str.contains(_TEXT_PATTERNS[column.kind])).then(text)
    if column.kind == "date":
        return plausible.str.to_date("%Y-%m-%d", strict=False)
    if column.kind == "timestamp":
        return plausible.str.replace("T", " ").str.to_datetime("%Y-%m-%d %H:%M:%S%.f", strict=False, time_unit="us")
    if column.kind == "integer":
        return plausible.str.replace(r"\.0+$", "").cast(pl.Int64, strict=False)
    return plausible.cast(POLARS_TYPES[column.kind], strict=False)


def _parse_failures(contract: Contract, text: pl.DataFrame, parsed: pl.DataFrame) -> pl.DataFrame:
    found = [_no_failures()]
    nothing_in_text, nothing_parsed = (frame.null_count().row(0, named=True) for frame in (text, parsed))
    for name in contract.columns:
        # What is null in the text is null in what was parsed, so equal numbers mean that nothing was lost.
        if not nothing_parsed[name] or (contract.may_be_empty(name) and nothing_parsed[name] == nothing_in_text[name]):
            continue
        column = COLUMNS[name]
        is_lost = text[name].is_not_null() & parsed[name].is_null()
        if is_lost.any():
            rule = f"not {_WRITTEN_LIKE.get(column.kind, 'readable')}"
            found.append(_failures(text, is_lost, name, rule, f"write {_WRITTEN_LIKE.get(column.kind, 'it again')}"))
        if not contract.may_be_empty(name):
            is_empty = text[name].is_null()
            if is_empty.any():
                found.append(_failures(text, is_empty, name, "must not be empty", "fill it in"))
    return pl.concat(found)


def _pandera_failures(contract: Contract, text: pl.DataFrame, typed: pl.DataFrame) -> pl.DataFrame:
    frame = typed.select(contract.columns)
    if not frame.height:
        return _no_failures()
    if frame.schema == polars_schema(contract) and _passes(pandera_gate(contract.name), frame):
        return _no_failures()
    try:
        pandera_schema(contract.name).validate(frame, lazy=True)
    except pa.errors.SchemaErrors as error:
        cases = error.failure_cases
    else:
        return _no_failures()
    structural = cases.filter(pl.col("index").is_null())
    # Emptiness has no index in pandera's report; it is found here by column, with the rows it concerns.
    found = [_no_failures()]
    for name in contract.columns:
        if not contract.may_be_empty(name) and typed.schema[name] == POLARS_TYPES[COLUMNS[name].kind]:
            is_lost = typed[name].is_null() & text[name].is_null()
            if is_lost.any():
                found.append(_failures(text, is_lost, name, "must not be empty", "fill it in"))
    unexplained = structural.filter(~pl.col("check").str.contains("not_nullable"))
    if unexplained.height:
        raise InputError(
            f"table {contract.name} does not have the columns and types of its contract",
            where=str(unexplained.to_dicts()[:3]),
        )
    for (name, rule), rows in cases.filter(pl.col("index").is_not_null()).group_by(
        "column", "check", maintain_order=True
    ):
        if "not_nullable" in str(rule):
            continue
        is_bad = pl.int_range(0, frame.height, eager=True).is_in(rows["index"].cast(pl.Int64).implode())
        rule_in_words = (
            COLUMNS[str(name)].rule if COLUMNS[str(name)].rule and str(name) != "currency_code" else str(rule)
        )
        rule_in_words = "a currency of ISO 4217 such as EUR" if str(name).endswith("currency_code") else rule_in_words
        found.append(_failures(text, is_bad, str(name), f"must be {rule_in_words}", "correct the value"))
    return pl.concat(found)


def _passes(schema: pa.DataFrameSchema, frame: pl.DataFrame) -> bool:
    try:
        schema.validate(frame, lazy=True)
    except pa.errors.SchemaErrors:
        return False
    return True


def _key_failures(contract: Contract, text: pl.DataFrame, typed: pl.DataFrame) -> pl.DataFrame:
    if not typed.height:
        return _no_failures()
    repeats = typed.select(pl.struct(contract.key).is_duplicated()).to_series()
    if not repeats.any():
        return _no_failures()
    key = ", ".join(contract.key)
    return _failures(text, repeats, contract.key[-1], f"another row has the same {key}", "keep one of the rows")


def _failures(text: pl.DataFrame, is_bad: pl.Series, name: str, rule: str, what_to_do: str) -> pl.DataFrame:
    return (
        text.filter(is_bad)
        .select(
            *(pl.col(own).alias(position) for position, own in _POSITIONS.items()),
            pl.lit(name).alias("quarantined_column"),
            pl.col(name).fill_null("").alias("quarantined_value"),
            pl.lit(rule).alias("quarantined_rule"),
            pl.lit(what_to_do).alias("what_to_do"),
        )
        .cast(FAILURE_SCHEMA)
    )


def _no_failures() -> pl.DataFrame:
    return pl.DataFrame(schema=FAILURE_SCHEMA)
