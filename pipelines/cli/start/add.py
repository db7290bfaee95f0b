"""``kitfare add``: makes a model, or a new version of one, of a parts list as its designer delivers it."""

from __future__ import annotations

import re
from datetime import date
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipelines.cli.terminal.common import WorkspaceOption, day_of, open_workspace, say, text_table

if TYPE_CHECKING:
    from pipelines.intake.single_files.list_columns import KnownCodes
    from pipelines.intake.single_files.list_table import ListTable
    from pipelines.workspace import Workspace


class Kind(Enum):
    """What can be added."""

    model = "model"


_SHOWN = 12


def run(
    kind: Annotated[Kind, typer.Argument(metavar="model", help="What is added: model.")],
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The parts list: CSV, TSV, XLSX, ODS or JSON lines.")],
    code: Annotated[
        str | None, typer.Option("--code", metavar="CODE", help="The model's code. Default: made of the file's name.")
    ] = None,
    title: Annotated[
        str | None, typer.Option("--title", metavar="TITLE", help="The model's name on pages. Default: its code.")
    ] = None,
    version: Annotated[
        int, typer.Option("--version", metavar="NUMBER", min=1, help="The list's version; 2 or more: a revised list.")
    ] = 1,
    released_on: Annotated[
        str | None, typer.Option("--released", metavar="DATE", help="First day of this version. Default: today.")
    ] = None,
    part: Annotated[str | None, typer.Option("--part", metavar="COLUMN", help="The column of part codes.")] = None,
    colour: Annotated[str | None, typer.Option("--colour", metavar="COLUMN", help="The column of colours.")] = None,
    quantity: Annotated[
        str | None, typer.Option("--quantity", metavar="COLUMN", help="The column of quantities.")
    ] = None,
    section: Annotated[str | None, typer.Option("--section", metavar="COLUMN", help="The column of sections.")] = None,
    colour_names: Annotated[
        list[str] | None,
        typer.Option("--colour-is", metavar="THEIRS=OURS", help="A colour of the file as our code. May repeat."),
    ] = None,
    source: Annotated[
        str | None,
        typer.Option("--source", metavar="SOURCE", help="Translate its part codes by this source of tables/code_map."),
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Write without asking, if nothing is wrong or open.")] = False,
    workspace: WorkspaceOption = None,
) -> None:
    """Make a model of a parts list as its designer delivers it.

    Finds the table below titles, its columns, one or two header lines and totals; one row per colour or one column per
    colour. Shows what it found before it writes models/<code>/. With anything wrong or open it writes nothing.
    With --version 2 it shows what a revised list adds, removes and changes. Lines keep their numbers, and decisions
    stay with their part and colour or are put aside.

    \b
    Examples:
      kitfare add model ~/Downloads/gatehouse.xlsx
      kitfare add model list.csv --code gatehouse --colour-is Noir=black
      kitfare add model second.csv --code gatehouse --version 2
    """
    from pipelines.errors import InputError, UsageError
    from pipelines.intake.single_files import list_revision
    from pipelines.intake.single_files.list_table import read_list

    place = open_workspace(workspace)
    day = date.today() if released_on is None else day_of("--released", released_on)
    model_code = code or re.sub(r"[^a-z0-9]+", "_", file.name.split(".")[0].lower()).strip("_") or "model"
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]*", model_code):
        raise UsageError(f"{model_code} can't name a folder", next_step="use letters, digits, _ and - in --code")
    if not file.is_file():
        raise UsageError(f"there is no file {file}", where=str(Path.cwd()), next_step="check the path")
    model = list_revision.known_model(place, model_code, version)
    stated = {"part": part, "colour": colour, "quantity": quantity, "section": section}
    table = read_list(file, _known(place, source, colour_names or []), {k: v for k, v in stated.items() if v})
    _show(table, file)
    wrong = [*table.problems, *table.questions]
    if wrong:
        raise InputError(
            f"{len(wrong)} {'thing stands' if len(wrong) == 1 else 'things stand'} against this list, see above",
            where=str(file),
            state="nothing was written",
            next_step="correct the file, add colours to tables/colours or give --colour-is, and answer what is open",
        )
    revision = list_revision.numbered(table.lines, model)
    if model is not None:
        say(
            f"Against the version before: {len(revision.changes)} {'line differs' if len(revision.changes) == 1 else 'lines differ'}"
        )
        for text in revision.changes:
            say(f"  {text}")
        for text in list_revision.put_aside_by(model, version, day, revision.lines):
            say(f"  decision put aside, {text}")
    if not yes and not typer.confirm(f"Write version {version} of {model_code}?", default=True):
        say("Nothing was written.")
        return
    folder = list_revision.write_version(place, model_code, title or model_code, version, day, revision.lines, model)
    say(f"Wrote {len(revision.lines)} lines to {folder}. Next: kitfare refresh")


def _known(place: Workspace, source: str | None, colour_names: list[str]) -> KnownCodes:
    import polars as pl

    from pipelines.errors import UsageError
    from pipelines.intake.single_files.list_columns import KnownCodes
    from pipelines.intake.workspace.workspace_files import read_workspace_table
    from schemas.inputs.catalogue import CODE_MAP, COLOURS, PARTS

    rows = read_workspace_table(place, COLOURS).select("colour_name", "colour_code").rows()
    colours = {name.casefold(): code for name, code in rows} | {code.casefold(): code for _, code in rows}
    for pair in colour_names:
        theirs, _, ours = pair.partition("=")
        if ours not in {code for _, code in rows}:
            raise UsageError(
                f"--colour-is {pair}: {ours or 'nothing'} is not in tables/colours", next_step="write THEIRS=OURS"
            )
        colours[theirs.strip().casefold()] = ours
    part_map: dict[str, str] = {}
    if source is not None:
        mapped = read_workspace_table(place, CODE_MAP).filter(pl.col("source_code") == source).sort("valid_from_on")
        part_map = dict(mapped.select("source_part_code", "part_code").rows())
        if not part_map:
            raise UsageError(f"tables/code_map has no source {source}", next_step="correct --source, or leave it out")
    return KnownCodes(colours, read_workspace_table(place, PARTS)["part_code"].to_list(), part_map)


def _show(table: ListTable, file: Path) -> None:
    say(f"{file.name}: {len(table.lines)} lines, {table.piece_count} pieces")
    for role, text in table.columns.items():
        say(f"  {role}: {text}")
    if table.lines:
        cells = [
            [each.source_line, each.part_code, each.colour_code, each.quantity, each.section_code]
            for each in table.lines[:_SHOWN]
        ]
        say(text_table(["file line", "part", "colour", "pieces", "section"], cells, numbers=[0, 3]))
        if len(table.lines) > _SHOWN:
            say(f"... and {len(table.lines) - _SHOWN} more")
    for kind, texts in (("note", table.notes), ("wrong", table.problems), ("open", table.questions)):
        for text in texts:
            say(f"  {kind}: {text}")
