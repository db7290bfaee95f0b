"""``kitfare report``: prints the report of one month."""

from __future__ import annotations

import json
import sys
from typing import Annotated

import typer

from pipelines.cli.terminal.common import WorkspaceOption, note, open_workspace, published_database, say


def run(
    month: Annotated[
        str | None, typer.Option(metavar="YYYY-MM", help="The month, such as 2026-10. Default: the latest.")
    ] = None,
    model: Annotated[
        str | None, typer.Option(metavar="MODEL", help="The code of one model. Default: all models.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the page's name and its text as JSON.")] = False,
    workspace: WorkspaceOption = None,
) -> None:
    """Print the report of one month, by default the latest.

    For all models: the main points, the month's costs and why they moved, the largest price changes, when to buy, a ranking. For one model:
    what changed, what can be bought, when to buy. It is Markdown; the page with the same contents is named below it.
    Every refresh writes the reports of the last `months_back` months.

    \b
    Examples:
      kitfare report
      kitfare report --month 2026-10 --model tram_depot
      kitfare report --month 2026-10 > 2026-10.md
    """
    place = open_workspace(workspace)
    published_database(place)

    from pipelines.flows.month import latest_month, report_of

    page = report_of(place, month or latest_month(place), model)
    text = page.with_suffix(".md").read_text(encoding="utf-8").rstrip()
    if as_json:
        sys.stdout.write(json.dumps({"page": str(page), "markdown": text}, ensure_ascii=False, indent=1) + "\n")
        return
    say(text)
    note(f"As a page: {page}")
