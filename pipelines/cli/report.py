"""``kitfare report``: the report of one month."""

from __future__ import annotations

from typing import Annotated

import typer

from pipelines.cli.common import WorkspaceOption, open_workspace, published_database, say


def run(
    month: Annotated[str, typer.Option(metavar="YYYY-MM", help="The month, such as 2026-10.")],
    workspace: WorkspaceOption = None,
) -> None:
    """Write the report of one month.

    It is made from what is published: indices, movers, contributions, coverage. Months before the priced one can be reported as far back as `months_back` in kitfare.toml reaches.

    \b
    Example:
      kitfare report --month 2026-10
    """
    place = open_workspace(workspace)
    published_database(place)

    from pipelines.flows.month import publish_report

    say(f"Written: {publish_report(place, month)}")
