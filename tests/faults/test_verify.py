"""``kitfare verify`` finds whatever was damaged, says how to correct it, and what it says does correct it."""

import json
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.flows.rebuild import rebuild
from pipelines.flows.refresh import refresh
from pipelines.flows.steps import intake_steps
from pipelines.flows.verify import verify
from pipelines.intake.archiving import archive, journal
from pipelines.warehouse import connect
from pipelines.workspace import DATABASE, Workspace
from tests.builders.faulty_workspaces import copied
from tests.builders.length import IS_LONG


@pytest.fixture
def place(refreshed: Any, tmp_path: Path) -> Any:
    return Workspace(copied(refreshed, tmp_path / "space"))


def faults(place: Any) -> Any:
    return [f"{fault.what} | {fault.where} | {fault.next_step}" for fault in verify(place).faults]


def change(path: Any, at: int = -100) -> None:
    """One byte of a file, which may be read-only."""
    path.chmod(0o644)
    content = bytearray(path.read_bytes())
    content[at] ^= 1
    path.write_bytes(content)


def in_archive(place: Any, name: Any) -> Any:
    (reading,) = [r for r in journal.read_journal(place.archive).readings if r.file_name == name]
    return archive.place_of(reading.file_hash, place.archive)


def test_a_whole_workspace_has_no_faults_and_is_not_touched(place: Any) -> None:
    before = {path: path.stat().st_mtime_ns for path in place.root.rglob("*") if path.is_file()}
    result = CliRunner().invoke(app, ["verify", "--workspace", str(place.root)])
    assert result.exit_code == 0 and "No fault was found." in result.stdout, result.output
    assert "rows read from 8 files" in result.stdout
    assert {path: path.stat().st_mtime_ns for path in place.root.rglob("*") if path.is_file()} == before


def test_damaged_and_missing_archived_files_are_named_and_dropping_them_again_corrects_it(place: Any) -> None:
    damaged, missing = (in_archive(place, name) for name in ("north-3.csv", "south-3.csv"))
    for path in (damaged, missing):
        (place.inbox / path.name).write_bytes(path.read_bytes())
    change(damaged)
    missing.unlink()
    was_damaged, is_missing = faults(place)
    assert "is damaged" in was_damaged and damaged.name in was_damaged
    assert "has lost a file that was used: south-3.csv" in is_missing and "inbox" in is_missing
    intake_steps.take_in_files(intake_steps.read_inputs(place, datetime(2026, 11, 25)))
    assert faults(place) == []


def test_a_changed_history_is_reported_and_a_rebuild_corrects_it(place: Any) -> None:
    with connect.writer(place.warehouse) as con:
        con.execute("update price_period set unit_price = 2 * unit_price where vendor_code = 'north'")
    assert any("price history does not follow from the rows received" in message for message in faults(place))
    rebuild(place, replace=True)
    assert not rebuild(place, replace=False).differences


def test_lost_rows_are_reported(place: Any) -> None:
    with connect.writer(place.warehouse) as con:
        con.execute("delete from observed_row where vendor_code = 'south' and part_code = '00100'")
    messages = faults(place)
    assert any("south-3.csv are not accounted for" in one and "rebuild" in one for one in messages), messages


@pytest.mark.skipif(not IS_LONG, reason="KITFARE_LONG_TESTS=1 runs it; test_rebuild.py has the gist")
@pytest.mark.parametrize("size", [0, 9000, 100_000])
def test_a_warehouse_that_was_cut_is_rebuilt(place: Any, size: int) -> None:
    place.warehouse.write_bytes(place.warehouse.read_bytes()[:size])
    (message,) = faults(place)
    assert "warehouse" in message and "kitfare rebuild" in message
    rebuild(place, replace=True)
    assert faults(place) == [] and not refresh(place).published, "it is the same: nothing new to publish"


def test_changed_published_files_are_named_and_publishing_again_corrects_them(place: Any) -> None:
    names = ("private/tables/intake_file.csv", "private/tables/price_history.parquet", "public/index.html", DATABASE)
    for name in names:
        change(place.published.resolve() / name)
    messages = faults(place)
    for name in names:
        assert any(name in one and "was changed" in one for one in messages), (name, messages)
    place.published.unlink()
    assert refresh(place).published
    assert faults(place) == []


def test_published_rows_that_are_not_the_warehouses_are_reported_though_their_sums_fit(place: Any) -> None:
    from pipelines.warehouse.publishing import generation

    seen = place.published.resolve()
    con = connect.open_database(seen / DATABASE, read_only=False, spill=None)
    con.execute("update price_history set quantity_available = quantity_available + 1 where part_code = '00100'")
    con.close()
    sums = "".join(f"{digest}  {path}\n" for path, digest in generation._sums(seen).items())
    (seen / generation.SUMS_NAME).write_text(sums)
    assert any("published table price_history differs from the warehouse's" in message for message in faults(place))


def test_a_missing_page_of_the_journal_is_reported(place: Any) -> None:
    sorted((place.archive / "journal").iterdir())[0].unlink()
    result = CliRunner().invoke(app, ["verify", "--workspace", str(place.root)])
    assert result.exit_code == 5 and "journal are missing" in result.stdout
    assert "1 fault was found" in result.stderr


def test_the_loss_of_the_newest_page_is_reported_though_it_holds_a_nights_record_alone(place: Any) -> None:
    *_, before, newest = journal.pages(place.archive)
    assert json.loads(newest.read_bytes()).keys() == {"previous", "nights"}
    newest.unlink()
    (fault,) = faults(place)
    assert "the newest page of the archive's journal is missing" in fault and newest.name in fault
    before.unlink()
    assert any("the newest page of the archive's journal is missing" in fault for fault in faults(place))


def test_a_refresh_says_that_the_newest_page_is_lost_and_writes_it_down_again(place: Any) -> None:
    newest = journal.pages(place.archive)[-1]
    newest.unlink()
    assert any(newest.name in message for message in refresh(place).messages)
    assert faults(place) == []
    assert not any(newest.name in message for message in refresh(place).messages)
