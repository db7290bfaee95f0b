"""From a file's columns to ours, still as text: renames, constants, value maps, numbers, dates, packs and part codes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from pipelines.errors import InputError
from pipelines.intake.profiles.profiles import Profile
from pipelines.intake.reading import formats
from pipelines.intake.reading.formats import date_in_file_name
from pipelines.intake.reading.readers import TextTable
from pipelines.intake.reading.tabular import BLANKS, STATED_PREFIX
from schemas.all_columns import COLUMNS
from schemas.contract import Contract
from schemas.validate import FAILURE_SCHEMA, POSITION_COLUMNS, has_one_value

_NUMERIC = ("integer", "price", "amount", "number")
_PRICES = ("unit_price", "lowest_price", "average_price")
_QUANTITIES = ("quantity_available", "step_from_quantity", "maximum_per_order", "sold_in_multiples_of")
_SIZE = "_pack_size"


@dataclass(frozen=True)
class Shaped:
    """A file's rows in our columns.

    Args:
        frame: all rows (ragged ones too, as far as their cells go) in order: positions, then contract columns as text, blanks
            cut off, empty cells null. A value that failed is as in the file.
        failures: FAILURE_SCHEMA, of ragged rows and of values that do not fit the profile.
        ragged: record numbers of ragged rows.
        unmapped: record numbers of rows whose part code the code map does not know.
        is_trimmed: whether no cell has blanks of any kind around it, so that no other step must look.
    """

    frame: pl.DataFrame
    failures: pl.DataFrame
    ragged: pl.Series
    unmapped: pl.Series
    is_trimmed: bool = False


def shape(
    table: TextTable, contract: Contract, profile: Profile | None, code_map: pl.DataFrame, file_name: str
) -> Shaped:
    """Bring a file's rows into the contract's columns.

    Args:
        table: the file as text.
        contract: what its rows should become.
        profile: how its source writes them; None for a file in our own columns.
        code_map: the table code_map, typed.
        file_name: may hold the date, and names the file in errors.

    Raises:
        InputError: a column that the profile names is not there, or the file name has no date; the file is quarantined whole.
    """
    rows = pl.concat([table.frame, table.ragged]).sort("record_number") if table.ragged.height else table.frame
    failures = [table.problems]
    unmapped = pl.Series("record_number", [], dtype=pl.Int64)
    if profile is None:
        names = _named_or_filled(rows)
        frame = _trimmed_rows(rows, names) if table.has_blanks else _filled_rows(rows, names)
    else:
        shaper = _Shaper(rows, contract, profile, file_name)
        shaper.map_values()
        shaper.read_numbers_and_dates()
        shaper.divide_packs()
        if profile.use_code_map:
            unmapped = shaper.map_codes(code_map)
        frame = shaper.frame.select(*POSITION_COLUMNS, *(n for n in contract.columns if n in shaper.frame.columns))
        failures += shaper.failures
    return Shaped(
        frame, pl.concat(failures), table.ragged["record_number"], unmapped, profile is None and not table.has_blanks
    )


class _Shaper:
    """Applies one profile, step by step; ``frame`` has our columns, ``failures`` what did not fit so far."""

    def __init__(self, rows: pl.DataFrame, contract: Contract, profile: Profile, file_name: str) -> None:
        self.profile = profile
        self.failures: list[pl.DataFrame] = []
        fixed = _fixed_values(profile, contract, file_name)
        sources = {name: name for name in contract.columns if _in_frame(name) in rows.columns and name not in fixed}
        sources.update(profile.columns)
        needed = dict(sources)
        if profile.pack and profile.pack.size_column:
            needed[_SIZE] = profile.pack.size_column
        absent = sorted({theirs for theirs in needed.values() if _in_frame(theirs) not in rows.columns})
        if absent:
            raise InputError(
                f"the file lacks columns that the profile {profile.profile_name} names: {', '.join(absent)}",
                where=file_name,
                state="the file is quarantined whole",
                next_step=f"correct the profile; the file's columns are: {', '.join(_header(rows))}",
            )
        self.from_file = [name for name in contract.columns if name in sources]
        self.frame = rows.select(
            *POSITION_COLUMNS,
            *(_trimmed(_in_frame(theirs)).alias(ours) for ours, theirs in needed.items()),
            *(pl.lit(value, dtype=pl.String).alias(name) for name, value in fixed.items()),
        )
        self._is_mapped: dict[str, pl.Series] = {}
        self._is_lost: dict[str, pl.Series] = {}

    def map_values(self) -> None:
        """Replace values by the profile's value maps; a code or word that is not named there fails."""
        for name, mapping in self.profile.values.items():
            if name not in self.from_file:
                continue
            text = self.frame[name].fill_null("") if "" in mapping else self.frame[name]
            mapped = text.replace_strict(list(mapping), list(mapping.values()), default=None, return_dtype=pl.String)
            is_mapped = mapped.is_not_null()
            if COLUMNS[name].kind not in (*_NUMERIC, "date"):
                advice = f"add it under [values.{name}] in the profile {self.profile.profile_name}; in a quarantined row write our value"
                self._fail(name, text.is_not_null() & ~is_mapped, "is not among the values the profile names", advice)
            self.frame = self.frame.with_columns(
                pl.select(pl.coalesce(mapped, self.frame[name])).to_series().alias(name)
            )
            self._is_mapped[name] = is_mapped

    def read_numbers_and_dates(self) -> None:
        """Bring numbers and dates into our format; a value in another format than the profile states fails."""
        profile = self.profile
        writing = (profile.numbers.decimal, profile.numbers.thousands)
        example = formats.number_example(*writing)
        for name in [*self.from_file, *([_SIZE] if _SIZE in self.frame.columns else [])]:
            kind = "integer" if name == _SIZE else COLUMNS[name].kind
            if kind in _NUMERIC:
                read = formats.number(pl.col(name), *writing)
                rule = f"is not a number written like {example}"
                advice = "if all are written so, correct [numbers] in the profile; in a quarantined row write it like 1234.56"
            elif kind == "date":
                read = formats.iso_date(pl.col(name), profile.date_format)
                rule = f"is not a date written like {profile.date_format}"
                advice = "if all are written so, correct date_format in the profile; in a quarantined row write it like 2026-10-31"
            else:
                continue
            if name == _SIZE:
                self.frame = self.frame.with_columns(read.alias(name))
            else:
                self._replace(name, read, rule, advice)

    def _replace(self, name: str, read: pl.Expr, rule: str, advice: str) -> None:
        ours = self._is_mapped.get(name)
        value = self.frame.select(read.alias(name)).to_series()
        if ours is not None:
            value = pl.select(pl.when(ours).then(self.frame[name]).otherwise(value)).to_series().alias(name)
        is_lost = self.frame[name].is_not_null() & value.is_null()
        self._is_lost[name] = is_lost
        self._fail(name, is_lost, rule, advice)
        self.frame = self.frame.with_columns(pl.select(pl.coalesce(value, self.frame[name])).to_series().alias(name))

    def divide_packs(self) -> None:
        """Turn prices per pack into prices per piece, and packs into pieces where quantities count packs."""
        pack = self.profile.pack
        if pack is None:
            return
        size = pl.lit(pack.size, dtype=pl.Int64) if pack.size_column is None else formats.pack_size(pl.col(_SIZE))
        self.frame = self.frame.with_columns(size.alias(_SIZE))
        has_size = self.frame[_SIZE].is_not_null()
        for name in (name for name in _PRICES if name in self.from_file):
            rule = f"has no pack size in the column {pack.size_column}: a whole number of at least 1"
            self._fail(
                name,
                self.frame[name].is_not_null() & ~has_size,
                rule,
                "in a quarantined row write the price of one piece",
            )
            divided = formats.price_per_piece(self._read(name), pl.col(_SIZE))
            # What is no price stays, for the contract to refuse; a price of an unknown pack must not pass for one of a piece.
            kept = pl.when(pl.col(_SIZE).is_not_null()).then(pl.coalesce(divided, pl.col(name)))
            self.frame = self.frame.with_columns(kept.alias(name))
        if pack.quantities_in == "packs":
            for name in (name for name in _QUANTITIES if name in self.frame.columns):
                times = formats.times_pack(self._read(name), pl.col(_SIZE))
                self.frame = self.frame.with_columns(pl.coalesce(times, pl.col(name)).alias(name))
            one_pack = pl.col(_SIZE).cast(pl.String)
            if "sold_in_multiples_of" in self.frame.columns:
                one_pack = pl.coalesce("sold_in_multiples_of", one_pack)
            self.frame = self.frame.with_columns(one_pack.alias("sold_in_multiples_of"))

    def _read(self, name: str) -> pl.Expr:
        """A column without the values that failed: they stay as the file has them."""
        return pl.when(~self._is_lost[name]).then(pl.col(name)) if name in self._is_lost else pl.col(name)

    def map_codes(self, code_map: pl.DataFrame) -> pl.Series:
        """Translate part codes by the code map as of each row's date; returns the records whose code it does not know.

        Where several codes of the source are one part of ours from one date on, only the first may go without a listing code; the
        others are its own, so that two offers of one file do not pass for one.
        """
        source = self.profile.source_code
        known = code_map.filter(pl.col("source_code") == source).select(
            pl.col("source_part_code").alias("part_code"),
            pl.col("part_code").alias("_ours"),
            "is_ambiguous",
            pl.col("valid_from_on").alias("_day"),
            (pl.col("source_part_code") != pl.col("source_part_code").min().over("part_code", "valid_from_on")).alias(
                "_is_further"
            ),
        )
        dated = self.frame.with_columns(pl.col("observed_on").str.to_date("%Y-%m-%d", strict=False).alias("_day"))
        joined = (
            dated.sort("_day", nulls_last=True)
            .join_asof(known.sort("_day"), on="_day", by="part_code", strategy="backward", check_sortedness=False)
            .sort("record_number")
        )
        is_unmapped = joined["part_code"].is_not_null() & joined["_ours"].is_null()
        is_unknown = is_unmapped & joined["_day"].is_not_null()
        advice = "for the files to come add it to tables/code_map; in a quarantined row write our part code"
        self._fail("part_code", is_unknown, f"is not in the code map of source {source} on that date", advice)
        # Otherwise correcting the date alone would let the source's code pass for one of ours.
        undated = f"cannot be looked up in the code map of source {source}, because the date cannot be read"
        self._fail("part_code", is_unmapped & ~is_unknown, undated, "in a quarantined row write our part code")
        mapped = joined.with_columns(pl.coalesce("_ours", "part_code").alias("part_code"))
        if "listing_code" in self.profile.contract.columns and known["_is_further"].any():
            stated = pl.col("listing_code") if "listing_code" in joined.columns else pl.lit(None, dtype=pl.String)
            own = pl.when(pl.col("_is_further")).then(joined["part_code"])
            mapped = mapped.with_columns(pl.coalesce(stated, own).alias("listing_code"))
        if "form_certainty" in self.profile.contract.columns:
            stated = pl.col("form_certainty") if "form_certainty" in joined.columns else pl.lit(None, dtype=pl.String)
            leaves_open = pl.when(pl.col("is_ambiguous").fill_null(False)).then(pl.lit("open")).otherwise(stated)
            mapped = mapped.with_columns(leaves_open.alias("form_certainty"))
        self.frame = mapped.drop("_ours", "is_ambiguous", "_day", "_is_further")
        return joined.filter(is_unknown)["record_number"]

    def _fail(self, name: str, is_bad: pl.Series, rule: str, what_to_do: str) -> None:
        if is_bad.any():
            self.failures.append(failures_of(self.frame.filter(is_bad), name, rule, what_to_do))


