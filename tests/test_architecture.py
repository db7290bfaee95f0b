"""Conventions as tests: imports go one way, modules stay short, and nothing of the workplace gets in."""

import ast
import re
import subprocess
from pathlib import Path
from typing import Any

import duckdb
import pytest

from tests.conftest import MARKED_PATHS

ROOT = Path(__file__).resolve().parent.parent
MODULES = sorted([*(ROOT / "pipelines").rglob("*.py"), *(ROOT / "schemas").rglob("*.py")])

BASE = {"schemas", "pipelines", "pipelines.errors", "pipelines.money"}
COMMON = BASE | {
    "pipelines.settings",
    "pipelines.settings_base",
    "pipelines.settings_files",
    "pipelines.settings_prefect",
    "pipelines.settings_watches",
    "pipelines.settings_text",
    "pipelines.inputs",
    "pipelines.resources",
    "pipelines.demo",
    "pipelines.workers",
}
STAGES = ("intake", "warehouse", "costing", "trends")
MAY_IMPORT = {
    "schemas": BASE,
    "pipelines": COMMON,
    **{f"pipelines.{stage}": COMMON | {f"pipelines.{stage}"} for stage in STAGES},
}
_below = COMMON | {f"pipelines.{stage}" for stage in STAGES}
for _layer in ("insight", "reporting", "flows", "cli"):
    _below = _below | {f"pipelines.{_layer}"}
    MAY_IMPORT[f"pipelines.{_layer}"] = _below


def dotted(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def layer_of(module: str) -> str:
    parts = module.split(".")
    if parts[0] == "schemas":
        return "schemas"
    return ".".join(parts[:2]) if ".".join(parts[:2]) in MAY_IMPORT else "pipelines"


def imports_of(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            assert node.level == 0, f"{path}: relative imports hide the layer"
            found |= {f"{node.module}.{alias.name}" for alias in node.names} | {node.module}
    return {name for name in found if name.split(".")[0] in ("pipelines", "schemas")}


@pytest.mark.parametrize("path", MODULES, ids=dotted)
def test_imports_go_one_way(path: Any) -> None:
    allowed = MAY_IMPORT[layer_of(dotted(path))]
    for name in imports_of(path):
        prefixes = {".".join(name.split(".")[:n]) for n in range(1, len(name.split(".")) + 1)}
        if prefixes <= {"pipelines", "pipelines.__version__"}:
            continue
        assert (prefixes - {"pipelines"}) & allowed, f"{dotted(path)} must not import {name}"


def test_the_landed_cost_shares_nothing_with_the_planner() -> None:
    assert not [name for name in imports_of(ROOT / "pipelines/costing/landed_cost.py") if "planner" in name]


def test_only_the_warehouse_opens_duckdb() -> None:
    users = [dotted(path) for path in MODULES if re.search(r"^\s*(import|from) duckdb", path.read_text(), re.M)]
    assert users and all(user.startswith("pipelines.warehouse") for user in users), users


SQL_FILES = [path for path in sorted((ROOT / "sql").rglob("*.sql")) if path.parent.name != "migrations"]


@pytest.mark.parametrize("path", SQL_FILES, ids=lambda path: path.stem)
def test_a_sql_file_has_one_statement(path: Path) -> None:
    """A view's comments are part of it; a migration is one change of many tables."""
    kinds = [str(statement.type) for statement in duckdb.extract_statements(path.read_text(encoding="utf-8"))]
    assert len([kind for kind in kinds if path.parent.name != "marts" or "ALTER" not in kind]) == 1, kinds


@pytest.mark.parametrize("path", MODULES, ids=dotted)
def test_modules_stay_short(path: Any) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 450


@pytest.mark.parametrize("path", MODULES, ids=dotted)
def test_every_module_says_what_it_is(path: Any) -> None:
    assert ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))), f"{path} has no docstring"


def tracked_files() -> list[Path]:
    try:
        listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("not a git checkout")
    return [ROOT / name for name in listed.splitlines()]


def test_no_machine_paths_and_no_download_addresses() -> None:
    """Lock files pin versions and hashes only; nothing names a folder of one machine."""
    forbidden = re.compile(
        "|".join(
            ("/ro" + "ot/", "/ho" + r"me/\w+/", "python" + r"hosted\.org", r"registry\.npm" + "js", "/pypi" + r"\.org")
        )
    )
    found = []
    for path in tracked_files():
        if path.suffix in (".png", ".parquet", ".xlsx", ".gz", ".ods") or not path.is_file():
            continue
        for number, line in enumerate(path.read_text(encoding="utf-8", errors="replace").splitlines(), 1):
            if forbidden.search(line):
                found.append(f"{path.relative_to(ROOT)}:{number}")
    assert not found, found


def test_every_marked_path_exists() -> None:
    assert MARKED_PATHS and not [path for path in MARKED_PATHS if not (ROOT / path).exists()]


def test_tests_are_marked_by_their_path_only() -> None:
    """tests/conftest.py says which files are slow, open a browser or start a server."""
    by_hand = re.compile(r"\bmark\.(slow|browser|flows)\b")
    found = [path for path in (ROOT / "tests").rglob("*.py") if by_hand.search(path.read_text(encoding="utf-8"))]
    assert not found, found
