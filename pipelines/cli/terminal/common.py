"""What the commands share: arguments and options, the workspace, text for terminals. Imports nothing heavy."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from datetime import date

    from pipelines.errors import UsageError
    from pipelines.workspace import Workspace

WorkspaceOption = Annotated[
    Path | None,
    typer.Option(
        "--workspace",
        metavar="DIR",
        help="The workspace. Default: this folder, or the next one above it with a kitfare.toml.",
    ),
]

ModelArgument = Annotated[str, typer.Argument(metavar="MODEL", help="The code of the model.")]
BuyerOption = Annotated[
    str | None,
    typer.Option("--buyer", metavar="BUYER", help="The code of the buyer. Default: the first in kitfare.toml."),
]
ScenarioOption = Annotated[
    str,
    typer.Option(
        "--scenario",
        metavar="SCENARIO",
        help="The way of buying: listed, flexible, maker_marked, maker_first, cheapest, or a code of your own.",
    ),
]


def open_workspace(folder: Path | None) -> Workspace:
    """The workspace a command works on.

    Raises:
        UsageError: the folder is no workspace, or none is found from here upwards.
    """
    from pipelines.errors import UsageError
    from pipelines.workspace import Workspace

    if folder is not None:
        return Workspace(folder)
    found = find_workspace()
    if found is None:
        raise UsageError(
            "no workspace was found: neither this folder nor one above it has a kitfare.toml",
            where=str(Path.cwd()),
            next_step="run `kitfare init DIR`, or give --workspace DIR",
        )
    return Workspace(found)


def find_workspace() -> Path | None:
    """This folder, or the nearest one above it, that is a workspace."""
    here = Path.cwd()
    return next((folder for folder in (here, *here.parents) if (folder / "kitfare.toml").is_file()), None)


def day_of(option: str, text: str) -> date:
    """The date that was given with an option.

    Raises:
        UsageError: it is no date, or none that kitfare can calculate with.
    """
    from datetime import date

    from pipelines.errors import UsageError
    from schemas.contract import FIRST_PRICE_DAY, LAST_PRICE_DAY

    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise UsageError(f"{option} {text}: not a date", next_step="write it like 2026-10-31") from None
    if not FIRST_PRICE_DAY <= day <= LAST_PRICE_DAY:
        raise UsageError(
            f"{option} {text}: not from {FIRST_PRICE_DAY} to {LAST_PRICE_DAY}", next_step="give a date in between"
        )
    return day


_NAMES_SHOWN = 20


def unknown(kind: str, given: object, known: Iterable[object], where: str = "") -> UsageError:
    """The error for a name that nothing has: the nearest name there is, and those that could be meant.

    Args:
        kind: what is named, such as ``model``.
        given: what the user typed.
        known: all the names there are, in the order to show them in.
        where: what was looked at.
    """
    from difflib import get_close_matches

    from pipelines.errors import UsageError

    names = list(map(str, known))
    by_lower = {name.lower(): name for name in names}
    near = get_close_matches(str(given).lower(), by_lower, 1, 0.5)
    more = f" and {len(names) - _NAMES_SHOWN} more" if len(names) > _NAMES_SHOWN else ""
    return UsageError(
        f"there is no {kind} {given}" + (f"; did you mean {by_lower[near[0]]}?" if near else ""),
        where=where,
        next_step=f"name one of: {', '.join(names[:_NAMES_SHOWN])}{more}" if names else f"there is no {kind} yet",
    )


def published_database(workspace: Workspace) -> Path:
    """The database readers see.

    Raises:
        UsageError: nothing is published yet.
    """
    from pipelines.errors import UsageError

    database = workspace.database
    if not database.is_file():
        if workspace.published.is_symlink():
            raise UsageError(
                "what is published is not there: the link names a generation that is gone or not whole",
                where=str(workspace.published),
                next_step="run `kitfare refresh`: it publishes again",
            )
        raise UsageError(
            "nothing is published in this workspace yet",
            where=str(workspace.root),
            next_step="drop price exports into inbox/ and run `kitfare refresh`",
        )
    return database


def scenario_titles(workspace: Workspace) -> dict[str, str]:
    """The titles of the ways of buying by their codes; empty while kitfare.toml can't be read."""
    from pipelines.errors import SettingsError

    try:
        return {scenario.scenario_code: scenario.title for scenario in workspace.settings().scenarios}
    except SettingsError:
        return {}


def titled(code: str, titles: Mapping[str, str]) -> str:
    """A way of buying for people: its title, with the code to type in brackets."""
    return f"{titles[code]} ({code})" if code in titles else code


def say(text: str) -> None:
    """Print a line for people, on standard output."""
    typer.echo(printable(text))


def note(text: str) -> None:
    """Print a line for people on standard error, so that it can't get into a file of results."""
    typer.echo(printable(text), err=True)


def printable(text: str) -> str:
    """The text without characters that steer a terminal: names in tables come from files of others."""
    return re.sub(
        r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff]", "\N{REPLACEMENT CHARACTER}", text
    )


def text_table(header: Sequence[str], rows: Sequence[Sequence[Any]], numbers: Sequence[int] = ()) -> str:
    """Columns of text under a ruled header.

    Args:
        header: the columns' names; a name of several lines stands at the bottom of the header.
        rows: the cells, each of which takes one line.
        numbers: positions of the columns that are aligned to the right.
    """
    from rich.cells import cell_len

    names = [str(name).split("\n") for name in header]
    height = max(map(len, names))
    above = [[*[""] * (height - len(lines)), *lines] for lines in names]
    header_rows = list(zip(*above, strict=True))
    cells = [[_one_line(cell) for cell in row] for row in (*header_rows, *rows)]
    widths = [max(cell_len(row[position]) for row in cells) for position in range(len(header))]
    lines = [_aligned(row, widths, numbers, cell_len) for row in cells]
    return "\n".join([*lines[:height], "  ".join("-" * width for width in widths), *lines[height:]])


def _one_line(cell: Any) -> str:
    return printable(str(cell)).replace("\n", " ").replace("\t", " ")


def _aligned(row: Sequence[str], widths: Sequence[int], numbers: Sequence[int], cell_len: Any) -> str:
    padded = []
    for position, (cell, width) in enumerate(zip(row, widths, strict=True)):
        space = " " * (width - cell_len(cell))
        padded.append(space + cell if position in numbers else cell + space)
    return "  ".join(padded).rstrip()


def is_terminal() -> bool:
    """Whether messages go to a person's terminal."""
    return sys.stderr.isatty()
