"""Where the SQL, the page templates and the demo are: beside the package in a checkout, inside it in a wheel."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from functools import cache
from itertools import takewhile
from pathlib import Path
from types import MappingProxyType

_HERE = Path(__file__).resolve().parent
_SOURCES = {".py", ".sql", ".j2", ".css"}


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
def software_digest() -> str:
    """What identifies the software as it is: the hash of all its source text, whatever its version calls itself."""
    folders = (_HERE, _HERE.parent / "schemas", resource_folder("sql"), resource_folder("reports") / "templates")
    state = hashlib.sha256()
    for folder in folders:
        for path in sorted(_sources(folder)):
            state.update(path.read_bytes())
    return state.hexdigest()


def _sources(folder: Path) -> list[Path]:
    """Source files of a folder, without the copies that an installed package has within it."""
    found = (path for path in folder.rglob("*") if path.suffix in _SOURCES)
    return [path for path in found if "_resources" not in path.relative_to(folder).parts]


@cache
def sql_text(path: str) -> str:
    """The text of sql/<path>, such as ``marts/open_offers.sql``."""
    return (resource_folder("sql") / path).read_text(encoding="utf-8")


@cache
def sql_texts(room: str) -> Mapping[str, str]:
    """The text of every file of sql/<room> and its folders, by the file's stem, sorted.

    Raises:
        ValueError: two files share a stem; folders group files, they do not tell them apart.
    """
    texts: dict[str, str] = {}
    for path in sorted((resource_folder("sql") / room).rglob("*.sql"), key=lambda path: path.stem):
        if path.stem in texts:
            raise ValueError(f"sql/{room} has two files called {path.name}")
        texts[path.stem] = path.read_text(encoding="utf-8")
    return MappingProxyType(texts)


def leading_comment(sql: str) -> str:
    """What a file of SQL says it is: its first paragraph of comment, as one line."""
    lines = takewhile(lambda line: line.startswith("--") and line != "--", sql.splitlines())
    return " ".join(line.removeprefix("--").strip() for line in lines)
