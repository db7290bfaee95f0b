"""``kitfare prune`` shows and removes what its rules name, and nothing that can't be made again."""

import os
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.errors import BusyError
from pipelines.flows.refresh import only_refresh
from pipelines.flows.runs import run_record
from pipelines.flows.upkeep import prune
from pipelines.intake.archiving import archive, taken_files
from pipelines.workspace import Workspace
from tests.builders.runs import bare_workspace


def aged(path: Path, days: float) -> Path:
    """A file that was last used so many days ago."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(path.name)
    at = (datetime.now() - timedelta(days=days)).timestamp()
    os.utime(path, (at, at))
    return path


def taken(place: Workspace, name: str, days_ago: int) -> Path:
    path = aged(place.inbox / name, days_ago)
    file_hash = archive.store(path, place.archive)
    return taken_files.keep(path, file_hash, date.today() - timedelta(days=days_ago), place.taken)


@pytest.fixture
def place(tmp_path: Path) -> Workspace:
    found = bare_workspace(tmp_path)
    found.inbox.mkdir(exist_ok=True)
    for days in range(6):
        aged(found.generations / f"g{days}" / "private" / "kitfare.duckdb", days)
        at = (datetime.now() - timedelta(days=days)).timestamp()
        os.utime(found.generations / f"g{days}", (at, at))
    found.published.symlink_to("generations/g4")  # the one readers see, though not the newest
    return found


def test_what_the_rules_name_goes_and_nothing_else(place: Workspace) -> None:
    gone = [
        *(place.generations / name for name in ("g2", "g3", "g5")),
        taken(place, "old.csv", 91), aged(place.root / ".plan_cache" / "a.plan", 91), aged(place.root / "warehouse.duckdb.before", 31),
    ]  # fmt: skip
    changed = taken(place, "changed.csv", 91)
    changed.write_text("more than was taken in")
    kept = [
        *(place.generations / name for name in ("g0", "g1", "g4")), place.published,
        taken(place, "new.csv", 89), changed, aged(place.root / ".plan_cache" / "b.plan", 89), aged(place.root / "warehouse.duckdb", 400),
        aged(place.root / "warehouse.duckdb.before.wal", 29), aged(place.quarantined / "rows.csv", 900), aged(place.tables / "vendors.csv", 900),
        place.root / "kitfare.toml", aged(place.root / "notes.txt", 900),
    ]  # fmt: skip
    archived = sorted(place.archive.rglob("*"))
    now = run_record.utc_now()
    shown = {path for each in prune.prunable(place, now) for path in each.paths}
    assert shown == set(gone) and all(path.exists() for path in gone)
    with only_refresh(place), pytest.raises(BusyError):
        prune.prune(place, now)
    assert all(path.exists() for path in gone)
    assert {path for each in prune.prune(place, now) for path in each.paths} == set(gone)
    assert [path for path in gone if path.exists()] == [path for path in kept if not path.exists()] == []
    assert sorted(place.archive.rglob("*")) == archived
    assert not any(each.paths for each in prune.prunable(place, now))


def test_the_command_removes_nothing_unless_asked(place: Workspace) -> None:
    def called(*options: str) -> Any:
        return CliRunner().invoke(app, ["prune", "--workspace", str(place.root), *options])

    result = called()
    assert result.exit_code == 0 and "Nothing was removed" in result.stdout and (place.generations / "g5").exists()
    result = called("--yes")
    assert result.exit_code == 0 and "Removed" in result.stdout and not (place.generations / "g5").exists()
    assert "Nothing may go" in called().stdout
