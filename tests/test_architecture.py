"""Conventions as tests: imports go one way, modules stay short, and nothing of the workplace gets in."""

import ast
import re
import subprocess
from collections import Counter
from pathlib import Path

import duckdb
import pytest

from tests.conftest import MARKED_PATHS

ROOT = Path(__file__).resolve().parent.parent
MODULES = {
    ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__").removeprefix("pipelines."): path
    for folder in ("pipelines", "schemas")
    for path in sorted((ROOT / folder).rglob("*.py"))
}
"""Every module by its name, without the "pipelines." that most begin with."""
TESTS_OF_NO_ROOM = {"attacks", "browser", "demo", "docs", "faults", "oracle", "published"}
LONGEST_MODULE = 400
MOST_MODULES = 14

# What comes first, from left to right: a < b says that b may import a. a | b stand beside each other: neither imports the other.
# a, b stand together and may import each other. A module that is not named stands at the door of its room, after all that is named.
ROOMS = {
    "": (
        "pipelines | errors | money < schemas"
        " < plain_files, file_faults < settings_base < settings_plausibility | settings_refresh | settings_watches < settings"
        " < workspace | settings_text | inputs | resources | workers"
        " < intake | warehouse | (costing < demand < planner < planning) | trends < insight < reporting < flows < cli"
    ),
    "schemas": "contract < columns | inputs | published < all_columns, all_tables < rules < validate, dictionary",
    "intake": "reading < profiles < checking | plausibility < archiving < workspace < single_files",
    "warehouse": "connect < price_history | publishing",
    "planner": "statement < reduction < program < plans < bounds | search",
    "trends": "months < index_numbers | prices < model_index < outlook",
    "insight": "replanning < (cost_parts < what_if) | flexibility | together | over_time",
    "reporting": "basis < drawings < sections < orders < model_pages | month",
    "flows": "file_lock | month < runs < watch_news < recorded | steps < refresh < scheduler < upkeep",
    "cli": "terminal < start | (nightly < upkeep) | ask",
}


def split(order: str, sign: str) -> list[str]:
    """The order cut at a sign, but not inside brackets."""
    found, depth = [""], 0
    for letter in order:
        depth += (letter == "(") - (letter == ")")
        if letter == sign and not depth:
            found.append("")
        else:
            found[-1] += letter
    return [part.strip() for part in found]


def may_import(order: str, before: frozenset[str] = frozenset()) -> dict[str, frozenset[str]]:
    """What each name of an order may import: what comes before it, and what stands together with it."""
    found: dict[str, frozenset[str]] = {}
    for step in split(order, "<"):
        beside: dict[str, frozenset[str]] = {}
        for part in split(step, "|"):
            if part.startswith("("):
                beside |= may_import(part[1:-1], before)
            else:
                names = split(part, ",")
                beside |= {name: before | set(names) for name in names}
        found |= beside
        before |= set(beside)
    return found


ALLOWED = {room: may_import(order) for room, order in ROOMS.items()}


def place_in(room: str, module: str) -> str:
    """The name under which a module stands in the order of a room; "" at its door."""
    name = module.removeprefix(f"{room}." if room else "").split(".")[0]
    return name if name in ALLOWED[room] else ""


def rooms_of(module: str) -> list[str]:
    """The rooms with an order that a module is in, from the outermost."""
    return [room for room in ROOMS if not room or module.startswith(f"{room}.")]


def is_allowed(module: str, imported: str) -> bool:
    """Whether the table lets a module import another one: where they part, it must stand after the other."""
    for room in rooms_of(module):
        place, other = place_in(room, module), place_in(room, imported)
        if place != other:
            return not place or other in ALLOWED[room][place]
    return True


