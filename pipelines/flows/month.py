"""Finds the report of one month among those that the last refresh published."""

from __future__ import annotations

import re
from datetime import date, timedelta
from pathlib import Path

from pipelines.errors import UsageError
from pipelines.reporting.basis.page_tables import file_name
from pipelines.workspace import Workspace


def month_before(day: date) -> str:
    """The calendar month before the month of ``day``, such as 2026-10."""
    return f"{day.replace(day=1) - timedelta(days=1):%Y-%m}"


def latest_month(workspace: Workspace) -> str:
    """The latest month with a published report.

    Raises:
        UsageError: there is none.
    """
    months = sorted(path.stem for path in (workspace.public / "reports").glob("????-??.html"))
    if not months:
        raise UsageError("there is no report yet", next_step="run `kitfare refresh`")
    return months[-1]


def report_of(workspace: Workspace, month: str, model_code: str | None = None) -> Path:
    """The published page of a month's report, for all models or one; the same in Markdown is beside it, as .md.

    Raises:
        UsageError: it is not a month, or there is no report for it, or none for the model.
    """
    if not re.fullmatch(r"[0-9]{4}-(0[1-9]|1[0-2])", month):
        raise UsageError(f"{month!r} is not a month", next_step="write it like 2026-10")
    reports = workspace.public / "reports"
    page = reports / f"{month}.html"
    if not page.is_file():
        months = sorted(path.stem for path in reports.glob("????-??.html"))
        raise UsageError(
            f"there is no report of {month}",
            where=f"months with a report: {', '.join(months) or 'none'}",
            next_step="give another month, or raise months_back in kitfare.toml and run `kitfare refresh`",
        )
    if model_code is None:
        return page
    own = reports / month / f"{file_name(model_code)}.html"
    if not own.is_file():
        models = sorted(path.stem for path in (reports / month).glob("*.html"))
        raise UsageError(
            f"there is no report of the model {model_code} in {month}",
            where=f"models with one: {', '.join(models) or 'none'}",
            next_step="give another model, or leave out --model",
        )
    return own
