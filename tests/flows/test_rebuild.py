"""The warehouse made again from the archive alone is the one that was there, whatever happened on the way."""

import shutil
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.errors import InputError
from pipelines.flows.rebuild import compare, rebuild
from pipelines.flows.steps import history_steps, intake_steps, plausibility_steps
from pipelines.flows.steps.night import Night
from pipelines.intake.archiving import journal
from pipelines.intake.workspace import workspace_files
from pipelines.warehouse import connect
from pipelines.warehouse.price_history import history
from pipelines.workspace import Workspace
from tests.builders.workspaces import NORTH, export, make_workspace

SPECIAL = "Nr;Preis\n00501;0,07\n"
PROFILE = """profile_name = "special"
source_code = "south"
table = "price_export"
[recognise]
columns = ["Nr", "Preis"]
[columns]
part_code = "Nr"
unit_price = "Preis"
[constants]
vendor_code = "south"
currency_code = "{currency}"
condition = "new"
colour_code = "red"
quantity_available = "5"
observed_on = "2026-11-02"
[numbers]
decimal = ","
"""


def at(number: Any) -> Any:
    return datetime(2026, 11, 1, 2, 30) + timedelta(days=number)


def night(place: Any, number: Any) -> Any:
    """The steps of a refresh that write to the archive and the warehouse."""
    intake_steps.clean_up(place)
    taken = intake_steps.take_in_files(intake_steps.read_inputs(place, at(number)))
    return history_steps.fold_history(plausibility_steps.check_exports(taken)).history.fingerprint


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Nights with a quarantined row and its corrected copy, a profile that changed, files dropped twice, decisions, a correction."""
    place = make_workspace(tmp_path_factory.mktemp("rebuild") / "space")
    night(place, 1)
    (place.inbox / "special.csv").write_text(SPECIAL)
    (place.inbox / "bad.csv").write_text(
        export("south", "2026-11-03", ("00502", "blue", "much", 9), ("00501", "red", "0.2", 2))
    )
    night(place, 2)
    (place.profiles / "special.toml").write_text(PROFILE.format(currency="SEK"))
    shutil.move(place.quarantined / "special.csv", place.inbox / "special.csv")
    (quarantined,) = place.quarantined.glob("*.quarantined.csv")
    corrected = quarantined.read_text(encoding="utf-8-sig").replace("?much", "0.35")
    (place.inbox / "corrected.csv").write_text(corrected, encoding="utf-8")
    night(place, 3)
    (place.profiles / "special.toml").write_text(PROFILE.format(currency="EUR"))
    (place.inbox / "special.csv").write_text(SPECIAL)
    (place.inbox / "north again.csv").write_text(NORTH)
    (place.inbox / "wrong.csv").write_text(export("north", "2026-11-03", ("00501", "red", "9.99", 2)))
    night(place, 4)
    assert CliRunner().invoke(app, ["withdraw", "wrong.csv", "--workspace", str(place.root)]).exit_code == 0
    (place.tables / "source_corrections.csv").write_text(
        "vendor_code,observed_from_on,correction_action,correction_factor,guard_price_to,decided_on,reason\n"
        "south,2026-10-01,multiply_price,10,0.3,2026-11-01,per piece of ten\n"
    )
    return place


@pytest.fixture
def place(template: Any, tmp_path: Path) -> Any:
    return Workspace(shutil.copytree(template.root, tmp_path / "space"))


def fingerprint(place: Any) -> Any:
    with connect.reader(place.warehouse) as con:
        return history.fingerprint(con)


def test_rebuilt_from_the_archive_alone_it_is_the_same(place: Any) -> None:
    mark = night(place, 5)
    shutil.copy(place.warehouse, place.root / "kept.duckdb")
    for name in ("inbox", "quarantine", "profiles", "tables", "models"):
        shutil.rmtree(place.root / name)
    place.warehouse.unlink()
    found = rebuild(place, replace=True)
    assert found.differences is None and found.file_count == 7
    assert compare(place.warehouse, place.root / "kept.duckdb") == []
    assert fingerprint(place) == mark


def test_a_check_changes_nothing_and_names_what_differs(place: Any) -> None:
    night(place, 5)
    with connect.writer(place.warehouse) as con:
        con.execute("update price_period set unit_price = unit_price + 1 where vendor_code = 'north'")
    before = place.warehouse.read_bytes()
    result = CliRunner().invoke(app, ["rebuild", "--check", "--workspace", str(place.root)])
    assert result.exit_code == 5 and "price_history" in result.stderr, result.output
    assert place.warehouse.read_bytes() == before
    result = CliRunner().invoke(app, ["rebuild", "--workspace", str(place.root)])
    assert result.exit_code == 0 and "differs from the old one in price_history" in result.stdout
    assert compare(place.root / "warehouse.duckdb.before", place.warehouse) == ["price_history"], "the old one is kept"


def test_a_damaged_warehouse_is_replaced_and_its_log_is_not_given_to_the_new_one(place: Any) -> None:
    mark = night(place, 5)
    pages = sorted(path.name for path in (place.archive / "journal").iterdir())
    assert night(place, 6) == mark
    assert sorted(path.name for path in (place.archive / "journal").iterdir()) == pages, "nothing new, no new page"
    place.warehouse.write_bytes(b"x" * 40_000)
    place.warehouse.with_name("warehouse.duckdb.wal").write_bytes(b"y" * 1000)
    assert rebuild(place, replace=True).differences is None
    assert not place.warehouse.with_name("warehouse.duckdb.wal").exists()
    assert fingerprint(place) == mark


def test_what_a_killed_refresh_took_in_is_written_down_by_the_next_with_the_inputs_of_then(
    place: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    mark = night(place, 5)
    (place.inbox / "more.csv").write_text(SPECIAL.replace("07", "08"))

    def killed(*_: Any) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        patch.setattr(journal, "note_readings", killed)
        inputs = workspace_files.read_workspace(place)
        intake_steps.take_in_files(Night(place, at(6), at(6).date(), inputs, inputs))
    (place.profiles / "special.toml").write_text(PROFILE.format(currency="SEK"))
    assert night(place, 7) != mark
    assert rebuild(place, replace=False).differences == []


def test_a_missing_or_damaged_file_is_named_and_nothing_is_replaced(place: Any) -> None:
    night(place, 5)
    book = journal.read_journal(place.archive)
    lost = place.archive / book.readings[2].file_hash[:2] / book.readings[2].file_hash
    content = lost.read_bytes()
    lost.unlink()
    before = place.warehouse.read_bytes()
    with pytest.raises(InputError, match=book.readings[2].file_hash):
        rebuild(place, replace=True)
    assert place.warehouse.read_bytes() == before
    lost.write_bytes(content)
    page = sorted((place.archive / "journal").iterdir())[1]
    page.unlink()
    with pytest.raises(InputError, match="pages of the archive's journal are missing"):
        rebuild(place, replace=True)
    assert not list(place.root.glob("*.rebuilding*"))


def test_a_lost_newest_page_of_the_journal_costs_no_file(place: Any) -> None:
    """The old warehouse knows the files of that page; a rebuild that went by the journal alone once left them out."""
    (place.inbox / "late.csv").write_text(export("south", "2026-11-04", ("00502", "blue", "0.41", 9)))
    night(place, 5)
    mark = fingerprint(place)
    pages = sorted((place.archive / journal.FOLDER).glob("[0-9]*.json"))
    with_readings = max(n for n, page in enumerate(pages) if '"readings"' in page.read_text(encoding="utf-8"))
    for page in pages[with_readings:]:
        page.unlink()
    rebuild(place, replace=True)
    assert fingerprint(place) == mark
    assert rebuild(place, replace=False).differences == []
