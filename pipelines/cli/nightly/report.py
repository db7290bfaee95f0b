"""``kitfare report``: prints the report of one month."""

from __future__ import annotations

from typing import Annotated

import typer

from pipelines.cli.terminal.common import WorkspaceOption, note, open_workspace, published_database, say


def run(
    month: Annotated[str, typer.Option(metavar="YYYY-MM", help="The month, such as 2026-10.")],
    model: Annotated[
        str | None, typer.Option(metavar="MODEL", help="The code of one model. Default: all models.")
    ] = None,
    workspace: WorkspaceOption = None,
) -> None:
    """Print the report of one month.

    For all models: the month's costs, a ranking, the largest price changes, and how much has a price. For one model:
    what changed, what can be bought, when to buy. It is Markdown; the page with the same contents is named below it.
    Every refresh writes the reports of the last `months_back` months.

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
