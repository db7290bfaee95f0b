"""Writes decisions about lines into a model's flexible_lines.csv and leaves its other rows as they are."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from pipelines.errors import InputError, UsageError
from pipelines.inputs import Model, element_of
from pipelines.intake.workspace.workspace_files import TABLE_SUFFIXES, checked_model
from pipelines.workspace import Workspace
from schemas.inputs.models import FLEXIBLE_LINES

SEPARATORS = (",", ";", "\t")
REQUIRED = ("line_number", "colour_rule")
LineDecision = Mapping[str, str]
"""Columns of FLEXIBLE_LINES as text; those left out stay empty."""


def add_decisions(workspace: Workspace, model_code: str, decisions: Sequence[LineDecision]) -> Path:
    """Add decisions to models/<model_code>/flexible_lines.csv; a kill leaves the old file or the new one, never a part.

    The whole model is checked as a refresh would check it before the file is put in place.

    Raises:
        UsageError: there is no such model.
        InputError: the file can't be read, is no CSV file, or would make no sense with the decisions; it stays as it was.
    """
    folder = workspace.models / model_code
    if not folder.is_dir():
        known = sorted(path.name for path in workspace.models.glob("*") if path.is_dir())
        raise UsageError(
            f"there is no model {model_code}",
            where=str(workspace.models),
            next_step=f"name one of: {', '.join(known)}" if known else "make a model's folder first, see the README",
        )
    path = folder / "flexible_lines.csv"
    others = [
        other for other in folder.glob("flexible_lines.*") if other != path and other.name.endswith(TABLE_SUFFIXES)
    ]
    if others:
        raise InputError(
            f"decisions are kept in {others[0].name}, which is not a plain CSV file",
            where=str(folder),
            next_step="add the rows there yourself, or save the table as flexible_lines.csv and remove the other file",
        )
    before = _text_of(path) if path.is_file() else ",".join(FLEXIBLE_LINES.columns) + "\n"
    own = checked_model(workspace, model_code)
    decisions = [_with_element(own, row) for row in decisions]
    part = folder / ".flexible_lines.csv.part"
    try:
        with part.open("wb") as file:
            file.write(with_decisions(before, decisions, str(path)).encode())
            file.flush()
            os.fsync(file.fileno())
        checked_model(workspace, model_code, part)
        part.replace(path)
    except InputError as error:
        raise InputError(
            error.what,
            where=f"{error.where}, counted in the file as it would be with the decisions",
            state="no decision was written",
            next_step="correct the decisions and run the command again",
        ) from None
    finally:
        part.unlink(missing_ok=True)
    return path


def _with_element(model: Model, row: LineDecision) -> LineDecision:
    """A decision that names its part and colour: those it states, or what its line is on its day.

    Raises:
        InputError: its line is another part or colour on that day.
    """
    try:
        line, day = int(row.get("line_number", "")), date.fromisoformat(row.get("decided_on", "") or "1900-01-01")
    except ValueError:
        return row  # The contract says what is wrong with the cell.
    element = element_of(model, line, day)
    if element is None:
        return row
    stated = (row.get("part_code", ""), row.get("colour_code", ""))
    if stated[0] and stated != element:
        raise InputError(
            f"a decision about line {line} is about {' in '.join(filter(None, stated))}, but line {line} of "
            f"{model.model_code} is {' in '.join(filter(None, element))} on {day}",
            where=f"models/{model.model_code}/parts.csv",
            state="no decision was written",
            next_step="correct the decision; if the list was changed since the last refresh, run `kitfare refresh` first",
        )
    return {**row, "part_code": element[0], "colour_code": element[1]}


def _text_of(path: Path) -> str:
    try:
        return path.read_bytes().decode()
    except UnicodeDecodeError:
        raise InputError(
            f"{path.name} is not UTF-8 text", where=str(path), next_step="save it as CSV in UTF-8"
        ) from None


@dataclass(frozen=True)
class _Record:
    """The text of a record in the file, line break included, and its cells by column."""

    text: str
    cells: Mapping[str, str]


def with_decisions(text: str, decisions: Sequence[LineDecision], where: str = "flexible_lines.csv") -> str:
    """The text of a flexible lines file with decisions added; every other record stays as it is, in its place.

    A decision replaces an earlier one about the same line on the same date, in its place. Others go before the first line with
    a higher number if the file is sorted by line, else to the end. Columns that the file lacks and a decision needs are
    added at the right.

    Raises:
        InputError: the text is no CSV with the columns line_number and colour_rule.
    """
    separator, header, records = _parsed(text, where)
    needed = [name for name in FLEXIBLE_LINES.columns if name not in header and any(row.get(name) for row in decisions)]
    ending = "\r\n" if "\r\n" in records[0].text else "\n"
    if needed:
        # A column that is new is empty in the rows before; the header is the first record.
        records = [
            _Record(_wider(record.text, separator, needed if at == 0 else [""] * len(needed)), record.cells)
            for at, record in enumerate(records)
        ]
        header = [*header, *needed]
    if not records[-1].text.endswith(("\n", "\r")):
        records[-1] = _Record(records[-1].text + ending, records[-1].cells)
    for decision in dict.fromkeys(_decision(row) for row in decisions):
        own = [_written(row, header, separator, ending) for row in decisions if _decision(row) == decision]
        same = [at for at, record in enumerate(records) if at and _is_about(record.cells, decision)]
        at = same[0] if same else _place(records, decision[0])
        kept = [record for place, record in enumerate(records) if place not in same]
        records = [*kept[:at], *own, *kept[at:]]
    return "".join(record.text for record in records)


def _written(row: LineDecision, header: Sequence[str], separator: str, ending: str) -> _Record:
    text = io.StringIO()
    csv.writer(text, delimiter=separator, lineterminator=ending).writerow([row.get(name, "") for name in header])
    return _Record(text.getvalue(), row)


def _decision(cells: Mapping[str, str]) -> tuple[str, str, str, str]:
    """What a row decides about: a line on a date, and its part and colour if it names them."""
    line, day, part, colour = (
        cells.get(name, "").strip() for name in ("line_number", "decided_on", "part_code", "colour_code")
    )
    return line, day, part, colour


def _is_about(cells: Mapping[str, str], decision: tuple[str, str, str, str]) -> bool:
    """Whether a row decides about the same; one that names no part is about whatever its line was on its day."""
    own = _decision(cells)
    return own[:2] == decision[:2] and (not own[2] or not decision[2] or own[2:] == decision[2:])


def _place(records: Sequence[_Record], line: str) -> int:
    """Where a new decision goes: in order of lines, or to the end."""
    numbers = [_number(record.cells) for record in records[1:] if record.cells]
    if line.isdecimal() and None not in numbers and numbers == sorted(number or 0 for number in numbers):
        for at, record in enumerate(records[1:], start=1):
            number = _number(record.cells)
            if number is not None and number > int(line):
                return at
    return len(records)


def _number(cells: Mapping[str, str]) -> int | None:
    text = cells.get("line_number", "").strip()
    return int(text) if text.isdecimal() else None


def _wider(text: str, separator: str, cells: Sequence[str]) -> str:
    body = text.rstrip("\r\n")
    if not body:
        return text
    return body + "".join(separator + cell for cell in cells) + text[len(body) :]


def _parsed(text: str, where: str) -> tuple[str, list[str], list[_Record]]:
    """Separator, header and records, the header being the first of them; a byte order mark stays with it."""
    lines = list(io.StringIO(text, newline=""))
    first = lines[0].lstrip("\ufeff") if lines else ""
    for separator in SEPARATORS:
        header = [name.strip() for name in next(csv.reader([first], delimiter=separator), [])]
        if set(REQUIRED) <= set(header):
            break
    else:
        raise InputError(
            f"{Path(where).name} lacks the columns {' and '.join(REQUIRED)} in its first line",
            where=where,
            next_step=f"give it the header {','.join(FLEXIBLE_LINES.columns)}",
        )
    reader = csv.reader(lines, delimiter=separator)
    records, begin = list[_Record](), 0
    try:
        for cells in reader:
            end = reader.line_num
            named = dict(zip(header, cells, strict=False)) if begin and cells else {}
            records.append(_Record("".join(lines[begin:end]), named))
            begin = end
    except csv.Error as error:
        raise InputError(
            f"{Path(where).name} can't be read: {error}", where=where, next_step="correct the line"
        ) from None
    return separator, header, records


def read_decisions(path: Path, defaults: LineDecision) -> list[dict[str, str]]:
    """Decisions from a CSV file with columns of the flexible lines; empty cells take the defaults.

    Raises:
        InputError: the file can't be read, or has columns that flexible lines do not have.
    """
    if not path.is_file():
        raise InputError("there is no such file", where=str(path), next_step="give a CSV file of decisions")
    _, header, records = _parsed(_text_of(path).lstrip("\ufeff"), str(path))
    strange = [name for name in header if name not in FLEXIBLE_LINES.columns]
    if strange:
        raise InputError(
            f"{path.name} has columns that flexible lines do not have: {', '.join(strange)}",
            where=str(path),
            next_step=f"the columns are: {', '.join(FLEXIBLE_LINES.columns)}",
        )
    found = []
    for record in records[1:]:
        cells = {name: cell.strip() for name, cell in record.cells.items() if cell.strip()}
        if cells:
            found.append({**defaults, **cells})
    return found
