"""The user's decisions about price files: finds the file that is meant, and adds a row to the workspace's own table.

Light: nothing heavy is imported here.
"""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from schemas.contract import Contract


@dataclass(frozen=True)
class KnownFile:
    """A file a decision may be about; ``reported`` says more of it, such as its vendors and dates."""

    file_hash: str
    file_name: str
    reported: str


def choose(needed: str, files: Sequence[KnownFile], decided: Iterable[str], kind: str, listed: str) -> KnownFile:
    """The one file that a path, a file name or the start of a hash names.

    Args:
        needed: what the user typed.
        files: those to choose from.
        decided: hashes decided on before, which may be named by their start as well.
        kind: what is chosen, in the singular, for messages: "an export that waits for a decision".
        listed: what the files are, for messages: "waiting".

    Raises:
        UsageError: it names none or several of them.
    """
    from pipelines.errors import UsageError
    from pipelines.intake.archiving.archive import hash_of

    file_hash = hash_of(Path(needed)) if Path(needed).is_file() else needed.lower()
    looks_like_hash = re.fullmatch(r"[0-9a-f]{6,64}", file_hash) is not None
    unlisted = sorted(set(decided) - {file.file_hash for file in files})
    known = [*files, *(KnownFile(other, other[:12], "") for other in unlisted)]
    found = [k for k in known if k.file_name == needed or (looks_like_hash and k.file_hash.startswith(file_hash))]
    if len(found) == 1:
        return found[0]
    shown = (found or files)[:SHOWN_FILES]
    reported = "; ".join(f"{k.file_name} ({k.reported}): {k.file_hash[:12]}" for k in shown)
    more = len(found or files) - len(shown)
    raise UsageError(
        f"{needed} fits several files, and one is needed" if found else f"{needed} is not {kind}",
        where=f"{listed}: {reported or 'none'}" + (f"; and {more} more" if more else ""),
        next_step="give one of these hashes" if reported else "`kitfare status` shows what waits",
    )


SHOWN_FILES = 10


def decided_hashes(tables: Path, contract: Contract) -> set[str]:
    """The files decided on so far, whether or not a refresh has seen the decision.

    Raises:
        InputError: the file of decisions can't be read.
    """
    return {row["file_hash"] for row in _read(tables, contract)[1]}


def add_decision(tables: Path, contract: Contract, row: dict[str, str]) -> None:
    """Add a row in the file's own order of columns; a kill leaves the old file or the new one, never a part.

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

    path = tables / f"{contract.name}.csv"
    others = [
        other.name for other in tables.glob(f"{path.stem}.*") if other != path and other.name.endswith(TABLE_SUFFIXES)
    ]
    if others:
        raise InputError(
            f"decisions are kept in {others[0]}, which is not a CSV file",
            where=str(tables),
            next_step="add the row there yourself, or save the table as CSV",
        )
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
            f"{path.name} lacks the column file_hash or decided_on",
            where=str(path),
            next_step=f"give it the header {','.join(contract.columns)}",
        )
    return header, rows
