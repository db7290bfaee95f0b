"""Where the SQL, the page templates and the demo are: beside the package in a checkout, inside it in a wheel."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

_HERE = Path(__file__).resolve().parent
_SOURCES = {".py", ".sql", ".j2", ".css"}


def resource_folder(name: str) -> Path:
    """The folder ``sql``, ``reports`` or ``demo_inputs``.

    Raises:
        FileNotFoundError: the installation does not have it.
    """
    for folder in (_HERE / "_resources" / name, _HERE.parent / name):
        if folder.is_dir():
            return folder
    raise FileNotFoundError(f"kitfare's folder {name}/ is missing from the installation")


@cache
def software_digest() -> str:
    """The hash of all source text: two installations with the same one calculate the same."""
    folders = (_HERE, _HERE.parent / "schemas", resource_folder("sql"), resource_folder("reports") / "templates")
    state = hashlib.sha256()
    for folder in folders:
        for path in sorted(_sources(folder)):
            state.update(path.read_bytes())
    return state.hexdigest()


def _sources(folder: Path) -> list[Path]:
    """Source files of a folder, without the copies that a wheel carries in it."""
    found = (path for path in folder.rglob("*") if path.suffix in _SOURCES)
    return [path for path in found if "_resources" not in path.relative_to(folder).parts]


@cache
def sql_text(path: str) -> str:
    """The text of sql/<path>, such as ``history/price_history.sql``."""
    return (resource_folder("sql") / path).read_text(encoding="utf-8")
