"""What is published has the software's identity in its name: whatever shapes published bytes changes it."""

import ast
import platform
import shutil
import sys
from importlib.metadata import packages_distributions, version
from pathlib import Path

import pytest

from pipelines import resources

ROOT = Path(__file__).resolve().parent.parent
RUNS_ONLY = {"prefect", "rich", "typer", "typer-slim", "tzlocal", "uvicorn"}
"""Imported, and no byte of what is published goes through them: steps are run, times chosen, the terminal written."""
BENEATH = {"pandas"}
"""Not imported by name: statsmodels calculates with them."""


def identity() -> str:
    return resources.software_digest.__wrapped__()


@pytest.fixture
def own_reports(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of reports/ that a test may change."""
    real = resources.resource_folder
    shutil.copytree(real("reports"), tmp_path / "reports")
    monkeypatch.setattr(resources, "resource_folder", lambda name: tmp_path / name if name == "reports" else real(name))
    return tmp_path / "reports"


@pytest.mark.parametrize("name", ["charts/lines.vl.json", "charts/tornado.vl.json", "templates/page.css"])
def test_a_change_of_what_pages_are_made_of_changes_it(name: str, own_reports: Path) -> None:
    before = identity()
    assert before == resources.software_digest()
    path = own_reports / name
    path.write_bytes(path.read_bytes() + b"\n")
    assert identity() != before


@pytest.mark.parametrize("name", resources.SHAPING_LIBRARIES)
def test_another_version_of_a_library_changes_it(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    before = identity()
    monkeypatch.setattr(resources, "version", lambda other: "0.0.0" if other == name else version(other))
    assert identity() != before


def test_another_python_changes_it(monkeypatch: pytest.MonkeyPatch) -> None:
    before = identity()
    monkeypatch.setattr(platform, "python_version", lambda: "3.0.0")
    assert identity() != before


def test_every_library_is_known_to_shape_what_is_published_or_not_to() -> None:
    sources = [path for folder in ("pipelines", "schemas") for path in (ROOT / folder).rglob("*.py")]
    modules = {
        name.split(".")[0]
        for path in sources
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        for name in (
            [alias.name for alias in node.names]
            if isinstance(node, ast.Import)
            else [node.module or ""]
            if isinstance(node, ast.ImportFrom)
            else []
        )
    }
    modules -= {*sys.stdlib_module_names, "pipelines", "schemas"}
    distributions = packages_distributions()
    imported = {distribution for module in modules for distribution in distributions[module]}
    assert imported - RUNS_ONLY == set(resources.SHAPING_LIBRARIES) - BENEATH
