"""``kitfare report``: the report of one month."""

from __future__ import annotations

from typing import Annotated

import typer

from pipelines.cli.terminal.common import WorkspaceOption, note, open_workspace, published_database, say


def run(
    month: Annotated[str, typer.Option(metavar="YYYY-MM", help="The month, such as 2026-10.")],
    model: Annotated[str | None, typer.Option(metavar="MODEL_CODE", help="One model; all of them if left out.")] = None,
    workspace: WorkspaceOption = None,
) -> None:
    """Print the report of one month.

    Of all models: the month at a glance, a ranking, movers, coverage. Of one model: what moved, what can be had, when to
    buy. As Markdown; the page that holds the same is named below it. Every refresh writes the reports of all months that `months_back` in kitfare.toml reaches.

    \b
    Examples:
      kitfare report --month 2026-10
      kitfare report --month 2026-10 --model tram_depot
      kitfare report --month 2026-10 > 2026-10.md
    """
    place = open_workspace(workspace)
    published_database(place)

    from pipelines.flows.month import report_of

    page = report_of(place, month, model)
    say(page.with_suffix(".md").read_text(encoding="utf-8").rstrip())
    note(f"As a page: {page}")
