"""``kitfare init``: makes a new workspace."""

from __future__ import annotations

import os
import shutil
import time
from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from pipelines.cli.terminal.common import say

FOLDERS = ("inbox", "taken", "quarantine", "profiles", "tables", "models")
TEMPLATE = "templates/my_model"
"""Where a new workspace has the files of a model, ready to be copied into models/."""


def run(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The folder to make. If it exists, it must be empty.")],
    example: Annotated[
        bool,
        typer.Option(
            "--example", help="Fill it with a tiny invented example, to be edited into a workspace of your own."
        ),
    ] = False,
    demo: Annotated[
        bool, typer.Option("--demo", help="Fill it with the large invented demo: six models, two years of prices.")
    ] = False,
) -> None:
    """Make a new workspace.

    It gets a kitfare.toml that explains every setting, the folders, a table of plain colours, the other tables with their
    headers, and a model to copy. With --example it gets one small model, three vendors and two nights of prices, and a
    README.md about every file.

    \b
    Examples:
      kitfare init my-models
      kitfare init trial --example && kitfare refresh --workspace trial
      kitfare init demo --demo && kitfare refresh --workspace demo
    """
    _require_one_filling(example, demo)
    _require_empty(folder)
    folder.mkdir(parents=True, exist_ok=True)
    if demo:
        from pipelines.cli.start.demo import install_demo

        install_demo(folder)
        say(f"Made the demo workspace {folder}. Next: kitfare refresh --workspace {folder}")
        return
    for name in FOLDERS:
        (folder / name).mkdir()
    _write_tables(folder)
    _write_model_template(folder / TEMPLATE)
    if example:
        _copy_example(folder)
    # Last, because it is what makes the folder a workspace.
    (folder / "kitfare.toml").write_text(_settings_text(example), encoding="utf-8")
    for line in _next_steps(folder, example):
        say(line)


def _next_steps(folder: Path, example: bool) -> tuple[str, ...]:
    if example:
        return (
            f"Made the example {folder}. Next:",
            f"  1. kitfare refresh --workspace {folder}",
            f"  2. read {folder}/README.md: what each file is, and how to make it your own",
        )
    return (
        f"Made the workspace {folder}. Next:",
        "  1. name the buyer, region and currency in kitfare.toml",
        "  2. fill tables/*.csv: vendors and their terms; `kitfare dictionary vendors` explains a table",
        f"  3. add a model: `kitfare add model FILE`, or copy {TEMPLATE}/ to models/<model_code>/ and write your list into it",
        "  4. drop price exports into inbox/; `kitfare inspect FILE` shows what a refresh would make of one",
        "  5. run `kitfare refresh` in the workspace",
    )


def _require_one_filling(example: bool, demo: bool) -> None:
    from pipelines.errors import UsageError

    if example and demo:
        raise UsageError("--example and --demo are two fillings of one folder", next_step="give one of them")


def _require_empty(folder: Path) -> None:
    from pipelines.errors import UsageError

    if folder.exists() and not folder.is_dir():
        raise UsageError(f"{folder} is a file, not a folder", next_step="give another name")
    if folder.is_dir() and any(folder.iterdir()):
        is_workspace = (folder / "kitfare.toml").exists()
        raise UsageError(
            f"{folder} is a workspace already" if is_workspace else f"{folder} is not empty",
            state="nothing was changed",
            next_step=f"run kitfare refresh --workspace {folder}" if is_workspace else "give the name of a new folder",
        )


def _settings_text(example: bool) -> str:
    from pipelines.settings import Buyer, Settings
    from pipelines.settings_refresh import RefreshSettings
    from pipelines.settings_text import settings_toml

    home = Buyer(buyer_code="home", title="a buyer at home", region_code="home", currency_code="EUR")
    if not example:
        return settings_toml(Settings(buyer=[home]))
    # The example's prices have dates of their own, and no months before them.
    refresh = RefreshSettings(
        priced_on="latest_export",
        months_back=0,
        planned_months_back=0,
        copy_counts=[1],
        inbox_quiet_seconds=0,
        workers=1,
    )
    return settings_toml(Settings(buyer=[home], refresh=refresh))


def _example_folder() -> Path:
    from pipelines.resources import resource_folder

    return resource_folder("demo_inputs") / "example"


def _copy_example(folder: Path) -> None:
    """Copy the example's files; its price exports are old enough to be taken in at once."""
    example = _example_folder()
    an_hour_ago = time.time() - 3600
    for path in sorted(example.rglob("*")):
        if path.is_file():
            target = folder / path.relative_to(example)
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, target)
            os.utime(target, (an_hour_ago, an_hour_ago))


def _write_tables(folder: Path) -> None:
    from schemas.all_tables import WORKSPACE_TABLES

    for contract in WORKSPACE_TABLES:
        path = folder / "tables" / f"{contract.name}.csv"
        path.write_text(",".join(contract.columns) + "\n", encoding="utf-8")
    shutil.copyfile(_example_folder() / "tables/colours.csv", folder / "tables/colours.csv")


def _write_model_template(folder: Path) -> None:
    """The files of a model that is complete and valid under the folder's name."""
    from pipelines.settings import ListVersion, ModelSettings
    from pipelines.settings_text import model_toml
    from schemas.inputs.models import AMENDMENTS, FLEXIBLE_LINES, PARTS_LIST

    folder.mkdir(parents=True)
    versions = [ListVersion(list_version=1, released_on=date(2026, 1, 1))]
    model = ModelSettings(model_code=folder.name, title="My model", versions=versions)
    (folder / "model.toml").write_text(model_toml(model), encoding="utf-8")
    for name, contract in (("parts", PARTS_LIST), ("flexible_lines", FLEXIBLE_LINES), ("amendments", AMENDMENTS)):
        rows = "1,1,my-part,red,1,\n" if contract is PARTS_LIST else ""
        (folder / f"{name}.csv").write_text(",".join(contract.columns) + "\n" + rows, encoding="utf-8")
