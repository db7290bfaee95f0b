"""Decisions about price files: finds the file that is meant, and adds a row to the workspace's table.

Imports nothing heavy.
"""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from schemas.contract import Contract

FileArgument = Annotated[
    str,
    typer.Argument(metavar="FILE_OR_HASH", help="A path, a file name, or the first 6 or more digits of a hash."),
]
ReasonOption = Annotated[str, typer.Option(metavar="TEXT", help="Why; a note for people who read this later.")]


@dataclass(frozen=True)
class KnownFile:
    """A price file; ``description`` is for people, such as its vendors and dates."""

    file_hash: str
    file_name: str
    description: str


def choose(typed: str, files: Sequence[KnownFile], decided: Iterable[str], kind: str, listed: str) -> KnownFile:
    """The one file that a path, a file name or the start of a hash names.

    Args:
        typed: what the user typed.
        files: those to choose from.
        decided: hashes that have a decision; they may be named by their start as well.
        kind: what is chosen, for messages, such as "an export that waits for a decision".
        listed: the name of the list of files in messages, such as "waiting".

    Raises:
        UsageError: it names none or several of them.
    """
    from pipelines.errors import UsageError
    from pipelines.intake.archiving.archive import hash_of
    from pipelines.plain_files import name_text

    # os.path, because a path that is too long to be one makes Path raise.
    file_hash = hash_of(Path(typed)) if os.path.isfile(typed) else typed.lower()  # noqa: PTH113
    looks_like_hash = re.fullmatch(r"[0-9a-f]{6,64}", file_hash) is not None
    unlisted = sorted(set(decided) - {file.file_hash for file in files})
    known = [*files, *(KnownFile(other, other[:12], "") for other in unlisted)]
    found = [
        k
        for k in known
        if k.file_name in (typed, name_text(typed)) or (looks_like_hash and k.file_hash.startswith(file_hash))
    ]
    if len(found) == 1:
        return found[0]
    shown = (found or files)[:SHOWN_FILES]
    choices = "; ".join(f"{k.file_name} ({k.description}): {k.file_hash[:12]}" for k in shown)
    more = len(found or files) - len(shown)
    raise UsageError(
        f"{typed} fits several files" if found else f"{typed} is not {kind}",
        where=f"{listed}: {choices or 'none'}" + (f"; and {more} more" if more else ""),
        next_step="give one of these hashes" if choices else "`kitfare status` shows what waits",
    )


SHOWN_FILES = 10


def decided_hashes(tables: Path, contract: Contract) -> set[str]:
    """Hashes of the files that have a decision, whether or not a refresh has read it.

    Raises:
        InputError: the file of decisions can't be read.
    """
    return {row["file_hash"] for row in _read(tables, contract)[1]}


def add_decision(tables: Path, contract: Contract, row: dict[str, str]) -> None:
    """Add a row in the file's own order of columns; a kill leaves the old file or the new one, never a part of it.

    Raises:
        InputError: the file of decisions can't be read.
    """
    path = tables / f"{contract.name}.csv"
    header, _ = _read(tables, contract)
    added = io.StringIO()
    writer = csv.DictWriter(added, header, extrasaction="ignore", lineterminator="\n")
    path.parent.mkdir(exist_ok=True)
    if path.is_file():
        before = path.read_bytes()
        before += b"" if before.endswith(b"\n") else b"\n"
    else:
        before = b""
        writer.writeheader()
    writer.writerow(row)
    fresh = path.with_suffix(".csv.part")
    with fresh.open("wb") as file:
        file.write(before + added.getvalue().encode())
        file.flush()
        os.fsync(file.fileno())
    fresh.replace(path)


def _read(tables: Path, contract: Contract) -> tuple[list[str], list[dict[str, str]]]:
    """Header and rows of the decisions; the contract's header where there is no file yet."""
    from pipelines.errors import InputError
    from pipelines.intake.workspace.workspace_files import TABLE_SUFFIXES
    from pipelines.plain_files import oddity

    path = tables / f"{contract.name}.csv"
    others = [
        other.name for other in tables.glob(f"{path.stem}.*") if other != path and other.name.endswith(TABLE_SUFFIXES)
    ]
    if others:
        raise InputError(
            f"the decisions are in {others[0]}, and kitfare adds rows to CSV files only",
            where=str(tables),
            next_step="add the row by hand, or save the table as CSV",
        )
    if words := oddity(path):
        raise InputError(f"{path.name} is {words}, not a plain file", where=str(path), next_step="move it away")
    if not path.is_file():
        return list(contract.columns), []
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file)
            header = list(reader.fieldnames or ())
            rows = list(reader)
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputError(f"{path.name} can't be read: {error}", where=str(path), next_step="save it as UTF-8") from None
    if "file_hash" not in header or "decided_on" not in header:
        raise InputError(
            f"{path.name} has no column file_hash or decided_on",
            where=str(path),
            next_step=f"give it the header {','.join(contract.columns)}",
        )
    return header, rows
