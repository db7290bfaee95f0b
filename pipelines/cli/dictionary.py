"""``kitfare dictionary``: every table and column, in words."""

from __future__ import annotations

from typing import Annotated

import typer


def run(
    table: Annotated[str | None, typer.Argument(metavar="[TABLE]", help="Only this table.")] = None,
) -> None:
    """Print the data dictionary.

    Every table and column with its meaning, unit, range and default.

    \b
    Examples:
      kitfare dictionary
      kitfare dictionary price_export
      kitfare dictionary > DICTIONARY.md
    """
    from pipelines.cli.common import unknown
    from schemas.dictionary import GROUPS, data_dictionary, table_section

    if table is None:
        typer.echo(data_dictionary(), nl=False)
        return
    contracts = {contract.name: contract for _, group in GROUPS for contract in group}
    if table not in contracts:
        raise unknown("table", table, contracts)
    typer.echo("\n".join(table_section(contracts[table])).rstrip())
