"""``kitfare dictionary``: explains every table and column."""

from __future__ import annotations

from typing import Annotated

import typer


def run(
    table: Annotated[str | None, typer.Argument(metavar="[TABLE]", help="One table. Default: all tables.")] = None,
) -> None:
    """Explain all tables and columns.

    Prints the data dictionary: every column with its meaning, unit, range and default.

    \b
    Examples:
      kitfare dictionary
      kitfare dictionary price_export
      kitfare dictionary > DICTIONARY.md
    """
    from pipelines.cli.terminal.common import unknown
    from schemas.all_tables import ALL_CONTRACTS
    from schemas.dictionary import data_dictionary, table_section

    if table is None:
        typer.echo(data_dictionary(), nl=False)
        return
    if table not in ALL_CONTRACTS:
        raise unknown("table", table, ALL_CONTRACTS)
    typer.echo("\n".join(table_section(ALL_CONTRACTS[table])).rstrip())
