"""A backup is one state of the workspace, whatever runs or is killed meanwhile; a restore of it rebuilds to the same results."""

import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.errors import BusyError, InputError, KitfareError, UsageError
from pipelines.flows.rebuild import compare, rebuild
from pipelines.flows.refresh import refresh
from pipelines.flows.upkeep import backup, backup_store, restore
from pipelines.intake.archiving import archive, journal
from pipelines.workspace import Workspace
from tests.builders.faulty_workspaces import copied, differences, state_of
from tests.builders.programs.backup_work import back_up_in, restore_in


@pytest.fixture
def done(refreshed: Any, tmp_path: Path) -> Workspace:
    """A workspace after an undisturbed refresh."""
    return Workspace(copied(refreshed, tmp_path / "done"))


def restored(folder: Path, target: Path, number: int | None = None) -> Workspace:
    restore.restore(restore.chosen(folder, number), folder, target)
    return Workspace(target)


def content(place: Workspace) -> dict[str, bytes]:
    """All files that belong into a backup."""
    left_out = (*backup.MADE_AGAIN, ".")
    paths = (path for path in place.root.rglob("*") if path.is_file() and not path.name.startswith("."))
    found = {path.relative_to(place.root).as_posix(): path.read_bytes() for path in paths}
    return {name: each for name, each in found.items() if not name.startswith(left_out)}


def faults_of(folder: Path) -> list[str]:
    """Of every backup in the folder."""
    return [
        fault
        for path in backup_store.numbers(folder).values()
        for fault in restore.faults(backup_store.read_list(path), folder)
    ]


def leftovers(folder: Path) -> list[str]:
    return [path.name for path in folder.iterdir() if path.name.startswith(".writing-") or ".restoring" in path.name]


def ended(processes: Any, target: Callable[..., None], *arguments: Any) -> Any:
    """The last word of work in a process of its own; None if it was killed before it said one."""
    ours, theirs = processes.Pipe()
    process = processes.Process(target=target, args=(*arguments[:2], theirs, *arguments[2:]))
    process.start()
    theirs.close()
    try:
        return ours.recv() if ours.poll(60) else pytest.fail("nothing was heard")
    except EOFError:
        return None
    finally:
        process.join(60)


def test_a_restored_workspace_has_the_same_files_and_rebuilds_to_the_same_warehouse(
    done: Workspace, tmp_path: Path
) -> None:
    (done.root / "notes").mkdir()
    (done.root / "notes" / "of mine.txt").write_text("kept too")
    (done.root / "notes" / "call.sh").write_text("#!/bin/sh\n")
    (done.root / "notes" / "call.sh").chmod(0o750)
    odd = os.fsencode(done.inbox) + b"/caf\xe9.csv"
    Path(os.fsdecode(odd)).write_bytes(b"a name that is not UTF-8")
    made = backup.back_up(done, tmp_path / "backups")
    assert not made.left_out and not made.moved_back
    again = restored(tmp_path / "backups", tmp_path / "again")
    assert content(again) == content(done)
    assert (again.root / "notes" / "call.sh").stat().st_mode & 0o777 == 0o750
    assert not again.warehouse.exists() and not again.published.is_symlink()
    Path(os.fsdecode(os.fsencode(again.inbox) + b"/caf\xe9.csv")).unlink()
    rebuild(again, replace=True)
    assert compare(again.warehouse, done.warehouse) == []
    assert refresh(again).published
    whole, before = state_of(again), state_of(done)
    before["inbox"] = []
    assert differences(whole, before) == []


def test_a_second_backup_adds_only_what_is_new(done: Workspace, tmp_path: Path) -> None:
    folder = tmp_path / "backups"
    first = backup.back_up(done, folder)
    stored = {path: path.stat().st_mtime_ns for path in (folder / "files").rglob("*") if path.is_file()}
    assert first.new_bytes == sum(path.stat().st_size for path in stored) <= first.backup.byte_count
    assert backup.back_up(done, folder).new_bytes == 0
    (done.tables / "vendors.csv").write_bytes((done.tables / "vendors.csv").read_bytes() + b"\n")
    assert backup.back_up(done, folder).new_bytes == (done.tables / "vendors.csv").stat().st_size
    assert {path: path.stat().st_mtime_ns for path in stored} == stored
    assert list(backup_store.numbers(folder)) == [1, 2, 3]
    assert (
        content(restored(folder, tmp_path / "old", 1))["tables/vendors.csv"] + b"\n"
        == content(done)["tables/vendors.csv"]
    )


