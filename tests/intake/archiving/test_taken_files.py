"""Files in taken/: nothing is overwritten, what changed is found, and what is old goes."""

import errno
import os
import subprocess
import sys
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from pipelines.errors import InputError
from pipelines.intake.archiving import archive, still_written, taken_files

DAY = date(2026, 11, 29)


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    folder = tmp_path / "inbox"
    folder.mkdir()
    return folder


def taken(inbox: Path, name: str, content: str, day: date = DAY) -> Path:
    path = inbox / name
    path.write_text(content)
    file_hash = archive.store(path, inbox.parent / "archive")
    return taken_files.keep(path, file_hash, day, inbox.parent / "taken")


def changed(inbox: Path) -> list[str]:
    found = taken_files.changed_files(inbox.parent / "taken", inbox.parent / "archive")
    return [f"{file.path.name}: {file.what}" for file in found]


def test_no_name_overwrites_another(inbox: Path) -> None:
    places = [taken(inbox, "a.csv", text, day) for text in ("1", "2", "1", "1") for day in (DAY, date(2026, 11, 30))]
    assert len(set(places)) == len(places) == sum(path.is_file() for path in places)
    assert all(path.name == "a.csv" for path in places) and changed(inbox) == []


def test_a_name_as_long_as_the_system_allows(inbox: Path) -> None:
    assert taken(inbox, "a" * 251 + ".csv", "1").is_file()


def test_what_was_written_to_is_found_and_what_was_copied_or_touched_is_not(inbox: Path) -> None:
    grown, same_size, touched = (taken(inbox, name, name) for name in ("grown", "same", "touched"))
    with grown.open("a") as stream:
        stream.write("more")
    same_size.write_text("came")
    touched.touch()
    assert sorted(text.split(":")[0] for text in changed(inbox)) == ["grown", "same"]


def test_bytes_that_the_archive_has_lost_are_taken_in_again(inbox: Path) -> None:
    path = taken(inbox, "a.csv", "1")
    archive.place_of(archive.hash_of(path), inbox.parent / "archive").unlink()
    (message,) = changed(inbox)
    assert "a.csv: taken in on 2026-11-29" in message and "the archive has lost" in message


def test_old_files_go_with_their_folders_but_not_what_changed_or_is_open_or_is_no_file_of_ours(inbox: Path) -> None:
    long_ago = date(2026, 8, 30)
    old, kept = taken(inbox, "old", "1", long_ago), taken(inbox, "kept", "2", date(2026, 8, 31))
    others = [taken(inbox, name, name, long_ago) for name in ("changed", "open")]
    own = old.parents[1] / "notes" / "of mine"
    own.parent.mkdir()
    own.write_text("mine")
    with others[1].open("a"):
        taken_files.remove_old(inbox.parent / "taken", others[:1], DAY, 90)
    assert not old.exists() and not old.parent.exists()
    assert all(path.is_file() for path in (kept, own, *others))
    taken_files.remove_old(inbox.parent / "taken", [], date(2026, 12, 31), 90)
    assert not kept.parents[1].exists() and not any(path.exists() for path in others) and own.is_file()


def other_file_system(_path: Path, _target: Any) -> Path:
    raise OSError(errno.EXDEV, "Invalid cross-device link")


def test_onto_another_file_system_a_file_moves_by_a_copy_while_nobody_writes(
    inbox: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rename = Path.rename
    monkeypatch.setattr(
        Path, "rename", lambda path, to: other_file_system(path, to) if path.parent == inbox else rename(path, to)
    )
    place = taken(inbox, "a.csv", "1")
    assert place.read_text() == "1" and not list(inbox.iterdir()) and changed(inbox) == []
    path = inbox / "b.csv"
    path.write_text("22")
    with path.open("a"):
        kept = taken_files.keep(path, archive.hash_of(path), DAY, inbox.parent / "taken")
    assert path.read_text() == "22" and not kept.exists(), "what a writer adds would be lost"
    assert not list((inbox.parent / "taken").rglob(".writing-*"))


def test_a_file_that_cannot_be_moved_is_where_it_was(inbox: Path) -> None:
    (inbox.parent / "taken").write_text("a file in place of the folder")
    with pytest.raises(InputError, match=r"a.csv cannot be moved"):
        taken(inbox, "a.csv", "1")
    assert (inbox / "a.csv").read_text() == "1"


OTHER_USER = 65534
ASK = """
import os, sys
from pathlib import Path
import fcntl
from pipelines.intake.archiving.still_written import still_written
os.setgroups([])
os.setgid(int(sys.argv[1])); os.setuid(int(sys.argv[1]))
print(sorted(path.name for path in still_written([Path(name) for name in sys.argv[2:]], 0)))
"""


def asked(user: int, *paths: Path) -> str:
    """What a process of another user finds still written."""
    command = [sys.executable, "-c", ASK, str(user), *map(str, paths)]
    return subprocess.run(command, capture_output=True, text=True, check=True, timeout=60).stdout.strip()


@pytest.fixture
def seen_by_all(inbox: Path) -> Iterator[Path]:
    """An inbox that other users can look into."""
    every = {folder: folder.stat().st_mode for folder in (inbox, *inbox.parents)}
    modes = {folder: mode for folder, mode in every.items() if mode & 0o055 != 0o055}
    for folder, mode in modes.items():
        folder.chmod(mode | 0o055)
    yield inbox
    for folder, mode in modes.items():
        folder.chmod(mode)


needs_superuser = pytest.mark.skipif(
    not sys.platform.startswith("linux") or os.getuid() != 0, reason="becomes another user, on Linux"
)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="Linux says who writes")
@pytest.mark.parametrize("by_lease", [True, False])
def test_an_open_file_is_seen_by_a_lease_and_by_the_list_of_open_files(
    inbox: Path, by_lease: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    if not by_lease:
        monkeypatch.setattr(still_written, "_by_lease", lambda _path: None)
    path, read = inbox / "written", inbox / "read"
    path.write_text("1")
    read.write_text("2")
    with path.open("a"), read.open():
        assert list(still_written.still_written([path, read], 0)) == [path]
    assert still_written.still_written([path, read, inbox / "gone"], 0) == {}


@needs_superuser
def test_another_users_writer_is_seen_on_a_file_of_ones_own(seen_by_all: Path) -> None:
    own, foreign = seen_by_all / "own", seen_by_all / "foreign"
    for path in (own, foreign):
        path.write_text("1")
    os.chown(own, OTHER_USER, OTHER_USER)
    with own.open("a"), foreign.open("a"):
        # Nothing says to a user who writes to a file that is another user's, by a process of another user's.
        assert asked(OTHER_USER, own, foreign) == "['own']"
        assert sorted(path.name for path in still_written.still_written([own, foreign], 0)) == ["foreign", "own"]
    assert asked(OTHER_USER, own, foreign) == "[]"


def test_a_refused_lease_counts_only_where_it_means_a_writer(inbox: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = inbox / "a.csv"
    path.write_text("1")
    with path.open("a"):
        monkeypatch.setattr(still_written, "_file_system", lambda _path: "nfs4")
        monkeypatch.setattr(still_written, "_by_processes", lambda paths: dict.fromkeys(paths, False))
        assert still_written.still_written([path], 0) == {}
