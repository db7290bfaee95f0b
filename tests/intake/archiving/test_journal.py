"""The journal is read once in a process, and what is kept of it is never stale and can't be changed."""

import subprocess
import sys
from collections.abc import Callable
from dataclasses import FrozenInstanceError
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from pipelines.errors import InputError
from pipelines.intake.archiving import journal

BEGAN = datetime(2026, 11, 1, 2, 30)
HASHES = [f"{number:064x}" for number in range(9)]


def filled(folder: Path) -> Path:
    """An archive with a page of inputs, two of readings and one of checks."""
    folder.mkdir()
    journal.note_inputs(folder, {"kitfare.toml": HASHES[0]})
    for number in (1, 2):
        journal.note_readings(folder, [(HASHES[number], f"{number}.csv", BEGAN + timedelta(days=number))])
    journal.note_checks(folder, {HASHES[1]: [["north", "2026-11-01", 3.0]], HASHES[2]: []})
    assert len(journal.pages(folder)) == 4
    return folder


@pytest.fixture
def pages_read(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The names of the pages whose bytes are read, as they are read."""
    read: list[str] = []
    plain = Path.read_bytes

    def read_bytes(path: Path) -> bytes:
        if path.parent.name == journal.FOLDER:
            read.append(path.name)
        return plain(path)

    monkeypatch.setattr(Path, "read_bytes", read_bytes)
    return read


def test_pages_are_read_once_and_anew_only_where_that_is_asked_for(tmp_path: Path, pages_read: list[str]) -> None:
    folder = filled(tmp_path / "archive")
    first = journal.read_journal(folder)
    pages_read.clear()
    assert journal.read_journal(folder) == first and not pages_read
    journal.note_inputs(folder, {"kitfare.toml": HASHES[3]})
    second = journal.read_journal(folder)
    assert pages_read == [journal.pages(folder)[-1].name]
    assert second.inputs == {"kitfare.toml": HASHES[3]} and first.inputs == {"kitfare.toml": HASHES[0]}
    assert journal.read_journal(folder, anew=True) == second
    assert pages_read[1:] == [page.name for page in journal.pages(folder)]


def test_a_page_that_another_process_wrote_is_seen(tmp_path: Path) -> None:
    folder = filled(tmp_path / "archive")
    assert len(journal.read_journal(folder).readings) == 2
    code = (
        "import sys\nfrom datetime import datetime\nfrom pathlib import Path\n"
        "from pipelines.intake.archiving import journal\n"
        f"journal.note_readings(Path(sys.argv[1]), [({HASHES[5]!r}, 'other.csv', datetime(2026, 11, 5))])\n"
    )
    subprocess.run([sys.executable, "-c", code, str(folder)], check=True, cwd=Path(__file__).parents[3])
    assert [reading.file_name for reading in journal.read_journal(folder).readings] == ["1.csv", "2.csv", "other.csv"]
    journal.note_readings(folder, [(HASHES[5], "other.csv", datetime(2026, 11, 5))])
    assert len(journal.pages(folder)) == 5, "it is not written a second time"


@pytest.mark.parametrize("place", range(4))
def test_a_lost_page_is_seen(tmp_path: Path, place: int) -> None:
    folder = filled(tmp_path / "archive")
    whole = journal.read_journal(folder)
    pages = journal.pages(folder)
    content = pages[place].read_bytes()
    pages[place].unlink()
    if pages[place] == pages[-1]:
        left = journal.read_journal(folder)
        assert left.page_count == 3 and whole.checks and not left.checks
        assert journal.lost_newest_page(folder) == pages[-1]
    else:
        for _ in range(2):
            with pytest.raises(InputError, match="missing before this one"):
                journal.read_journal(folder)
    pages[place].write_bytes(content)
    assert journal.read_journal(folder) == whole


@pytest.mark.parametrize(
    "bytes_of", [lambda content: content[:-1], lambda content: content.replace(b"1.csv", b"2.csv")]
)
def test_a_newest_page_that_was_changed_in_its_place_is_seen(tmp_path: Path, bytes_of: Any) -> None:
    folder = tmp_path / "archive"
    folder.mkdir()
    journal.note_inputs(folder, {"kitfare.toml": HASHES[0]})
    journal.note_readings(folder, [(HASHES[1], "1.csv", BEGAN)])
    assert journal.read_journal(folder).readings
    newest = journal.pages(folder)[-1]
    newest.chmod(0o644)
    newest.write_bytes(bytes_of(newest.read_bytes()))
    with pytest.raises(InputError, match="damaged"):
        journal.read_journal(folder)


def test_an_old_page_that_was_changed_in_its_place_is_seen_by_those_who_read_all_anew(tmp_path: Path) -> None:
    folder = filled(tmp_path / "archive")
    journal.read_journal(folder)
    oldest = journal.pages(folder)[0]
    oldest.chmod(0o644)
    oldest.write_bytes(oldest.read_bytes() + b" ")
    with pytest.raises(InputError, match="damaged"):
        journal.read_journal(folder, anew=True)


def test_a_journal_of_another_archive_is_read_from_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    one, other = filled(tmp_path / "one"), tmp_path / "other"
    other.mkdir()
    journal.note_inputs(other, {"kitfare.toml": HASHES[7]})
    assert journal.read_journal(one).page_count == 4 and journal.read_journal(other).page_count == 1
    assert journal.read_journal(tmp_path / "none") == journal.Journal()
    (one / "archive").mkdir()
    for folder, count in ((tmp_path, 4), (one, 0)):
        monkeypatch.chdir(folder)
        place = Path("one") if folder == tmp_path else Path("archive")
        assert journal.read_journal(place).page_count == count, "the same words for two places"


def test_what_is_kept_can_not_be_changed_by_those_who_read_it(tmp_path: Path) -> None:
    book: Any = journal.read_journal(filled(tmp_path / "archive"))
    attempts: list[Callable[[], Any]] = [
        lambda: book.inputs.update(x="y"),
        lambda: book.readings.append(1),
        lambda: book.readings[0].inputs.update(x="y"),
        lambda: book.checks.clear(),
        lambda: book.checks[HASHES[1]].append(1),
        lambda: book.checks[HASHES[1]][0].append(1),
        lambda: book.input_hashes.clear(),
        lambda: book.nights.clear(),
    ]
    for attempt in attempts:
        with pytest.raises(AttributeError):
            attempt()
    with pytest.raises(FrozenInstanceError):
        book.page_count = 7
    first = book.first_readings()
    first.clear()
    assert book.first_readings() == {HASHES[1]: 0, HASHES[2]: 1}
