"""Where the SQL, the page templates and the demo are: beside the package in a checkout, inside it in a wheel."""

from __future__ import annotations

from functools import cache
from pathlib import Path

_HERE = Path(__file__).resolve().parent


def resource_folder(name: str) -> Path:
    """The folder ``sql``, ``reports`` or ``demo_inputs``.

    Raises:
        FileNotFoundError: the installation lacks it.
    """
    for folder in (_HERE / "_resources" / name, _HERE.parent / name):
        if folder.is_dir():
            return folder
    raise FileNotFoundError(f"kitfare's folder {name}/ is missing from the installation")


@cache
def sql_text(path: str) -> str:
    """The text of sql/<path>, such as ``history/price_history.sql``."""
    return (resource_folder("sql") / path).read_text(encoding="utf-8")
