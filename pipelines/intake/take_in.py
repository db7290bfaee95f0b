"""Takes one dropped file in: archives its bytes, reads, shapes and validates them, and quarantines what fails."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl

from pipelines.errors import InputError, KitfareError
from pipelines.file_faults import fault_of_file
from pipelines.intake.archiving import archive
from pipelines.intake.checking import corrected_files, file_notes
from pipelines.intake.checking.corrected_files import PARENT_SCHEMA
from pipelines.intake.checking.shape import Shaped, failures_of, shape
from pipelines.intake.profiles.profiles import Profile, own_contract, recognise
from pipelines.intake.reading.readers import ReadOptions, Source, TextTable, open_source
from pipelines.plain_files import name_text
from schemas.contract import Contract
from schemas.inputs.price_files import PRICE_EXPORT
from schemas.validate import FAILURE_SCHEMA, POSITION_COLUMNS, validate_text

QUARANTINED_KEY = ("vendor_code", "observed_on", "part_code", "colour_code", "condition", "listing_code")
"""What identifies the price period that a quarantined row keeps open."""

QUARANTINED_KEY_SCHEMA = pl.Schema(
    {"record_number": pl.Int64(), **dict.fromkeys(QUARANTINED_KEY, pl.String()), "observed_on": pl.Date()}
)
_PARENT = "_parent"


_FIRST_TIME_ZONE = timedelta(hours=14)
"""Where a day begins first: UTC+14 (IANA time zone database, Pacific/Kiritimati)."""


def latest_date(received_at: datetime) -> date:
    """The latest date that it can be anywhere when a file arrives: prices of a later one are not known yet.

    Args:
        received_at: UTC.
    """
    return (received_at + _FIRST_TIME_ZONE).date()


def _empty(schema: pl.Schema) -> Any:
    return field(default_factory=lambda: pl.DataFrame(schema=schema))


@dataclass(frozen=True)
class TakenFile:
    """What became of one dropped file. Always: read_row_count = rows + rows of quarantined_text + duplicate_row_count.

    Args:
        file_hash: SHA-256 of the bytes, also their address in the archive; empty when the file could not be copied.
        file_name: name under which it was dropped, as text; see :func:`pipelines.plain_files.name_text`.
        contract: the table its rows belong to; None when that is not known.
        profile_name: profile that fitted; empty for a file in our own columns.
        rows: accepted rows, typed: source_line_number, record_number (Int64) and the contract's columns. Exact
            repeats are removed. No two rows share the contract's key, but those of a corrected file that replace rows of
            different files.
        failures: every failure of every quarantined row (FAILURE_SCHEMA).
        quarantined_text: one row per quarantined row: source_line_number, record_number and the contract's columns as text.
        quarantined_keys: record_number and QUARANTINED_KEY, typed, of each quarantined price_export row whose key can be read: its price
            period stays open. A part code that the code map lacks is as the source writes it.
        unreadable_key_count: quarantined price_export rows whose key cannot be trusted; above 1 % of the rows read, the export
            closes nothing. Ragged rows count here even where they have a row in quarantined_keys, because cells may have slipped.
        read_row_count: rows of the file, without the header and wholly empty rows.
        duplicate_row_count: rows that repeat another row exactly.
        parents: PARENT_SCHEMA; for each row of a corrected file (quarantined or accepted), the row of which file it replaces.
        notes: what the user should know, in sentences.
        error: why the file is quarantined whole; then all frames are empty.
    """

    file_hash: str
    file_name: str
    contract: Contract | None = None
    profile_name: str = ""
    rows: pl.DataFrame = field(default_factory=pl.DataFrame)
    failures: pl.DataFrame = _empty(FAILURE_SCHEMA)
    quarantined_text: pl.DataFrame = field(default_factory=pl.DataFrame)
    quarantined_keys: pl.DataFrame = _empty(QUARANTINED_KEY_SCHEMA)
    unreadable_key_count: int = 0
    read_row_count: int = 0
    duplicate_row_count: int = 0
    parents: pl.DataFrame = _empty(PARENT_SCHEMA)
    notes: tuple[str, ...] = ()
    error: KitfareError | None = None


def take_in(
    path: Path,
    profiles: Sequence[Profile],
    code_map: pl.DataFrame,
    archive_folder: Path,
    latest_on: date | None = None,
) -> TakenFile:
    """Copy a dropped file into the archive, then read the archived bytes. Never raises for what is in a file.

    Args:
        path: the dropped file; it stays where it is.
        profiles: from :func:`pipelines.intake.profiles.profiles.load_profiles`.
        code_map: the table code_map, typed.
        archive_folder: the workspace's archive.
        latest_on: rows of later dates are quarantined; None for no limit.
    """
    name = name_text(path.name)
    try:
        file_hash = archive.store(path, archive_folder)
    except InputError as error:
        return TakenFile("", name, error=error)
    return examine(archive.place_of(file_hash, archive_folder), file_hash, name, profiles, code_map, latest_on)


def examine(
    path: Path,
    file_hash: str,
    file_name: str,
    profiles: Sequence[Profile],
    code_map: pl.DataFrame,
    latest_on: date | None = None,
) -> TakenFile:
    """What becomes of a file, without touching anything; arguments as for :func:`take_in`, the name as text.

    Whatever goes wrong with the file is its ``error``. What has nothing to do with it, such as an interrupt, is raised.
    """
    try:
        source = open_source(path, file_name)
        return _Examination(source, file_hash, profiles, latest_on).result(code_map)
    except BaseException as error:
        fault = fault_of_file(error, file_name)
        if fault is None:
            raise
        return TakenFile(file_hash, file_name, error=fault)


class _Examination:
    """Recognises a file, then checks its rows, piece by piece if it is large."""

    def __init__(self, source: Source, file_hash: str, profiles: Sequence[Profile], latest_on: date | None) -> None:
        self.file_hash = file_hash
        self.latest_on = latest_on
        self.name = source.name
        self.source = source
        self.profile: Profile | None = None
        self.is_corrected = _is_corrected(source)
        if not self.is_corrected:
            self.profile = recognise(source.name, source.header, profiles)
        self._parent_columns = (_PARENT, "parent_record_number") if self.is_corrected else ()
        self.options = self.profile.read_options if self.profile else ReadOptions()
        self.contract = self.profile.contract if self.profile else self._own_contract()

    def _own_contract(self) -> Contract:
        if self.source.is_plain(self.options):
            return own_contract(self.source.header(self.options), self.options.header_line or 1, self.name)
        table = self.source.read(self.options)
        return own_contract(table.header, table.header_line, self.name)

    def result(self, code_map: pl.DataFrame) -> TakenFile:
        """Shape and validate the rows, find repeats and contradictions, and account for every row."""
        parents = pl.DataFrame(schema=PARENT_SCHEMA)
        pieces: list[_Piece] = []
        for table in self._tables():
            shaped, marked, stated = self._shaped(table, code_map)
            checked = validate_text(
                self.contract, shaped.frame, where=self.name, unique_key=False, is_trimmed=shaped.is_trimmed
            )
            failures = [shaped.failures]
            if marked is not None and stated is not None:
                parents, unclear = corrected_files.read_parents(stated, shaped)
                failures = [corrected_files.marked_failures(marked, shaped), unclear, *failures]
            failed = pl.concat(failures)
            # A value that the profile's rules refused is still as in the file; failures of the contract would add nothing.
            more = checked.failures.join(
                failed, on=["record_number", "quarantined_column"], how="anti", maintain_order="left"
            )
            failed = pl.concat([failed, more])
            quarantined = shaped.frame.clear()
            if failed.height:
                quarantined = shaped.frame.join(failed.select("record_number").unique(), on="record_number", how="semi")
            pieces.append(
                _Piece(_without(checked.rows, failed), failed, quarantined, shaped.ragged, shaped.unmapped,
                       self._unstated_count(shaped), shaped.frame.height, table.row_count, table.notes)
            )  # fmt: skip
        failed = pl.concat([piece.failures for piece in pieces])
        good = pl.concat([piece.rows for piece in pieces], rechunk=False)
        if self.is_corrected:
            good = _with_parents(good, parents)
        read_row_count = sum(piece.row_count for piece in pieces)
        repeats, contradictions = self._compared(good)
        contradictions.append(self._dated_too_late(_without(good, repeats.to_frame())))
        distinct = _without(good, repeats.to_frame())
        rows = _without(distinct, pl.concat(contradictions)).select(*POSITION_COLUMNS, *self.contract.columns)
        quarantined_text = self._quarantined_text([piece.quarantined for piece in pieces], contradictions, code_map)
        failed = pl.concat([failed, *contradictions])
        keys, unreadable = self._keys(
            quarantined_text, failed, pl.concat([p.ragged for p in pieces]), pl.concat([p.unmapped for p in pieces])
        )
        notes = file_notes.about_rows(
            read_row_count, len(repeats), sum(p.unstated_count for p in pieces), sum(p.shaped_count for p in pieces)
        )
        notes += file_notes.look_alikes(rows)
        return TakenFile(
            file_hash=self.file_hash,
            file_name=self.name,
            contract=self.contract,
            profile_name=self.profile.profile_name if self.profile else "",
            rows=rows,
            failures=failed.sort("record_number", maintain_order=True),
            quarantined_text=quarantined_text,
            quarantined_keys=keys,
            unreadable_key_count=unreadable,
            read_row_count=read_row_count,
            duplicate_row_count=len(repeats),
            parents=parents.filter(~pl.col("record_number").is_in(repeats.implode())),
            notes=(*pieces[0].notes, *notes),
        )

    def _tables(self) -> Iterator[TextTable]:
        if self.is_corrected:
            yield self.source.read(self.options)
        else:
            yield from self.source.pieces(self.options)

    def _shaped(
        self, table: TextTable, code_map: pl.DataFrame
    ) -> tuple[Shaped, pl.DataFrame | None, pl.DataFrame | None]:
        """A table in our columns; of a corrected one also the marked cells and the parents it states."""
        marked, stated = None, None
        if self.is_corrected:
            table, marked, stated = corrected_files.own_columns(table, self.contract)
        return shape(table, self.contract, self.profile, code_map, self.name), marked, stated

    def _compared(self, good: pl.DataFrame) -> tuple[pl.Series, list[pl.DataFrame]]:
        """Record numbers of exact repeats, and failures of rows that are good alone but contradict each other.

        Only rows whose key has the hash of another row's can repeat or contradict one: most files have none, and comparing the
        whole content of ten million rows would take more memory than the rows.
        """
        hashes = good.select(self.contract.key).hash_rows()
        again = good.filter(hashes.is_duplicated()) if _has_repeats(hashes) else good.clear()
        content = [*self.contract.columns, *self._parent_columns]
        distinct = again.unique(content, keep="first", maintain_order=True)
        repeats = _without(again, distinct)["record_number"]
        return repeats, self._contradictions(_without(good, repeats.to_frame()), distinct)

    def _dated_too_late(self, rows: pl.DataFrame) -> pl.DataFrame:
        """Failures of rows dated after the file arrived.

        Raises:
            InputError: all of them are; then the mistake is the file's.
        """
        late = rows.clear() if self.latest_on is None else rows.filter(pl.col("observed_on") > self.latest_on)
        rule = "dated after the day on which the file arrived"
        if late.height and late.height == rows.height:
            dates = late["observed_on"].unique().sort()
            raise InputError(
                f"all rows are {rule}: {', '.join(map(str, dates.head(3)))}",
                where=self.name,
                state="the file is quarantined whole",
                next_step="correct the date; if it is right, drop the file again on that day",
            )
        return failures_of(
            late, "observed_on", rule, "correct the date; if it is right, drop the row again on that day"
        )

    def _contradictions(self, rows: pl.DataFrame, again: pl.DataFrame) -> list[pl.DataFrame]:
        """Rows that are good alone but contradict each other; all of them fail. ``again``: those that may share a key."""
        repeated = again.filter(
            again.select(pl.struct(*self.contract.key, *self._parent_columns[:1]).is_duplicated()).to_series()
        )
        identity = pl.concat_str(
            [pl.col(name).cast(pl.String).fill_null("") for name in self.contract.key], separator=" / "
        )
        # By this value the warehouse sees that all of them are corrected once one of them is.
        found = [
            _row_failures(repeated, corrected_files.SAME_KEY_RULE, "keep one of the rows").with_columns(
                quarantined_value=repeated.select(identity).to_series()
            )
        ]
        if self.contract == PRICE_EXPORT:
            group = ["vendor_code", "observed_on", *self._parent_columns[:1]]
            standing = [name for name in ("coverage", "revision_number") if not _has_one_value(rows[name])]
            standings = rows.select(*group, *standing).unique() if standing else rows.clear()
            mixed = standings.filter(pl.len().over(group) > 1).select(group).unique()
            if mixed.height:
                of_mixed = _without(rows.join(mixed, on=group, how="semi", nulls_equal=True), repeated)
                of_mixed = of_mixed.sort("record_number")
                found.append(
                    _row_failures(of_mixed, corrected_files.ONE_STANDING_RULE, "write the same in all of them")
                )
        if self.is_corrected:
            again_corrected = pl.struct(_PARENT, "parent_record_number").is_duplicated() & pl.col(_PARENT).is_not_null()
            twice = _without(rows, repeated).filter(again_corrected)
            advice = "keep one of them; leave parent_file_hash and record_number empty in a row that is new"
            found.append(_row_failures(twice, "another row corrects the same row", advice))
        return found

    def _quarantined_text(
        self, quarantined: list[pl.DataFrame], contradictions: list[pl.DataFrame], code_map: pl.DataFrame
    ) -> pl.DataFrame:
        """The quarantined rows in our columns, as text; rows that contradict each other are read once more, because only their typed values are left."""
        contradicting = pl.concat(contradictions).select("record_number").unique()
        if contradicting.height:
            for table in self._tables():
                quarantined.append(
                    self._shaped(table, code_map)[0].frame.join(contradicting, on="record_number", how="semi")
                )
        frame = pl.concat(quarantined)
        absent = [name for name in self.contract.columns if name not in frame.columns]
        frame = frame.with_columns(pl.lit(None, dtype=pl.String).alias(name) for name in absent)
        return frame.select(*POSITION_COLUMNS, *self.contract.columns).sort("record_number")

    def _keys(
        self, quarantined_text: pl.DataFrame, failed: pl.DataFrame, ragged: pl.Series, unmapped: pl.Series
    ) -> tuple[pl.DataFrame, int]:
        """Keys of quarantined rows that can be read, and how many cannot be trusted."""
        if self.contract != PRICE_EXPORT:
            return pl.DataFrame(schema=QUARANTINED_KEY_SCHEMA), 0
        # An unmapped code counts as read: no offer of ours has it, and a source may list many parts that nobody mapped.
        is_unmapped = pl.col("record_number").is_in(unmapped.implode()) & (pl.col("quarantined_column") == "part_code")
        unread = failed.filter(pl.col("quarantined_column").is_in(QUARANTINED_KEY) & ~is_unmapped)
        keys = (
            _without(quarantined_text, unread)
            .select("record_number", *QUARANTINED_KEY)
            .with_columns(
                pl.col("listing_code").fill_null(""), pl.col("observed_on").str.to_date("%Y-%m-%d", strict=False)
            )
            .drop_nulls()
        )
        trusted = keys.filter(~pl.col("record_number").is_in(ragged.implode()))
        return keys.cast(QUARANTINED_KEY_SCHEMA), quarantined_text.height - trusted.height

    def _unstated_count(self, shaped: Shaped) -> int:
        """Rows that do not say whether their export is full."""
        if self.contract != PRICE_EXPORT or self.is_corrected:
            return 0
        frame = shaped.frame
        return frame.height if "coverage" not in frame.columns else frame["coverage"].null_count()


@dataclass(frozen=True)
class _Piece:
    """One piece of a file, checked row by row: what is good, what failed and why, and what its rows add to the file's counts."""

    rows: pl.DataFrame
    failures: pl.DataFrame
    quarantined: pl.DataFrame
    ragged: pl.Series
    unmapped: pl.Series
    unstated_count: int
    shaped_count: int
    row_count: int
    notes: tuple[str, ...]


def _has_one_value(column: pl.Series) -> bool:
    return not column.len() or bool((column == column[0]).all())


def _has_repeats(hashes: pl.Series) -> bool:
    """By sorting, which takes a fraction of the time that finding the repeats takes."""
    ordered = hashes.sort()
    return bool((ordered.slice(1) == ordered.head(-1)).any())


def _with_parents(rows: pl.DataFrame, parents: pl.DataFrame) -> pl.DataFrame:
    named = parents.select("record_number", pl.col("parent_file_hash").alias(_PARENT), "parent_record_number")
    return rows.join(named, on="record_number", how="left", maintain_order="left")


def _is_corrected(source: Source) -> bool:
    try:
        return corrected_files.is_corrected(source.header(ReadOptions()))
    except InputError:
        return False


def _row_failures(rows: pl.DataFrame, rule: str, advice: str) -> pl.DataFrame:
    return failures_of(rows, "", rule, advice)


def _without(rows: pl.DataFrame, others: pl.DataFrame) -> pl.DataFrame:
    if not others.height:
        return rows
    return rows.join(others.select("record_number").unique(), on="record_number", how="anti", maintain_order="left")
