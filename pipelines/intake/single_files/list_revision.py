"""A read list as a version of a model: lines keep their numbers through versions, and the model's folder is written whole."""

from __future__ import annotations

import csv
import io
import os
import shutil
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import polars as pl

from pipelines.errors import InputError, UsageError
from pipelines.inputs import Model, decisions_on
from pipelines.intake.single_files.list_table import ListLine
from pipelines.intake.workspace.workspace_files import checked_model
from pipelines.settings import ListVersion, ModelSettings
from pipelines.settings_text import model_toml
from pipelines.workspace import Workspace
from schemas.inputs.models import AMENDMENTS, FLEXIBLE_LINES, PARTS_LIST

NumberedLine = tuple[int, ListLine]


@dataclass(frozen=True)
class Revision:
    """Lines with their numbers, and what differs from the version before, as sentences."""

    lines: list[NumberedLine]
    changes: list[str]


def numbered(lines: Sequence[ListLine], model: Model | None) -> Revision:
    """Give each line the number that the same part and colour had before; others get numbers nothing has had.

    Where several lines are the same part and colour, those of the same section go together, then those in order.
    """
    if model is None:
        return Revision(list(enumerate(lines, start=1)), [])
    rows = model.parts_list.sort("list_version", "line_number", descending=[True, False])
    latest = rows["list_version"].max()
    before = [
        (version == latest, number, part, colour, quantity, section or "")
        for version, number, part, colour, quantity, section in rows.select(PARTS_LIST.columns).iter_rows()
    ]
    places: dict[int, int] = {}
    for is_same_section in (True, False):
        for at, line in enumerate(lines):
            if at in places:
                continue
            for _, number, part, colour, _, section in before:
                same = (part, colour) == (line.part_code, line.colour_code) and number not in places.values()
                if same and (section == line.section_code or not is_same_section):
                    places[at] = number
                    break
    taken = {
        *(row[1] for row in before),
        *model.amendments["line_number"].to_list(),
        *model.flexible_lines["line_number"].to_list(),
    }
    following = max((row[1] for row in before), default=0)
    found = []
    for at, line in enumerate(lines):
        if at not in places:
            following += 1
            while following in taken:
                following += 1
            places[at] = following
        found.append((places[at], line))
    return Revision(sorted(found, key=lambda pair: pair[0]), _changes(found, [row[1:] for row in before if row[0]]))


def _changes(found: Sequence[NumberedLine], before: Sequence[tuple[int, str, str, int, str]]) -> list[str]:
    old = {number: (part, colour, quantity) for number, part, colour, quantity, _ in before}
    new = {number: (line.part_code, line.colour_code, line.quantity) for number, line in found}
    sentences = []
    for number in sorted({*old, *new}):
        if number not in new:
            part, colour, quantity = old[number]
            sentences.append(f"removed  line {number}: {quantity} x {part} in {colour}")
        elif number not in old:
            part, colour, quantity = new[number]
            sentences.append(f"added    line {number}: {quantity} x {part} in {colour}")
        elif old[number] != new[number]:
            part, colour, quantity = new[number]
            sentences.append(f"changed  line {number}: {quantity} x {part} in {colour}, was {old[number][2]}")
    return sentences


def known_model(workspace: Workspace, model_code: str, version: int) -> Model | None:
    """The model that gets a version; None for the first one.

    Raises:
        UsageError: the model is there already, or is not, or has the version.
        InputError: its files are wrong.
    """
    folder = workspace.models / model_code
    if not os.path.lexists(folder):
        others = {path.name.casefold() for path in workspace.models.glob("*")} if workspace.models.is_dir() else set()
        if model_code.casefold() in others:
            raise UsageError(f"there is a model {model_code} in other letters", next_step="give another --code")
        if version != 1:
            raise UsageError(f"there is no model {model_code} yet", next_step="leave --version out, or correct --code")
        return None
    model = checked_model(workspace, model_code)
    listed = max(each.list_version for each in model.settings.versions)
    if version <= listed:
        raise UsageError(
            f"the model {model_code} has version {listed} already",
            where=str(folder),
            state="nothing was written",
            next_step=f"give --version {listed + 1} for a revised list, or another --code",
        )
    if not (folder / "parts.csv").is_file():
        raise UsageError("the parts list is not in parts.csv", where=str(folder), next_step="save it as parts.csv")
    return model


def write_version(
    workspace: Workspace,
    code: str,
    title: str,
    version: int,
    released_on: date,
    lines: Sequence[NumberedLine],
    model: Model | None,
) -> Path:
    """Write a version into models/<code>/ beside the others, checked as a refresh checks it, or leave all as it was.

    Raises:
        InputError: the model would make no sense so.
    """
    folder, new = workspace.models / code, workspace.models / f".{code}.new"
    shutil.rmtree(new, ignore_errors=True)
    old = [] if model is None else model.parts_list.select(PARTS_LIST.columns).rows()
    rows = [
        (version, number, each.part_code, each.colour_code, each.quantity, each.section_code) for number, each in lines
    ]
    try:
        if model is None:
            new.mkdir(parents=True)
            dated = [ListVersion(list_version=version, released_on=released_on)]
            settings = ModelSettings(model_code=code, title=title, versions=dated)
            _write(new / "model.toml", model_toml(settings))
            for contract, name in ((FLEXIBLE_LINES, "flexible_lines"), (AMENDMENTS, "amendments")):
                _write(new / f"{name}.csv", ",".join(contract.columns) + "\n")
        else:
            shutil.copytree(folder, new)
            text = (folder / "model.toml").read_text(encoding="utf-8").rstrip("\n")
            _write(
                new / "model.toml", f"{text}\n\n[[versions]]\nlist_version = {version}\nreleased_on = {released_on}\n"
            )
        cells = io.StringIO()
        csv.writer(cells, lineterminator="\n").writerows([PARTS_LIST.columns, *old, *rows])
        _write(new / "parts.csv", cells.getvalue())
        checked_model(workspace, code, folder=new)
        kept = workspace.models / f".{code}.old"
        shutil.rmtree(kept, ignore_errors=True)
        if model is not None:
            folder.rename(kept)
        new.rename(folder)
        shutil.rmtree(kept, ignore_errors=True)
    except InputError as error:
        raise InputError(
            error.what, where=error.where, state="nothing was written", next_step=error.next_step
        ) from None
    finally:
        shutil.rmtree(new, ignore_errors=True)
    return folder


def put_aside_by(model: Model, version: int, released_on: date, lines: Sequence[NumberedLine]) -> list[str]:
    """The decisions that a version would put aside, with the reason, as sentences."""
    rows = [
        (version, number, each.part_code, each.colour_code, each.quantity, each.section_code) for number, each in lines
    ]
    added = pl.DataFrame(rows, schema=model.parts_list.select(PARTS_LIST.columns).schema, orient="row")
    versions = [*model.settings.versions, ListVersion(list_version=version, released_on=released_on)]
    later = replace(
        model,
        settings=model.settings.model_copy(update={"versions": versions}),
        parts_list=pl.concat([model.parts_list.select(PARTS_LIST.columns), added]),
    )
    known = {(each.line_number, each.decided_on) for each in decisions_on(model, date.max).put_aside}
    found = decisions_on(later, date.max).put_aside
    return [
        f"line {each.line_number}: {each.reason}" for each in found if (each.line_number, each.decided_on) not in known
    ]


def _write(path: Path, text: str) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