def test_a_killed_backup_leaves_the_last_one_whole(done: Workspace, processes: Any, tmp_path: Path) -> None:
    """Killed before each of its lasting calls on the disk; the last number is beyond the end, so that it ends well."""
    folder = tmp_path / "backups"
    backup.back_up(done, folder)
    killed = 0
    for at in range(1, 100):
        for number in range(2):
            (done.root / f"note {number}.txt").write_text(f"new {number} {at}")
        said = ended(processes, back_up_in, str(done.root), str(folder), "kill", at)
        assert faults_of(folder) == [], at
        if said is not None:
            break
        killed += 1
    assert killed >= 8 and said[0] == "done"
    assert content(restored(folder, tmp_path / "again")) == content(done)
    assert leftovers(folder) == []


def test_a_killed_restore_leaves_no_half_workspace(done: Workspace, processes: Any, tmp_path: Path) -> None:
    folder, target = tmp_path / "backups", tmp_path / "new" / "space"
    count = len(backup.back_up(done, folder).backup.files)
    for at in (1, count // 2, count, count + 5):
        assert ended(processes, restore_in, str(folder), str(target), "kill", at) is None
        assert not target.exists() and len(leftovers(target.parent)) == 1, at
    assert ended(processes, restore_in, str(folder), str(target), "none", 0) == ("done", 0)
    assert content(Workspace(target)) == content(done)
    assert leftovers(target.parent) == [] and faults_of(folder) == []


def test_a_full_disk_ends_both_in_words(done: Workspace, processes: Any, tmp_path: Path) -> None:
    folder = tmp_path / "backups"
    backup.back_up(done, folder)
    (done.root / "long.txt").write_text("x" * 5000)
    said = ended(processes, back_up_in, str(done.root), str(folder), "file size", 4000)
    assert said[0] == "error" and "folder of backups" in said[1] and "free space" in said[1], said
    assert list(backup_store.numbers(folder)) == [1] and faults_of(folder) == [] and leftovers(folder) == []
    said = ended(processes, restore_in, str(folder), str(tmp_path / "again"), "file size", 100)
    assert said[0] == "error" and "there is no restored workspace" in said[1], said
    assert not (tmp_path / "again").exists() and leftovers(tmp_path) == []


def test_a_restore_never_overwrites_and_a_damaged_backup_is_named(done: Workspace, tmp_path: Path) -> None:
    folder = tmp_path / "backups"
    made = backup.back_up(done, folder)
    with pytest.raises(UsageError, match="is a workspace already"):
        restored(folder, done.root)
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "a").touch()
    with pytest.raises(UsageError, match="not empty"):
        restored(folder, tmp_path / "full")
    (tmp_path / "empty").mkdir()
    assert content(restored(folder, tmp_path / "empty")) == content(done)

    place = backup_store.place_of(made.backup.files["tables/vendors.csv"].file_hash, folder)
    place.chmod(0o600)
    place.write_bytes(place.read_bytes()[::-1])
    # The table, and the archive's copy of it, which has the same content.
    named = {fault.split(" is damaged")[0] for fault in restore.faults(made.backup, folder)}
    assert named == {"tables/vendors.csv", f"archive/{place.parent.name}/{place.name}"}
    with pytest.raises(InputError, match="damaged"):
        restored(folder, tmp_path / "again")
    assert not (tmp_path / "again").exists()
    # What the command advises: remove it and back up again, while the workspace is whole.
    place.unlink()
    backup.back_up(done, folder)
    assert faults_of(folder) == []


