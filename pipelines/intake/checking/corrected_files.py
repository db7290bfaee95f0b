"""How quarantined rows are written so that a user can correct them, and how the corrected file is read again.

A cell that failed gets a question mark before it, so that a file dropped back unchanged is not accepted by accident: what
is no value in the source's format may be one in ours. A cell that a spreadsheet would run as a formula, or turn into a
number or a date, gets an apostrophe before it. Reading removes one apostrophe, so that cells come back unchanged.
"""

from __future__ import annotations

import polars as pl

from pipelines.intake.checking.shape import Shaped, failures_of
from pipelines.intake.reading.readers import TextTable
from pipelines.intake.reading.tabular import BLANKS, STATED_PREFIX
from schemas.contract import Contract
from schemas.validate import FAILURE_SCHEMA, POSITION_COLUMNS

PARENT_COLUMN = "parent_file_hash"
REASON_COLUMNS = ("what_failed", "what_to_do")
ADDED_COLUMNS = (*REASON_COLUMNS, PARENT_COLUMN, "record_number", "source_line_number")
"""What a file of quarantined rows has beside our columns. The line is that of the file last read."""

PARENT_SCHEMA = pl.Schema(
    {"record_number": pl.Int64(), "parent_file_hash": pl.String(), "parent_record_number": pl.Int64()}
)

SAME_KEY_RULE = "another row has the same identity and step and different content"
ONE_STANDING_RULE = "the rows of one vendor and date must all state the same coverage and revision_number"
WHOLE_ROW_RULES = (SAME_KEY_RULE, ONE_STANDING_RULE)
"""Rules about several rows at once: dropped back unchanged they fail again, so nothing needs a mark."""

MARK = "?"
MARKED_RULE = "still has the question mark of the file of quarantined rows"
_STATED_RECORD = STATED_PREFIX + "record_number"


def is_corrected(header: tuple[str, ...]) -> bool:
    """Whether a file is one of our files of quarantined rows, dropped back."""
    return PARENT_COLUMN in header and "record_number" in header


def escaped(text: pl.Expr, is_whole_number: bool = False) -> pl.Expr:
    """Text that a spreadsheet shows as it is, digits included unless they are a whole number. Null stays null."""
    digits = "" if is_whole_number else "0-9"
    return pl.when(text.str.contains(rf"^[=+\-@?'\t\r{digits}]")).then("'" + text).otherwise(text)


def unescaped(text: pl.Expr) -> pl.Expr:
    """The text behind :func:`escaped`."""
    return text.str.strip_prefix("'")


def own_columns(table: TextTable, contract: Contract) -> tuple[TextTable, pl.DataFrame, pl.DataFrame]:
    """A corrected file without the columns and marks that were added for the user.

    Returns:
        The table in our columns, escapes and marks taken off; record_number and quarantined_column of cells that still had their
        mark; record_number, parent_file_hash and parent record number as text, null where a row states none.
    """
    stated = pl.concat([table.frame, table.ragged]).sort("record_number")
    parents = stated.select(
        "record_number",
        *(
            pl.when(text != "").then(text).alias(name)
            for name in (PARENT_COLUMN, _STATED_RECORD)
            for text in [unescaped(pl.col(name).str.strip_chars(BLANKS))]
        ),
    ).rename({_STATED_RECORD: "parent_record_number"})
    names = [name for name in table.frame.columns if name in contract.columns]
    is_marked = [
        stated.filter(pl.col(name).str.starts_with(MARK)).select("record_number", quarantined_column=pl.lit(name))
        for name in names
    ]
    marked = (
        pl.concat(is_marked)
        if is_marked
        else pl.DataFrame(schema={"record_number": pl.Int64, "quarantined_column": pl.String})
    )
    dropped = [name for name in _in_frame(ADDED_COLUMNS) if name in table.frame.columns]
    plain = [pl.col(name).str.strip_chars(BLANKS).str.strip_prefix(MARK).pipe(unescaped) for name in names]
    own = TextTable(
        **{
            **vars(table),
            "frame": table.frame.drop(dropped).with_columns(plain),
            "ragged": table.ragged.drop(dropped).with_columns(plain),
        }
    )
    return own, marked, parents


def _in_frame(names: tuple[str, ...]) -> list[str]:
    return [STATED_PREFIX + name if name in POSITION_COLUMNS else name for name in names]


def read_parents(stated: pl.DataFrame, shaped: Shaped) -> tuple[pl.DataFrame, pl.DataFrame]:
    """PARENT_SCHEMA of rows that name the row they correct, and failures of those that name it wrongly."""
    number = pl.col("parent_record_number")
    read = stated.with_columns(
        pl.when(pl.col("parent_file_hash").str.contains("^[0-9a-f]{64}$")).then("parent_file_hash").alias("hash"),
        pl.when(number.str.contains("^[1-9][0-9]{0,17}$")).then(number).cast(pl.Int64).alias("number"),
    )
    is_new = pl.col("parent_file_hash").is_null() & number.is_null()
    is_read = pl.col("hash").is_not_null() & pl.col("number").is_not_null()
    parents = read.filter(is_read).select(
        "record_number", pl.col("hash").alias("parent_file_hash"), pl.col("number").alias("parent_record_number")
    )
    unclear = shaped.frame.join(read.filter(~is_read & ~is_new), on="record_number", how="semi")
    rule = "parent_file_hash and record_number do not name the row that this one corrects"
    advice = "write them as they were in the file of quarantined rows, or leave both empty in a row that is new"
    return parents.cast(PARENT_SCHEMA), failures_of(unclear, "", rule, advice)


def marked_failures(marked: pl.DataFrame, shaped: Shaped) -> pl.DataFrame:
    """Failures of the cells that still have the question mark."""
    found = [pl.DataFrame(schema=FAILURE_SCHEMA)]
    for name in marked["quarantined_column"].unique(maintain_order=True):
        rows = shaped.frame.join(marked.filter(pl.col("quarantined_column") == name), on="record_number", how="semi")
        found.append(failures_of(rows, name, MARKED_RULE, "write the right value without the question mark"))
    return pl.concat(found)
