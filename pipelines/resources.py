"""Where the SQL, the page templates and the demo are: beside the package in a checkout, inside it in a wheel."""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Iterable, Mapping
from functools import cache
from importlib.metadata import version
from itertools import takewhile
from pathlib import Path
from types import MappingProxyType

_HERE = Path(__file__).resolve().parent
_SOURCES = {".py", ".sql", ".j2", ".css", ".json"}
SHAPING_LIBRARIES = (
    "charset-normalizer", "coloraide", "duckdb", "highspy", "iso4217", "Jinja2", "MarkupSafe", "numpy", "pandas", "pandera",
    "polars", "pyarrow", "pydantic", "python-calamine", "scipy", "statsmodels", "vl-convert-python", "xlsxwriter",
)  # fmt: skip
"""Distributions whose code what is published goes through: read, calculated, drawn or written by them. pandas
calculates for statsmodels. What only runs kitfare, such as Prefect and Typer, is not among them."""


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
    """The hash of kitfare's source text and of the versions of what else shapes published bytes: libraries and Python."""
    reports = resource_folder("reports")
    folders = (_HERE, _HERE.parent / "schemas", resource_folder("sql"), reports / "templates", reports / "charts")
    return digest_of((path for folder in folders for path in _sources(folder)), SHAPING_LIBRARIES)


def digest_of(sources: Iterable[Path], libraries: Iterable[str]) -> str:
    """The hash of files' content, in order, of the versions of installed libraries, and of Python's."""
    state = hashlib.sha256(f"Python {platform.python_version()}\n".encode())
    for name in libraries:
        state.update(f"{name} {version(name)}\n".encode())
    for path in sources:
        state.update(hashlib.sha256(path.read_bytes()).digest())
    return state.hexdigest()


def _sources(folder: Path) -> list[Path]:
    """Source files of a folder, without the copies that a wheel carries in it."""
    found = (path for path in folder.rglob("*") if path.suffix in _SOURCES)
    return sorted(path for path in found if "_resources" not in path.relative_to(folder).parts)


@cache
def sql_text(path: str) -> str:
    """The text of sql/<path>, such as ``marts/open_offers.sql``."""
    return (resource_folder("sql") / path).read_text(encoding="utf-8")


@cache
def sql_texts(room: str) -> Mapping[str, str]:
    """The text of every file of sql/<room> and its folders, by the file's stem, sorted.

    Raises:
        ValueError: two files share a stem; folders group files, but stems alone name them.
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
