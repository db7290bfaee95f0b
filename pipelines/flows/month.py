"""The report of one month, written from what is published and added to it."""

from __future__ import annotations

import re
import tempfile
from datetime import date, timedelta
from pathlib import Path

from pipelines.errors import UsageError
from pipelines.flows.nightly import only_refresh
from pipelines.intake.workspace_files import read_workspace
from pipelines.reporting.monthly_report import write_monthly_report
from pipelines.settings import Workspace
from pipelines.warehouse.query import run_query
from schemas.inputs import WORKSPACE_TABLES
from schemas.published import ALL_PUBLISHED


def month_before(day: date) -> str:
    """The calendar month before the month of ``day``, such as 2026-10."""
    return f"{day.replace(day=1) - timedelta(days=1):%Y-%m}"


def publish_report(workspace: Workspace, month: str) -> Path:
    """Write the report of a month into published/reports/ and return its page.

    The files are made elsewhere and moved in one by one, so that a reader never meets half a page.

    Raises:
        UsageError: the month is no month, or has no prices.
        KitfareError: the workspace's inputs can't be read.
    """
    if not re.fullmatch(r"\d{4}-(0[1-9]|1[0-2])", month):
        raise UsageError(f"{month!r} is not a month", next_step="write it like 2026-10")
    with only_refresh(workspace):
        generation = workspace.published.resolve()
        months = run_query(
            generation / "kitfare.duckdb", "select distinct month from price_index order by 1", max_rows=None
        )
        if month not in months["month"].to_list():
            known = months["month"].to_list()
            raise UsageError(
                f"there is nothing to report for {month}",
                where=f"months with prices: {known[0]} to {known[-1]}" if known else "no month has prices",
                next_step="give another month, or raise months_back in kitfare.toml and refresh",
            )
        tables = {
            contract.name: run_query(generation / "kitfare.duckdb", f"from {contract.name}", max_rows=None)
            for contract in (*WORKSPACE_TABLES, *ALL_PUBLISHED)
        }
        # Named as a generation that is being built, so that the next refresh clears it away if this is killed.
        with tempfile.TemporaryDirectory(dir=workspace.generations, suffix=".building") as made:
            written = write_monthly_report(tables, read_workspace(workspace), month, Path(made))
            _move_in(Path(made), generation)
        return generation / written[0].relative_to(made)


def _move_in(made: Path, generation: Path) -> None:
    for source in sorted(path for path in made.rglob("*") if path.is_file()):
        target = generation / source.relative_to(made)
        target.parent.mkdir(parents=True, exist_ok=True)
        source.replace(target)