def failures_of(rows: pl.DataFrame, name: str, rule: str, what_to_do: str) -> pl.DataFrame:
    """One failure (FAILURE_SCHEMA) per row, about one of its columns, or about all of it if ``name`` is empty."""
    value = pl.col(name).fill_null("") if name else pl.lit("")
    return rows.select(
        *POSITION_COLUMNS,
        pl.lit(name).alias("quarantined_column"),
        value.alias("quarantined_value"),
        pl.lit(rule).alias("quarantined_rule"),
        pl.lit(what_to_do).alias("what_to_do"),
    ).cast(FAILURE_SCHEMA)


def _fixed_values(profile: Profile, contract: Contract, file_name: str) -> Mapping[str, Any]:
    fixed = dict(profile.constants)
    if profile.observed_on_in_file_name is not None:
        fixed["observed_on"] = date_in_file_name(file_name, profile.observed_on_in_file_name).isoformat()
    if "source_code" in contract.columns and "source_code" not in {**fixed, **profile.columns}:
        fixed["source_code"] = profile.source_code
    return fixed


def _named_or_filled(rows: pl.DataFrame) -> list[str]:
    """All columns but those without a name and without a value, which a separator at the end of each line makes."""
    names = [name for name in rows.columns if name not in POSITION_COLUMNS]
    return [
        n for n in names if not n.startswith("(column ") or (rows[n].fill_null("").str.strip_chars(BLANKS) != "").any()
    ]


