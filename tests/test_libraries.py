"""Nothing private of a library is used, but for one name of the solver, whose version is therefore pinned."""

import ast
import tomllib
from importlib.metadata import version
from pathlib import Path

import pytest

from pipelines.planner.program import linear

LOOKED_AT = "1.16.0"
PRIVATE = ["highspy._Highs"]
ROOT = Path(__file__).resolve().parent.parent
PYPROJECT = ROOT / "pyproject.toml"


def private_names(tree: ast.Module) -> list[str]:
    """Names with a leading underscore that a module takes from modules outside the project."""
    modules: dict[str, str] = {}
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            modules |= {alias.asname or alias.name.split(".")[0]: alias.name for alias in node.names}
            found += [alias.name for alias in node.names if is_private(alias.name)]
        elif isinstance(node, ast.ImportFrom):
            names = [f"{node.module}.{alias.name}" for alias in node.names]
            modules |= {alias.asname or alias.name: name for alias, name in zip(node.names, names, strict=True)}
            found += [name for name in names if is_private(name)]
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in modules:
            name = f"{modules[node.value.id]}.{node.attr}"
            found += [name] if is_private(node.attr) else []
    own = ("pipelines.", "schemas.")
    standard = ("__future__.", "os._exit")
    return [name for name in found if not name.startswith((*own, *standard))]


def is_private(name: str) -> bool:
    return any(part.startswith("_") and not part.startswith("__") for part in name.split("."))


@pytest.mark.parametrize(
    ("source", "names"),
    [
        ("import polars as pl\npl._shape", ["polars._shape"]),
        ("from duckdb import _core", ["duckdb._core"]),
        ("import prefect._internal.work", ["prefect._internal.work"]),
        ("from pipelines.money import _digits\nimport typer\ntyper.core.x", []),
    ],
)
def test_private_names_are_found(source: str, names: list[str]) -> None:
    assert private_names(ast.parse(source)) == names


def test_nothing_else_private_of_a_library_is_used() -> None:
    modules = sorted([*(ROOT / "pipelines").rglob("*.py"), *(ROOT / "schemas").rglob("*.py")])
    assert [name for path in modules for name in private_names(ast.parse(path.read_text(encoding="utf-8")))] == PRIVATE


def test_the_installed_solver_is_the_one_that_was_looked_at() -> None:
    assert version("highspy") == LOOKED_AT, (
        "highspy has moved, and linear.quiet_solver uses its private class _Highs. Look whether highspy.Highs can be made "
        "without printing now, and whether _Highs still takes what linear.py and vendor_relaxation.py ask of it. Run "
        "tests/planner, then raise the version here and in pyproject.toml."
    )


def test_the_project_asks_for_that_version_alone() -> None:
    asked = tomllib.loads(PYPROJECT.read_text(encoding="utf-8"))["project"]["dependencies"]
    assert [line for line in asked if line.startswith("highspy")] == [f"highspy=={LOOKED_AT}"]


def test_it_prints_nothing(capfd: pytest.CaptureFixture[str]) -> None:
    linear.quiet_solver().run()
    assert capfd.readouterr() == ("", "")
