"""What would become of a price file, without writing anything anywhere."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import zip_longest
from pathlib import Path

import polars as pl

from pipelines.file_faults import fault_of_file
from pipelines.intake.archiving import archive
from pipelines.intake.profiles.profiles import load_profiles
from pipelines.intake.reading.readers import ReadOptions, TextTable, open_source
from pipelines.intake.reading.tabular import BLANKS
from pipelines.intake.take_in import TakenFile, examine
from pipelines.intake.workspace.workspace_files import read_workspace_table
from pipelines.plain_files import name_text
from pipelines.workspace import Workspace
from schemas.inputs.catalogue import CODE_MAP, COLOURS
from schemas.inputs.vendors import VENDOR_TERMS, VENDORS
from schemas.validate import POSITION_COLUMNS, empty_frame

_FIRST_ROWS = 5
_SHOWN_FAILURES = 100
_NAMED = 10


@dataclass(frozen=True)
class Inspection:
    """What was found in a file and what would become of its rows.

    Args:
        taken: as :func:`pipelines.intake.take_in.take_in` would give it; all quarantined rows with their reasons are in its
            ``failures``.
        table: the file as text, read as the profile states or as the file shows; None where it cannot be read.
        before: text of the first rows, by the file's column names.
        after: the same rows as they would be accepted; for others the word quarantined or repeated. Empty if the file
            was not recognised.
        unknown_codes: sentences on vendors and colours that the workspace's tables do not have.
        lines: the lines of these first rows in the file.
    """

    taken: TakenFile
    table: TextTable | None
    before: list[dict[str, str]] = field(default_factory=list)
    after: list[dict[str, str] | str] = field(default_factory=list)
    unknown_codes: tuple[str, ...] = ()
    lines: tuple[int, ...] = ()

    def __str__(self) -> str:
        return "\n".join([*self._found(), *self._rows(), *self._failures(), *self._counts()])

    def _found(self) -> list[str]:
        taken, table = self.taken, self.table
        lines = [f"{taken.file_name}"]
        if table is not None:
            written = [table.kind.replace("_", " "), table.encoding, _separator_in_words(table.separator)]
            lines.append(
                f"  written as:  {', '.join(word for word in written if word)}; header on line {table.header_line}"
            )
            lines.append(f"  columns:     {', '.join(table.header)}")
        if taken.contract is not None:
            profile = f"profile {taken.profile_name}" if taken.profile_name else "its columns are ours"
            lines.append(
                f"  becomes:     {taken.contract.name} ({'a corrected file' if taken.parents.height else profile})"
            )
        return [*lines, *(f"  note:        {note}" for note in (*taken.notes, *self.unknown_codes))]

    def _rows(self) -> list[str]:
        lines = [""] if self.before else []
        for line, before, after in zip_longest(self.lines, self.before, self.after):
            lines.append(f"  line {line}:  {_pairs(before)}")
            if after is not None:
                lines.append(f"      ->  {after if isinstance(after, str) else _pairs(after)}")
        return lines

    def _failures(self) -> list[str]:
        failures = self.taken.failures
        lines = [""] if failures.height else []
        for line, column, value, rule, advice in (
            failures.head(_SHOWN_FAILURES)
            .select("source_line_number", "quarantined_column", "quarantined_value", "quarantined_rule", "what_to_do")
            .iter_rows()
        ):
            named = f"{column} {value!r} " if column else ""
            lines.append(f"  line {line}: {named}{rule}; {advice}")
        if failures.height > _SHOWN_FAILURES:
            lines.append(
                f"  and {failures.height - _SHOWN_FAILURES} more, all of which would be in the file of quarantined rows"
            )
            groups = (
                failures.group_by("quarantined_column", "quarantined_rule")
                .len()
                .sort("len", "quarantined_column", descending=[True, False])
            )
            lines += [f"  {count} times: {column} {rule}" for column, rule, count in groups.iter_rows()]
        return lines

    def _counts(self) -> list[str]:
        taken = self.taken
        if taken.error is not None:
            return ["", "The file would be quarantined whole.", str(taken.error)]
        return [
            "",
            f"{taken.read_row_count} rows read: {taken.rows.height} accepted, {taken.quarantined_text.height} quarantined, "
            f"{taken.duplicate_row_count} repeated.",
        ]


def inspect_file(path: Path, workspace: Workspace | None) -> Inspection:
    """See what would become of a price file.

    Args:
        path: the file; it need not be in the inbox.
        workspace: whose profiles and code map count; None for none.

    Raises:
        SettingsError: a profile makes no sense.
        InputError: the code map, the vendors or the colours break their contract.
    """
    profiles = load_profiles(workspace.profiles) if workspace else []
    code_map = read_workspace_table(workspace, CODE_MAP) if workspace else empty_frame(CODE_MAP)
    name = name_text(path.name)
    taken = examine(path, archive.hash_of(path), name, profiles, code_map)
    options = next((p.read_options for p in profiles if p.profile_name == taken.profile_name), ReadOptions())
    try:
        table = open_source(path, name).read(options)
    except BaseException as error:
        if fault_of_file(error, name) is None:
            raise
        return Inspection(taken, None)
    first = pl.concat([table.frame, table.ragged]).sort("record_number").head(_FIRST_ROWS)
    lines = tuple(first["source_line_number"])
    if taken.contract is None:
        return Inspection(taken, table, _texts(first), lines=lines)
    accepted = {
        row["record_number"]: row for row in taken.rows.filter(pl.col("record_number") <= _FIRST_ROWS).to_dicts()
    }
    quarantined = set(taken.quarantined_text["record_number"].to_list())
    after = [
        _shown(accepted[number]) if number in accepted else "quarantined" if number in quarantined else "repeated"
        for number in first["record_number"]
    ]
    return Inspection(
        taken, table, _texts(first), after, _unknown_codes(taken.rows, workspace) if workspace else (), lines
    )


def _unknown_codes(rows: pl.DataFrame, workspace: Workspace) -> tuple[str, ...]:
    """Codes of accepted rows that the tables lack: no plan can use these rows, but they are kept until the tables have them."""
    lines = []
    for contract, column, words in (
        (VENDORS, "vendor_code", "no plan buys from it"),
        (VENDOR_TERMS, "vendor_code", "no plan buys from it"),
        (COLOURS, "colour_code", "it fills no line"),
    ):
        if column not in rows.columns:
            continue
        known = read_workspace_table(workspace, contract)[column].implode()
        strange = (
            rows.filter(~pl.col(column).is_in(known))
            .group_by(column)
            .len()
            .sort("len", column, descending=[True, False])
        )
        named = [
            f"{code} ({count} {'row' if count == 1 else 'rows'})" for code, count in strange.head(_NAMED).iter_rows()
        ]
        if named:
            more = f" and {strange.height - _NAMED} more" if strange.height > _NAMED else ""
            lines.append(f"Not in tables/{contract.name}.csv, so {words}: {', '.join(named)}{more}.")
    return tuple(lines)


def _texts(rows: pl.DataFrame) -> list[dict[str, str]]:
    return [_shown(row) for row in rows.to_dicts()]


def _shown(row: dict[str, object]) -> dict[str, str]:
    filled = {name: str(value) for name, value in row.items() if name not in POSITION_COLUMNS and value is not None}
    return {name: value for name, value in filled.items() if value.strip(BLANKS)}


def _pairs(row: dict[str, str]) -> str:
    return ", ".join(f"{name} = {value}" for name, value in row.items())


def _separator_in_words(separator: str) -> str:
    return f"separated by {'tabs' if separator == chr(9) else repr(separator)}" if separator else ""