def _in_frame(name: str) -> str:
    return STATED_PREFIX + name if name in POSITION_COLUMNS else name


def _header(rows: pl.DataFrame) -> list[str]:
    return [name.removeprefix(STATED_PREFIX) for name in rows.columns if name not in POSITION_COLUMNS]


def _trimmed_rows(rows: pl.DataFrame, names: list[str]) -> pl.DataFrame:
    """The positions and some columns without blanks around cells; a column of one text is trimmed once."""
    return rows.select(*POSITION_COLUMNS, *(_trimmed_column(rows[name]) for name in names))


def _filled_rows(rows: pl.DataFrame, names: list[str]) -> pl.DataFrame:
    """As :func:`_trimmed_rows` where no cell has blanks around it: empty cells become null."""
    filled = [pl.when(pl.col(name) != "").then(pl.col(name)).alias(name) for name in names if (rows[name] == "").any()]
    return rows.select(*POSITION_COLUMNS, *names).with_columns(filled)


def _trimmed_column(column: pl.Series) -> pl.Series:
    if has_one_value(column):
        once = column.head(1).to_frame().select(_trimmed(column.name)).to_series()
        return once.new_from_index(0, column.len())
    trimmed = column.str.strip_chars(BLANKS)
    return trimmed.to_frame().select(_trimmed(column.name)).to_series() if (trimmed == "").any() else trimmed


def _trimmed(name: str) -> pl.Expr:
    text = pl.col(name).str.strip_chars(BLANKS)
    return pl.when(text != "").then(text).alias(name)
