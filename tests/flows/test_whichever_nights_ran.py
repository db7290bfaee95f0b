"""The same inputs give the same bytes, whichever nights ran: every night, with gaps, in any order, in one go, or rebuilt.

Some tables are records of nights. They differ by design, and are compared apart:

- refresh_run and the column received_at of intake_file hold times of the clock.
- nightly_cost, index_vintage and index_revision say what was published on each night (files in night_costs/ and index_vintages/);
  input_file lists these files.
- export_finding says what was remarkable about an export when it came: one that comes after a later one is late.
- price_index and index_band: the two GEKS methods carry on from levels that were published; levels of the other methods may not
  differ. `test_only_the_records_of_nights_make_a_difference` shows that the records are all that makes them differ.
"""

import csv
import io
import random
import shutil
from collections.abc import Sequence
from pathlib import Path

import pytest

from pipelines.flows.rebuild import rebuild
from pipelines.flows.refresh import refresh
from pipelines.workspace import Workspace
from tests.builders import known_truth
from tests.builders.length import IS_LONG
from tests.builders.written_workspaces import write_workspace

CLOCK = {"refresh_run"}
RECORDS = {"nightly_cost", "index_vintage", "index_revision", "input_file", "index_band"}
ON_ARRIVAL = {"export_finding"}
PUBLISHED_LEVELS = ("geks-tornqvist", "geks-tornqvist-bought")
RECORD_FOLDERS = ("index_vintages", "night_costs")
SETTINGS = known_truth.SETTINGS.replace('"standard"', '"quick"')
EXPORTS = known_truth.exports()
NIGHTS = [[name for name in EXPORTS if day in name] for day in known_truth.MONTH_ENDS]


def nights(root: Path, batches: Sequence[Sequence[str]], records: Workspace | None = None) -> Workspace:
    """A workspace in which each batch of files was dropped and refreshed; with the records of another one, if any."""
    workspace = write_workspace(root, SETTINGS, known_truth.TABLES, {"shed": known_truth.MODEL})
    if records is not None:
        for name in RECORD_FOLDERS:
            shutil.copytree(records.root / name, root / name)
    for batch in batches:
        for name in batch:
            (workspace.inbox / name).write_text(EXPORTS[name], encoding="utf-8")
        refresh(workspace)
    return workspace


def tables(workspace: Workspace, without: set[str]) -> dict[str, str]:
    """Published tables as CSV texts by name, without the times of the clock and some tables."""
    found = {}
    for path in sorted((workspace.root / "published/private/tables").glob("*.csv")):
        text = path.read_text(encoding="utf-8")
        if path.stem == "intake_file":
            rows = list(csv.DictReader(io.StringIO(text)))
            assert rows and all(row.pop("received_at") for row in rows)
            text = str(rows)
        if path.stem not in without:
            found[path.stem] = text
    return found


def without_published_levels(found: dict[str, str]) -> dict[str, str]:
    """The tables with the price indices that do not carry on from published levels."""
    lines = found["price_index"].splitlines()
    kept = [line for line in lines if not any(f",{method}," in line for method in PUBLISHED_LEVELS)]
    assert 1 < len(kept) < len(lines)
    return found | {"price_index": "\n".join(kept)}


def assert_same(found: dict[str, str], expected: dict[str, str]) -> None:
    assert found.keys() == expected.keys() and len(found) > 50
    assert [name for name in found if found[name] != expected[name]] == []


def order_lists(workspace: Workspace) -> dict[str, bytes]:
    folder = workspace.root / "published/private/orders"
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*.*") if path.is_file()}


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("nights")


@pytest.fixture(scope="module")
def in_one_go(place: Path) -> Workspace:
    return nights(place / "in_one_go", [list(EXPORTS)])


@pytest.fixture(scope="module")
def every_night(place: Path) -> Workspace:
    return nights(place / "every_night", NIGHTS)


def test_every_night_gives_what_one_go_gives(every_night: Workspace, in_one_go: Workspace) -> None:
    left_out = CLOCK | RECORDS
    found, expected = (tables(workspace, left_out) for workspace in (every_night, in_one_go))
    assert_same(without_published_levels(found), without_published_levels(expected))
    assert order_lists(every_night) == order_lists(in_one_go) != {}


def test_only_the_records_of_nights_make_a_difference(place: Path, every_night: Workspace) -> None:
    """With their records, one go gives every table that the nights gave, published levels and all."""
    again = nights(place / "with_records", [list(EXPORTS)], every_night)
    assert_same(tables(again, CLOCK), tables(every_night, CLOCK))


@pytest.mark.skipif(not IS_LONG, reason="three refreshes and a rebuild; runs with KITFARE_LONG_TESTS=1")
@pytest.mark.parametrize("seed", [4])
def test_files_in_any_order_with_gaps_and_a_rebuild_give_what_one_go_gives(
    place: Path, in_one_go: Workspace, seed: int
) -> None:
    """Files of all dates come shuffled, in two nights; then warehouse, plans and all that is published are lost."""
    names = random.Random(seed).sample(list(EXPORTS), len(EXPORTS))
    workspace = nights(place / f"shuffled-{seed}", [names[:6], names[6:]])
    left_out = CLOCK | RECORDS | ON_ARRIVAL
    expected = without_published_levels(tables(in_one_go, left_out))
    assert_same(without_published_levels(tables(workspace, left_out)), expected)
    for name in (".plan_cache", "generations", *RECORD_FOLDERS):
        shutil.rmtree(workspace.root / name)
    workspace.published.unlink()
    workspace.warehouse.unlink()
    assert rebuild(workspace, replace=True).file_count == len(EXPORTS)
    refresh(workspace)
    assert_same(without_published_levels(tables(workspace, left_out)), expected)
    assert order_lists(workspace) == order_lists(in_one_go)