def test_lists_of_others_are_refused(done: Workspace, tmp_path: Path) -> None:
    folder = tmp_path / "backups"
    made = backup.back_up(done, folder)
    (path,) = backup_store.numbers(folder).values()
    path.chmod(0o600)
    written = path.read_bytes()
    path.write_bytes(written.replace(b"0.", b"1.", 1) if b"0." in written else written + b" ")
    with pytest.raises(InputError, match="was damaged"):
        restore.chosen(folder, None)
    hostile = {**made.backup.files, "../outside.txt": made.backup.files["kitfare.toml"]}
    backup_store.write_list(backup_store.Backup(**{**vars(made.backup), "number": 2, "files": hostile}), folder)
    with pytest.raises(InputError, match="outside of a workspace"):
        restore.chosen(folder, 2)
    backup_store.write_list(backup_store.Backup(**{**vars(made.backup), "number": 3, "layout": 999}), folder)
    with pytest.raises(InputError, match="newer version"):
        restore.chosen(folder, 3)


def test_where_a_backup_may_not_be(done: Workspace, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="inside its workspace"):
        backup.back_up(done, done.root / "backups")
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "one.txt").touch()
    with pytest.raises(UsageError, match="something else in it"):
        backup.back_up(done, tmp_path / "photos")
    (tmp_path / "file").touch()
    with pytest.raises(KitfareError, match="is a file"):
        backup.back_up(done, tmp_path / "file")
    with pytest.raises(UsageError, match="no backup here"):
        restore.chosen(tmp_path / "photos", None)
    with (
        backup_store.only_backup(tmp_path / "backups"),
        pytest.raises(BusyError, match="another backup"),
    ):
        backup.back_up(done, tmp_path / "backups")


def test_settings_that_change_meanwhile_are_read_again(
    done: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two tables that belong together are never of two moments."""
    one, other = done.tables / "vendors.csv", done.models / "hut" / "parts.csv"
    read, writes = journal.read_journal, iter(range(3))

    def changing(*arguments: Any, **named: Any) -> Any:
        if (number := next(writes, None)) is not None:
            for path in (one, other):
                path.write_text(f"state {number}\n")
        return read(*arguments, **named)

    monkeypatch.setattr(journal, "read_journal", changing)
    made = backup.back_up(done, tmp_path / "backups")
    monkeypatch.undo()
    found = content(restored(tmp_path / "backups", tmp_path / "again"))
    assert found["tables/vendors.csv"] == found["models/hut/parts.csv"] == b"state 2\n" and not made.left_out


def test_what_can_t_be_read_is_named_and_all_else_is_kept(done: Workspace, tmp_path: Path) -> None:
    (reading, *_) = journal.read_journal(done.archive).readings
    damaged = archive.place_of(reading.file_hash, done.archive)
    damaged.chmod(0o600)
    damaged.write_bytes(b"x" * damaged.stat().st_size)
    result = CliRunner().invoke(app, ["backup", str(tmp_path / "backups"), "--workspace", str(done.root)])
    assert result.exit_code == 5 and damaged.name in result.stderr and "kitfare verify" in result.stderr
    assert len(backup_store.numbers(tmp_path / "backups")) == 1 and faults_of(tmp_path / "backups") == []


def test_the_commands_say_what_they_do(done: Workspace, tmp_path: Path) -> None:
    folder = str(tmp_path / "backups")
    result = CliRunner().invoke(app, ["backup", folder, "--workspace", str(done.root)])
    assert result.exit_code == 0 and "Backup 1 in" in result.stdout, result.output
    result = CliRunner().invoke(app, ["restore", folder, "--check"])
    assert result.exit_code == 0 and "models: hut" in result.stdout and "right bytes" in result.stdout, result.output
    assert sorted(path.name for path in tmp_path.iterdir() if path.name.startswith("new")) == []
    result = CliRunner().invoke(app, ["restore", folder, str(tmp_path / "new")])
    assert result.exit_code == 0 and "price files: 8" in result.stdout, result.output
    assert result.stdout.index("price files") < result.stdout.index("Restored into")
    result = CliRunner().invoke(app, ["restore", folder, str(tmp_path / "new")])
    assert result.exit_code == 2 and "workspace already" in result.stderr
    assert json.loads(next(iter(backup_store.numbers(tmp_path / "backups").values())).read_text())["format"] == 1