def imports_of(path: Path) -> set[str]:
    """The modules of the project that a module imports, anywhere in it and for type checkers too."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.module and not node.level, f"{path}: relative imports hide the room"
            names = [f"{node.module}.{alias.name}" for alias in node.names]
            found |= {name if name.removeprefix("pipelines.") in MODULES else node.module for name in names}
    return {name.removeprefix("pipelines.") for name in found if name.split(".")[0] in ("pipelines", "schemas")}


IMPORTS = {module: imports_of(path) for module, path in MODULES.items()}


def circle_in(imports: dict[str, set[str]]) -> list[str]:
    """Names that import each other in a circle, or lead to one; none where there is no circle."""
    left = dict(imports)
    while ends := [name for name in left if not left[name] & left.keys()]:
        for name in ends:
            del left[name]
    return sorted(left)


def reached_from(module: str) -> set[str]:
    """All that a module imports, directly or not."""
    found: set[str] = set()
    ahead = {module}
    while ahead:
        found |= ahead
        ahead = {name for each in ahead for name in IMPORTS[each]} - found
    return found - {module}


def test_an_order_is_read_as_it_is_meant() -> None:
    assert {name: "".join(sorted(names)) for name, names in may_import("a < b | (c < d) | e, f < g").items()} == {
        "a": "a", "b": "ab", "c": "ac", "d": "acd", "e": "aef", "f": "aef", "g": "abcdefg",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("module", "imported"),
    [
        ("trends.months", "costing.terms"),
        ("costing.terms", "planner.solve"),
        ("planner.bounds.relaxation", "planner.search.repair"),
        ("planner.search.repair", "planner.bounds.relaxation"),
        ("planner.statement.bands", "planner.solve"),
        ("money", "schemas.contract"),
        ("schemas.contract", "settings"),
        ("schemas.columns.plans", "schemas.inputs.models"),
    ],
)
def test_imports_against_the_order_are_found(module: str, imported: str) -> None:
    assert not is_allowed(module, imported)
    assert module in MODULES and imported in MODULES


def test_circles_are_found() -> None:
    assert circle_in({"a": {"b"}, "b": {"c"}, "c": {"b"}, "d": set(), "e": {"d"}}) == ["a", "b", "c"]


def test_every_module_belongs_to_a_room() -> None:
    packages = [module for module, path in MODULES.items() if path.name == "__init__.py"]
    assert not [module for module in MODULES if not place_in("", module)]
    assert not [module for module in packages for room in rooms_of(module) if not place_in(room, module)]
    assert {f"{room}.{name}".strip(".") for room in ROOMS for name in ALLOWED[room]} <= set(MODULES), "no such room"


@pytest.mark.parametrize("module", MODULES)
def test_imports_go_one_way(module: str) -> None:
    assert not [imported for imported in IMPORTS[module] if not is_allowed(module, imported)]


def test_no_modules_import_each_other_in_a_circle() -> None:
    assert not circle_in(IMPORTS)


def test_the_landed_cost_shares_nothing_with_the_planner() -> None:
    """Plans are checked against it, so neither it nor what it imports may come from there."""
    reached = reached_from("costing.landed_cost")
    assert "costing.terms" in reached
    assert not [module for module in reached if module.startswith(("planner", "planning"))]


def test_only_the_warehouse_opens_duckdb() -> None:
    users = [name for name, path in MODULES.items() if re.search(r"^\s*(import|from) duckdb", path.read_text(), re.M)]
    assert users and all(user.startswith("warehouse.") for user in users), users


def test_the_guide_for_developers_has_the_same_rooms() -> None:
    """In the same order, and each with the rooms inside it."""
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").replace("\\|", "|")
    rows = dict(re.findall(r"^\| `(\w+)/` \|.*? \|(?: (.*))? \|$", guide, re.M))
    packages = [module for module, path in MODULES.items() if path.name == "__init__.py"]
    assert list(rows) == [name for name in ALLOWED[""] if name in packages and name != "pipelines"]
    for room, inside in rows.items():
        rooms = {module.removeprefix(f"{room}.") for module in packages if module.startswith(f"{room}.")}
        assert rooms <= set(re.findall(r"\w+", inside)), room


def test_tests_stand_in_folders_named_like_the_rooms() -> None:
    """Those of a room in its folder, those of a room inside it likewise; a few folders are about no single room."""
    packages = {module for module, path in MODULES.items() if path.name == "__init__.py"}
    folders = {path.parent.relative_to(ROOT / "tests") for path in (ROOT / "tests").rglob("test_*.py")} - {Path()}
    rooms = {folder for folder in folders if folder.parts[0] not in TESTS_OF_NO_ROOM}
    named = {".".join(folder.parts) for folder in rooms}
    assert {"planner", "intake.reading"} <= named and named - packages == set()


def test_rooms_stay_small() -> None:
    counts = Counter(path.parent for path in MODULES.values() if path.name != "__init__.py")
    assert {str(room): count for room, count in counts.items() if count > MOST_MODULES} == {}


@pytest.mark.parametrize("folder", ["pipelines", "schemas", "tests", "demo_inputs"])
def test_modules_stay_short(folder: str) -> None:
    paths = list((ROOT / folder).rglob("*.py"))
    lengths = {str(path): len(path.read_text(encoding="utf-8").splitlines()) for path in paths}
    assert paths and {path: length for path, length in lengths.items() if length > LONGEST_MODULE} == {}


def test_no_two_classes_have_one_name() -> None:
    """A name of two meanings must be looked up each time. Private classes stay within their module."""
    names = Counter(
        node.name
        for path in MODULES.values()
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_")
    )
    assert len(names) > 100 and [name for name, count in names.items() if count > 1] == []


@pytest.mark.parametrize("module", MODULES)
def test_every_module_says_what_it_is(module: str) -> None:
    body = ast.parse(MODULES[module].read_text(encoding="utf-8"))
    assert ast.get_docstring(body), f"{module} has no docstring"
    if MODULES[module].name == "__init__.py" and module != "pipelines":
        assert len(body.body) == 1, f"{module}: a package's door is its docstring alone"


@pytest.mark.parametrize("folder", ["tests", "demo_inputs"])
def test_every_package_beside_says_what_it_is(folder: str) -> None:
    folders = {path.parent for path in (ROOT / folder).rglob("*.py")} - {ROOT / "tests/flows/scheduler/network_guard"}
    assert folders
    for each in folders:
        assert ast.get_docstring(ast.parse((each / "__init__.py").read_text(encoding="utf-8"))), each


SQL_FILES = [path for path in sorted((ROOT / "sql").rglob("*.sql")) if path.parent.name != "migrations"]


@pytest.mark.parametrize("path", SQL_FILES, ids=lambda path: path.stem)
def test_a_sql_file_has_one_statement(path: Path) -> None:
    """A view's comments are part of it; a migration is one change of many tables."""
    kinds = [str(statement.type) for statement in duckdb.extract_statements(path.read_text(encoding="utf-8"))]
    assert len([kind for kind in kinds if path.parent.name != "marts" or "ALTER" not in kind]) == 1, kinds


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
