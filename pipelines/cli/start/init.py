"""``kitfare init``: makes a new workspace."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from pipelines.cli.terminal.common import say

FOLDERS = ("inbox", "taken", "quarantine", "profiles", "tables", "models")


def run(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The folder to make. If it exists, it must be empty.")],
    demo: Annotated[
        bool, typer.Option("--demo", help="Fill it with an invented example, ready for `kitfare refresh`.")
    ] = False,
) -> None:
    """Make a new workspace.

    It gets a kitfare.toml that explains every setting, the folders, and empty tables with their headers.

    \b
    Examples:
      kitfare init my-models
      kitfare init demo --demo && kitfare refresh --workspace demo
    """
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
    _write_model_examples(folder / "models")
    # Last, because it is what makes the folder a workspace.
    (folder / "kitfare.toml").write_text(_settings_text(), encoding="utf-8")
    for line in (
        f"Made the workspace {folder}. Next:",
        "  1. name the buyer, region and currency in kitfare.toml",
        "  2. fill tables/*.csv: vendors, their terms, colours; `kitfare dictionary vendors` explains a table",
        "  3. add a model: make models/<model_code>/ and copy the files models/*.example into it, without .example",
        "  4. drop price exports into inbox/; `kitfare inspect FILE` shows what a refresh would make of one",
        "  5. run `kitfare refresh` in the workspace",
    ):
        say(line)


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


def _settings_text() -> str:
    from pipelines.settings import Buyer, Settings
    from pipelines.settings_text import settings_toml

    home = Buyer(buyer_code="home", title="a buyer at home", region_code="home", currency_code="EUR")
    return settings_toml(Settings(buyer=[home]))


def _write_tables(folder: Path) -> None:
    from schemas.all_tables import WORKSPACE_TABLES

    for contract in WORKSPACE_TABLES:
        path = folder / "tables" / f"{contract.name}.csv"
        path.write_text(",".join(contract.columns) + "\n", encoding="utf-8")


def _write_model_examples(models: Path) -> None:
    from pipelines.settings import ListVersion, ModelSettings
    from pipelines.settings_text import model_toml
    from schemas.inputs.models import AMENDMENTS, FLEXIBLE_LINES, PARTS_LIST

    versions = [ListVersion(list_version=1, released_on=date(2026, 1, 1))]
    example = ModelSettings(model_code="my_model", title="My model", versions=versions)
    (models / "model.toml.example").write_text(model_toml(example), encoding="utf-8")
    for name, contract in (("parts", PARTS_LIST), ("flexible_lines", FLEXIBLE_LINES), ("amendments", AMENDMENTS)):
        (models / f"{name}.csv.example").write_text(",".join(contract.columns) + "\n", encoding="utf-8")
