"""``kitfare accept``: an export that would close more than half of a vendor's offers is right all the same."""

from __future__ import annotations

import csv
import io
import os
import re
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipelines.cli.common import WorkspaceOption, open_workspace, say

if TYPE_CHECKING:
    from pipelines.settings import Workspace


@dataclass(frozen=True)
class _Waiting:
    file_hash: str
    file_name: str
    vendors: str


def run(
    file_or_hash: Annotated[
        str, typer.Argument(metavar="FILE_OR_HASH", help="A path, a file name, or how its hash begins.")
    ],
    reason: Annotated[str, typer.Option(help="Why, for people who look later.")] = "",
    workspace: WorkspaceOption = None,
) -> None:
    """Accept an export that waits for a decision.

    A full export waits when it would close more than half of its vendor's offers. The decision is written to tables/accepted_exports.csv and counts from the next refresh on. Take the row out of
    that file to go back on it. `kitfare status` lists what waits.

    \b
    Examples:
      kitfare accept 3f9a12c07b44
      kitfare accept north-2026-10-31.csv --reason "the shop is closing down"
    """
    place = open_workspace(workspace)
    decisions = place.tables / "accepted_exports.csv"
    accepted = accepted_hashes(place)
    chosen = _choose(file_or_hash, _waiting(place), accepted)
    if chosen.file_hash in accepted:
        say(f"{chosen.file_name} is accepted already; it counts from the next `kitfare refresh` on.")
        return
    _append(decisions, {"file_hash": chosen.file_hash, "decided_on": date.today().isoformat(), "reason": reason})
    say(f"Accepted {chosen.file_name} ({chosen.vendors}). It counts from the next `kitfare refresh` on.")


def accepted_hashes(place: Workspace) -> set[str]:
    """The files accepted so far, whether or not a refresh has seen the decision.

    Raises:
        InputError: the file of decisions can't be read.
    """
    return {row["file_hash"] for row in _read(place.tables / "accepted_exports.csv")[1]}


def _waiting(place: Workspace) -> list[_Waiting]:
    if not place.warehouse.is_file():
        return []
    from pipelines.warehouse import connect, history

    found: dict[str, _Waiting] = {}
    with connect.reader(place.warehouse) as con:
        for export in history.waiting_exports(con):
            told = f"{export.vendor_code} on {export.observed_on}"
            known = found.get(export.file_hash)
            vendors = f"{known.vendors}, {told}" if known else told
            found[export.file_hash] = _Waiting(export.file_hash, export.file_name, vendors)
    return [found[file_hash] for file_hash in sorted(found)]


def _choose(wanted: str, waiting: list[_Waiting], accepted: set[str]) -> _Waiting:
    from pipelines.errors import UsageError
    from pipelines.intake.archive import hash_of

    file_hash = hash_of(Path(wanted)) if Path(wanted).is_file() else wanted.lower()
    looks_like_hash = re.fullmatch(r"[0-9a-f]{6,64}", file_hash) is not None
    known = [
        *waiting,
        *(_Waiting(other, other[:12], "") for other in sorted(accepted - {w.file_hash for w in waiting})),
    ]
    found = [w for w in known if w.file_name == wanted or (looks_like_hash and w.file_hash.startswith(file_hash))]
    if len(found) == 1:
        return found[0]
    listed = "; ".join(f"{w.file_name} ({w.vendors}): {w.file_hash[:12]}" for w in (found or waiting))
    raise UsageError(
        f"{wanted} fits several exports that wait" if found else f"{wanted} is not an export that waits for a decision",
        where=f"waiting: {listed or 'none'}",
        next_step="give one of these hashes" if listed else "`kitfare status` shows what waits",
    )


def _read(path: Path) -> tuple[list[str], list[dict[str, str]]]:
    """Header and rows of the decisions; the contract's header where there is no file yet."""
    from pipelines.errors import InputError
    from pipelines.intake.workspace_files import TABLE_SUFFIXES
    from schemas.inputs import ACCEPTED_EXPORTS

    others = [
        other.name
        for other in path.parent.glob(f"{path.stem}.*")
        if other != path and other.name.endswith(TABLE_SUFFIXES)
    ]
    if others:
        raise InputError(
            f"decisions are kept in {others[0]}, which is not a CSV file",
            where=str(path.parent),
            next_step="add the row there yourself, or save the table as CSV",
        )
    if not path.is_file():
        return list(ACCEPTED_EXPORTS.columns), []
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
            next_step=f"give it the header {','.join(ACCEPTED_EXPORTS.columns)}",
        )
    return header, rows


def _append(path: Path, row: dict[str, str]) -> None:
    """Add a row in the file's own order of columns; a kill leaves the old file or the new one, never a part."""
    header, _ = _read(path)
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
