"""``kitfare verify`` finds whatever was damaged, says how to mend it, and what it says does mend it."""

import shutil
from pathlib import Path

import pytest
from tiny_workspace import make_workspace
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.flows.nightly import refresh
from pipelines.flows.rebuild import rebuild
from pipelines.flows.verify import verify
from pipelines.intake import archive, journal
from pipelines.settings import Workspace
from pipelines.warehouse import connect

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def template(tmp_path_factory):
    place = make_workspace(tmp_path_factory.mktemp("verify") / "space")
    refresh(place)
    return place


@pytest.fixture
def place(template, tmp_path):
    return Workspace(Path(shutil.copytree(template.root, tmp_path / "space", symlinks=True)))


def faults(place):
    return [f"{fault.what} | {fault.where} | {fault.next_step}" for fault in verify(place).faults]


def change(path, at=-100):
    """One byte of a file, which may be read-only."""
    path.chmod(0o644)
    content = bytearray(path.read_bytes())
    content[at] ^= 1
    path.write_bytes(content)


def export_in_archive(place):
    (reading,) = [r for r in journal.read_journal(place.archive).readings if r.file_name == "north.csv"]
    return archive.place_of(reading.file_hash, place.archive)


def test_a_whole_workspace_has_no_faults_and_is_not_touched(place):
    before = {path: path.stat().st_mtime_ns for path in place.root.rglob("*") if path.is_file()}
    result = CliRunner().invoke(app, ["verify", "--workspace", str(place.root)])
    assert result.exit_code == 0 and "All of it is whole" in result.stdout, result.output
    assert "5 rows read from 3 files" in result.stdout
    assert {path: path.stat().st_mtime_ns for path in place.root.rglob("*") if path.is_file()} == before


def test_a_damaged_or_missing_archived_file_is_named_and_dropping_it_again_mends_it(place):
    kept = export_in_archive(place).read_bytes()
    change(export_in_archive(place))
    (told,) = faults(place)
    assert "was damaged" in told and export_in_archive(place).name in told
    export_in_archive(place).unlink()
    (told,) = faults(place)
    assert "lacks a file that was used: north.csv" in told and "inbox" in told
    (place.inbox / "north.csv").write_bytes(kept)
    refresh(place)
    assert faults(place) == []


def test_a_changed_history_is_told_and_a_rebuild_mends_it(place):
    with connect.writer(place.warehouse) as con:
        con.execute("update price_history set unit_price = 2 * unit_price where vendor_code = 'north'")
    assert any("price history is not what the rows received give" in told for told in faults(place))
    rebuild(place, replace=True)
    assert faults(place) == []


def test_lost_rows_are_told(place):
    with connect.writer(place.warehouse) as con:
        con.execute("delete from price_observation where vendor_code = 'south' and part_code = '00502'")
    told = faults(place)
    assert any("south.csv are not accounted for" in one and "rebuild" in one for one in told), told


@pytest.mark.parametrize(
    "damage", [lambda path: path.unlink(), lambda path: path.write_bytes(path.read_bytes()[:9000])]
)
def test_a_warehouse_that_is_gone_or_cut_is_rebuilt(place, damage):
    damage(place.warehouse)
    (told,) = faults(place)
    assert "warehouse" in told and "kitfare rebuild" in told
    rebuild(place, replace=True)
    assert faults(place) == [] and not refresh(place).published, "it is the same: nothing new to publish"


@pytest.mark.parametrize(
    "name", ["tables/model_cost.csv", "tables/price_history.parquet", "index.html", "kitfare.duckdb"]
)
def test_a_changed_published_file_is_named_and_publishing_again_mends_it(place, name):
    change(place.published.resolve() / name)
    told = faults(place)
    assert any(name in one and "was changed" in one for one in told), told
    place.published.unlink()
    refresh(place)
    assert faults(place) == []


def test_published_rows_that_are_not_the_warehouses_are_told_though_their_sums_fit(place):
    from pipelines.warehouse import generation

    seen = place.published.resolve()
    con = connect.open_database(seen / generation.DATABASE_NAME, read_only=False, spill=None)
    con.execute("update price_history set quantity_available = quantity_available + 1 where part_code = '00502'")
    con.close()
    sums = "".join(f"{digest}  {path}\n" for path, digest in generation._sums(seen).items())
    (seen / generation.SUMS_NAME).write_text(sums)
    assert any("published table price_history is not the warehouse's" in told for told in faults(place))


def test_a_missing_page_of_the_journal_is_told(place):
    sorted((place.archive / "journal").iterdir())[0].unlink()
    result = CliRunner().invoke(app, ["verify", "--workspace", str(place.root)])
    assert result.exit_code == 5 and "journal are missing" in result.stdout
    assert "1 faults were found" in result.stderr
