"""The archive keeps bytes under their own hash, whatever happens meanwhile."""

import hashlib
import os
import stat
from collections.abc import Callable
from pathlib import Path
from typing import Any, BinaryIO, cast

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.errors import InputError
from pipelines.intake.archiving import archive


def test_bytes_are_kept_under_their_hash_and_read_only(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(b"abc")
    stored = archive.store(tmp_path / "a.csv", tmp_path / "archive")
    # NIST, example values for FIPS 180-4: SHA-256 of the message "abc".
    assert stored == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert archive.hash_of(tmp_path / "a.csv") == stored
    place = tmp_path / "archive" / stored[:2] / stored
    assert archive.fetch(stored, tmp_path / "archive") == place and place.read_bytes() == b"abc"
    assert stat.S_IMODE(place.stat().st_mode) == 0o444


def test_storing_twice_changes_nothing(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(b"hello")
    first = archive.store(tmp_path / "a.csv", tmp_path / "archive")
    before = archive.fetch(first, tmp_path / "archive").stat()
    assert archive.store(tmp_path / "a.csv", tmp_path / "archive") == first
    after = archive.fetch(first, tmp_path / "archive").stat()
    assert (before.st_ino, before.st_mtime_ns) == (after.st_ino, after.st_mtime_ns)
    assert [path.name for path in (tmp_path / "archive").rglob("*") if path.is_file()] == [first]


@settings(max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=300))
def test_any_bytes(tmp_path: Path, data: bytes) -> None:
    (tmp_path / "a").write_bytes(data)
    stored = archive.store(tmp_path / "a", tmp_path / "archive")
    assert archive.fetch(stored, tmp_path / "archive").read_bytes() == data


def test_damage_is_noticed_and_dropping_the_file_again_corrects_it(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(b"hello")
    stored = archive.store(tmp_path / "a.csv", tmp_path / "archive")
    place = archive.fetch(stored, tmp_path / "archive")
    place.chmod(0o644)
    place.write_bytes(b"jello")
    with pytest.raises(InputError, match="was damaged"):
        archive.fetch(stored, tmp_path / "archive")
    archive.store(tmp_path / "a.csv", tmp_path / "archive")
    assert archive.fetch(stored, tmp_path / "archive").read_bytes() == b"hello"


def test_what_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="has no file"):
        archive.fetch("0" * 64, tmp_path / "archive")
    for path in (tmp_path / "gone", tmp_path):
        with pytest.raises(InputError, match="cannot be copied") as caught:
            archive.store(path, tmp_path / "archive")
        assert caught.value.next_step


def test_a_named_pipe_does_not_hang(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(InputError, match="not a plain file"):
        archive.store(tmp_path / "pipe", tmp_path / "archive")


def test_a_file_replaced_while_it_is_read_ends_under_the_hash_of_what_was_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two reads, one to hash and one to copy, would store the new bytes under the old hash."""
    (tmp_path / "a.csv").write_bytes(b"old" * 1_000_000)
    real = archive._store

    def replaced_meanwhile(source: Any, folder: Path, is_unchanged: Callable[..., Any]) -> str:
        (tmp_path / "b.csv").write_bytes(b"new" * 1_000_000)
        (tmp_path / "b.csv").replace(tmp_path / "a.csv")
        return real(source, folder, is_unchanged)

    monkeypatch.setattr(archive, "_store", replaced_meanwhile)
    stored = archive.store(tmp_path / "a.csv", tmp_path / "archive")
    assert hashlib.sha256(archive.fetch(stored, tmp_path / "archive").read_bytes()).hexdigest() == stored


def test_a_failure_while_copying_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "a.csv").write_bytes(b"hello")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError, match="No space left"):
        archive.store(tmp_path / "a.csv", tmp_path / "archive")
    assert list((tmp_path / "archive").iterdir()) == []


def test_leftovers_of_a_kill_are_cleaned_up(tmp_path: Path) -> None:
    (tmp_path / ".storing-x").write_bytes(b"half")
    (tmp_path / "ab").mkdir()
    (tmp_path / "ab" / "abc").write_bytes(b"whole")
    archive.clean_leftovers(tmp_path)
    archive.clean_leftovers(tmp_path / "absent")
    assert [path.name for path in tmp_path.rglob("*") if path.is_file()] == ["abc"]


def test_a_file_that_is_written_to_while_it_is_read_is_refused_and_one_replaced_by_a_rename_is_read_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, other, folder = tmp_path / "a.csv", tmp_path / "b.csv", tmp_path / "archive"

    def meanwhile(act: Callable[..., Any]) -> None:
        """Do it after the first block was read."""
        store = archive._store

        class Acting:
            def __init__(self, source: Any) -> None:
                self.source, self.reads = source, 0

            def read(self, size: int) -> bytes:
                self.reads += 1
                if self.reads == 2:
                    act()
                found: bytes = self.source.read(size)
                return found

        monkeypatch.setattr(archive, "_store", lambda source, *rest: store(cast(BinaryIO, Acting(source)), *rest))

    size = archive._BLOCK + 10
    path.write_bytes(b"a" * size)
    os.utime(path, ns=(1, 1))
    meanwhile(lambda: path.write_bytes(b"b" * size))
    with pytest.raises(InputError, match="written to while it was read") as caught:
        archive.store(path, folder)
    assert "stays where it is" in caught.value.state
    assert [file for file in folder.rglob("*") if file.is_file()] == []
    monkeypatch.undo()

    path.write_bytes(b"a" * size)
    other.write_bytes(b"b" * size)
    meanwhile(lambda: other.replace(path))
    stored = archive.store(path, folder)
    assert archive.fetch(stored, folder).read_bytes() == b"a" * size
    assert archive.hash_of(path) != stored, "what replaced it is for the next refresh"
