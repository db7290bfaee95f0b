"""What the pages for developers name exists: paths, targets of make, tests, names in the code, and rooms in their order."""

import ast
import re
from functools import cache
from pathlib import Path

import pytest

from tests.docs.test_commands import snippets

ROOT = Path(__file__).resolve().parents[2]
FOLDERS = ("pipelines", "schemas", "sql", "tests", "demo_inputs", "reports", "docs")
GUIDES = ("DEVELOPERS.md", "CONTRIBUTING.md")
PAGES = [ROOT / name for name in GUIDES] + sorted(
    path for folder in FOLDERS for path in (ROOT / folder).rglob("DECISIONS.md")
)
DOORS = sorted((ROOT / "pipelines").rglob("__init__.py"))
MADE_BY_A_RUN = {".plan_cache", ".prefect/", "demo/", "inbox/", "index_vintages/", "night_costs/", "quarantine/"}
"""Named in these pages, and there only in a workspace."""
NOT_OURS = {"__path__", "_minor"}
"""Python's own, and an ending that a decision says no column has."""
MOST_BYTES = 10_000


def texts(*endings: str) -> dict[Path, str]:
    """The text of every file with one of the endings, in the folders of the code."""
    paths = [path for folder in FOLDERS for ending in endings for path in sorted((ROOT / folder).rglob(f"*{ending}"))]
    return {path: path.read_text(encoding="utf-8") for path in paths}


@cache
def words_of_the_code() -> frozenset[str]:
    """Every word in Python, SQL, templates and settings; names in this file left out."""
    found = texts(".py", ".sql", ".j2", ".toml")
    found[ROOT / "pyproject.toml"] = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    return frozenset(
        word for path, text in found.items() if path != Path(__file__) for word in re.findall(r"\w+", text)
    )


def is_there(name: str) -> bool:
    """Whether a path, or the end of one, is in the tree; ``<page>`` stands for any name."""
    pattern = re.sub(r"<\w+>", "*", name).strip("/")
    places = [ROOT, *(ROOT / folder for folder in FOLDERS)]
    return any(next(place.glob(way + pattern), None) is not None for place in places for way in ("", "**/"))


def missing(snippet: str) -> str:
    """What is wrong with a name in a page; empty if it is there, or names nothing in the tree."""
    if snippet in MADE_BY_A_RUN | NOT_OURS:
        return ""
    if re.fullmatch(r"(\.[a-z]\w*)+", snippet):
        return "" if is_there(f"*{snippet}") else "no file ends in this"
    if module := re.match(r"\.venv/bin/python -m ([\w.]+)", snippet):
        name = module[1].replace(".", "/")
        return "" if not name.startswith(FOLDERS) or is_there(f"{name}.py") else "no such module"
    if re.fullmatch(r"[\w<>*/.-]*\w(/|/[\w<>*.-]+|\.(py|sql|md|toml|j2|lock))", snippet):
        return "" if is_there(snippet) else "no such path"
    if target := re.fullmatch(r"make ([a-z-]+)|(bench-[a-z]+)", snippet):
        targets = re.findall(r"^([a-z-]+):", (ROOT / "Makefile").read_text(encoding="utf-8"), re.M)
        return "" if (target[1] or target[2]) in targets else "no such target of make"
    if re.fullmatch(r"_[a-z]+|[a-z]+_", snippet):
        found = any(word.startswith(snippet) or word.endswith(snippet) for word in words_of_the_code())
        return "" if found else "no name begins or ends with this"
    if re.fullmatch(r"[\w.]+", snippet) and re.search(r"[_A-Z]|\w\.\w", snippet):
        return "" if set(snippet.split(".")) <= words_of_the_code() else "no such name in the code"
    return ""


@pytest.mark.parametrize("page", PAGES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_what_a_page_for_developers_names_exists(page: Path) -> None:
    named = list(snippets(page.read_text(encoding="utf-8")))
    assert {name: why for name in named if (why := missing(name))} == {}


@pytest.mark.parametrize(
    "name",
    [
        "pipelines/nowhere.py", "basis/published.py", "nowhere/", "tests/builders/none_*.py", "sql/<subject>/none.sql", "make nothing",
        "bench-nothing", ".venv/bin/python -m demo_inputs.nothing", "test_nobody" + "_wrote_this", "solve.no" + "_such_bound", "NO" + "_SUCH_LIST", ".no.j2",
    ],
)  # fmt: skip
def test_what_does_not_exist_is_found(name: str) -> None:
    assert missing(name)


def test_builders_that_the_guide_names_exist() -> None:
    guide = (ROOT / "CONTRIBUTING.md").read_text(encoding="utf-8")
    first = guide.partition("## A builder for tests\n")[2].partition("\n2. ")[0]
    named = re.findall(r"`([a-z_]+)/?`", first)
    assert len(named) > 5
    assert not [name for name in named if not list((ROOT / "tests/builders").glob(f"{name}*"))]


def test_folders_of_sql_that_the_guide_names_are_all_there() -> None:
    guide = " ".join((ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split())
    lists = re.findall(r"`(\w+)/` \(([^)]+)\)", guide)
    assert [name for name, _ in lists] == ["history", "checks"]
    for name, inside in lists:
        there = {path.name for path in (ROOT / "sql" / name).iterdir()}
        assert set(re.findall(r"`(\w+)`", inside)) == there


def door(path: Path) -> str:
    """The docstring of a package as one line."""
    return " ".join((ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or "").split())


def test_a_door_that_gives_an_order_to_read_in_names_every_module() -> None:
    ordered = {path: door(path) for path in DOORS if re.search(r"in this order|In the order in which", door(path))}
    assert len(ordered) >= 4
    for path, text in ordered.items():
        modules = {module.stem for module in path.parent.glob("*.py")} - {"__init__"}
        assert modules <= set(re.findall(r"\w+", text)), path


def orders_inside() -> dict[str, str]:
    """What each room says of the order inside it, at its door and in the guide, by where that is said."""
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").replace("\\|", "|")
    rows = re.findall(r"^\| `(\w+)/` \|.*? \|(?: (.*))? \|$", guide, re.M)
    found = {f"DEVELOPERS.md {room}": inside for room, inside in rows if room != "schemas"}
    for path in DOORS:
        if order := re.search(r"\b[Ii]nside[,:] ([\w|<, ]*<[\w|<, ]*)", door(path)):
            found[path.parent.relative_to(ROOT / "pipelines").as_posix()] = order[1]
    return found


def test_rooms_name_what_is_inside_them() -> None:
    orders = orders_inside()
    assert len(orders) > 12
    for place, order in orders.items():
        folder = ROOT / "pipelines" / place.removeprefix("DEVELOPERS.md ")
        there = {path.stem for path in folder.iterdir()}
        assert set(re.findall(r"\w+", order)) - {"and", "last", "which", "need", "at", "most"} <= there, place


def test_rooms_that_a_door_may_import_exist() -> None:
    names = {path.stem for path in (ROOT / "pipelines").rglob("*") if path.is_dir() or path.suffix == ".py"}
    for path in DOORS:
        for allowed in re.findall(r"[Mm]ay import ([\w, ]+?)(?:\.|;|$)", door(path)):
            if "every" not in allowed and "only what" not in allowed:
                assert set(re.findall(r"\w+", allowed)) - {"and"} <= names | {"schemas"}, path


def test_the_guide_for_developers_is_short() -> None:
    assert (ROOT / "DEVELOPERS.md").stat().st_size <= MOST_BYTES
