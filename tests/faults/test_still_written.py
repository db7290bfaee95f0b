"""Files that someone still writes, by processes that really do: nothing they write is lost, and what is half is not taken."""

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from pipelines.flows.steps import history_steps, intake_steps, plausibility_steps
from pipelines.intake.archiving import archive
from pipelines.warehouse import connect
from tests.builders.faulty_workspaces import many
from tests.builders.programs.fault_work import accounted, take_in_and_die
from tests.builders.workspaces import make_workspace

WRITER = """
import sys
file = open(sys.argv[1], "ab", buffering=0)
print("open", flush=True)
for line in sys.stdin:
    file.write(line.encode())
    print("written", flush=True)
"""
NIGHT = datetime(2026, 11, 29, 12)
WHOLE = many("north", "2026-10-30", 1)
LINES = WHOLE.splitlines(keepends=True)
MOST = len(LINES) * 7 // 10


@pytest.fixture
def place(tmp_path: Path) -> Any:
    place = make_workspace(tmp_path / "space")
    for path in place.inbox.iterdir():
        path.unlink()
    return place


class Writer:
    """A process that has a file open and appends lines to it."""

    def __init__(self, path: Path) -> None:
        command = [sys.executable, "-c", WRITER, str(path)]
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self._heard("open")

    def _heard(self, word: str) -> None:
        assert self.process.stdout is not None
        assert self.process.stdout.readline() == word + "\n"

    def write(self, lines: list[str]) -> None:
        assert self.process.stdin is not None
        for line in lines:
            self.process.stdin.write(line)
        self.process.stdin.flush()
        for _ in lines:
            self._heard("written")

    def close(self) -> None:
        self.process.communicate(timeout=60)


@contextmanager
def writing(path: Path) -> Iterator[Writer]:
    writer = Writer(path)
    try:
        yield writer
    finally:
        writer.process.kill()
        writer.process.communicate()


def night(place: Any) -> str:
    """Messages of a night's intake; then its rows are in the history."""
    intake_steps.clean_up(place)
    taken = intake_steps.take_in_files(intake_steps.read_inputs(place, NIGHT))
    history_steps.fold_history(plausibility_steps.check_exports(taken))
    return "\n".join(taken.intake.messages)


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.rglob("*") if path.is_file())


def read_counts(place: Any) -> list[int]:
    with connect.reader(place.warehouse) as con:
        return [row[0] for row in con.execute("select read_row_count from received_file order by 1").fetchall()]


def quiet_for(place: Any, seconds: float) -> None:
    settings = place.root / "kitfare.toml"
    text = settings.read_text(encoding="utf-8")
    assert text.count("inbox_quiet_seconds = 0\n") == 1
    settings.write_text(text.replace("inbox_quiet_seconds = 0\n", f"inbox_quiet_seconds = {seconds}\n"))


def test_an_upload_that_stalls_waits_however_long_it_does(place: Any) -> None:
    upload = place.inbox / "north.csv"
    with writing(upload) as writer:
        writer.write(LINES[:MOST])
        long_ago = time.time() - 9999
        os.utime(upload, (long_ago, long_ago))
        message = "north.csv: left in inbox/ for the next refresh, because a program has it open for writing"
        assert night(place) == message and names(place.inbox) == ["north.csv"] and not names(place.taken)
        assert read_counts(place) == []
        writer.write(LINES[MOST:])
        writer.close()
    assert night(place) == "" and names(place.inbox) == []
    assert read_counts(place) == [len(LINES) - 1] == [accounted(place)]
    (kept,) = (path for path in place.taken.rglob("*") if path.is_file())
    assert kept.read_text() == WHOLE and kept.parent.parent.name == "2026-11-29"
    assert archive.hash_of(kept).startswith(kept.parent.name)


def test_a_file_that_is_opened_and_closed_for_each_piece_waits_until_it_is_still(place: Any) -> None:
    quiet_for(place, 1.5)
    upload, other = place.inbox / "north.csv", place.inbox / "south.csv"
    other.write_text(many("south", "2026-10-30", 1))
    # The process has the file open only while it writes to it.
    code = "import sys, time\nfor line in open(sys.argv[1]).readlines():\n open(sys.argv[2], 'a').write(line)\n time.sleep(.02)"
    source = place.root / "source"
    source.write_text(WHOLE)
    process = subprocess.Popen([sys.executable, "-c", code, str(source), str(upload)])
    try:
        while not upload.exists():
            time.sleep(0.02)
        message = "north.csv: left in inbox/ for the next refresh, because it changed within the last 1.5 seconds"
        assert night(place) == message and names(place.inbox) == ["north.csv"] and names(place.taken) == ["south.csv"]
    finally:
        process.wait(60)
    assert night(place) == "" and sum(read_counts(place)) == accounted(place) == 2 * (len(LINES) - 1)


def test_a_usual_night_waits_for_nothing_and_a_fresh_file_is_waited_for(
    place: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    quiet_for(place, 300)
    pauses: list[float] = []
    monkeypatch.setattr(time, "sleep", pauses.append)
    upload = place.inbox / "north.csv"
    upload.write_text(WHOLE)
    os.utime(upload, (time.time() - 301, time.time() - 301))
    assert night(place) == "" and pauses == [] and names(place.taken) == ["north.csv"]
    for age in (0, -9999):  # new, and from a clock that is ahead
        upload.write_text(WHOLE + "\n" * abs(age))
        os.utime(upload, (time.time() - age, time.time() - age))
        night(place)
        (pause,) = pauses
        assert 200 < pause <= 300
        pauses.clear()


def test_a_file_renamed_into_place_is_taken_whole_and_its_part_is_left_alone(place: Any) -> None:
    part, final = place.inbox / "north.csv.part", place.inbox / "north.csv"
    with writing(part) as writer:
        writer.write(LINES[:MOST])
        assert night(place) == "" and names(place.inbox) == ["north.csv.part"]
        writer.write(LINES[MOST:])
        writer.close()
    part.rename(final)
    assert night(place) == "" and names(place.inbox) == [] and read_counts(place) == [len(LINES) - 1]


def test_what_is_written_after_the_file_was_taken_is_taken_again(place: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """The writer is not seen, as one on another machine would not be."""
    with monkeypatch.context() as blind, writing(place.inbox / "north.csv") as writer:
        blind.setattr("pipelines.intake.archiving.still_written._open_for_writing", lambda _paths: [])
        writer.write(LINES[:MOST])
        night(place)
        (first,) = (path for path in place.taken.rglob("*") if path.is_file())
        assert read_counts(place) == [MOST - 1] and names(place.inbox) == []
        writer.write(LINES[MOST:])
        blind.undo()
        assert "north.csv: left in taken/ for the next refresh" in night(place), "it is still open"
        writer.close()
    message = night(place)
    assert f"`kitfare withdraw {first.parent.name}`" in message and "taken in on 2026-11-29" in message, message
    assert not first.exists() and names(place.taken) == ["north.csv"]
    assert read_counts(place) == [MOST - 1, len(LINES) - 1]
    accounted(place)
    assert "north.csv" not in night(place).replace(message, ""), "the next night has nothing to say"


def test_a_taken_file_overwritten_in_place_is_taken_again(place: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of the same size, so that only its times show it."""
    upload = place.inbox / "north.csv"
    upload.write_text(WHOLE)
    with upload.open("r+") as stream:
        monkeypatch.setattr("pipelines.intake.archiving.still_written._open_for_writing", lambda _paths: [])
        night(place)
        stream.write(WHOLE.replace("0.1", "0.2"))
    assert "north.csv: was written to after it was taken in" in night(place)
    assert read_counts(place) == [len(LINES) - 1] * 2


def test_a_file_quarantined_whole_that_grows_is_taken_again_and_a_correction_of_it_is_left_alone(
    place: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    header, rest = LINES[0][:10], LINES[0][10:] + "".join(LINES[1:])
    for name in ("north.csv", "corrected.csv"):
        (place.inbox / name).write_text(header + name[0] * (name == "corrected.csv"))
    with (place.inbox / "north.csv").open("a") as stream:
        monkeypatch.setattr("pipelines.intake.archiving.still_written._open_for_writing", lambda _paths: [])
        assert "north.csv: quarantined whole" in night(place)
        assert names(place.quarantined) == ["corrected.csv", "north.csv"]
        stream.write(rest)
    (place.quarantined / "corrected.csv").write_text(WHOLE.replace("north", "south"))
    assert "north.csv: was written to in quarantine/ (10 bytes then" in night(place)
    assert names(place.quarantined) == ["corrected.csv"] and names(place.taken) == ["north.csv"]
    assert read_counts(place) == [0, 0, len(LINES) - 1]


def test_a_kill_between_loading_and_moving_loses_nothing(place: Any, processes: Any) -> None:
    vendors = ("north", "south")
    for vendor in vendors:
        (place.inbox / f"{vendor}.csv").write_text(many(vendor, "2026-10-30", 1))
    for number in range(1, 3):
        work = processes.Process(target=take_in_and_die, args=(str(place.root), number))
        work.start()
        work.join(60)
        assert work.exitcode == -9
        assert len(names(place.inbox)) + len(names(place.taken)) == 2
    assert len(names(place.inbox)) == 1 and len(read_counts(place)) == 2
    assert "south.csv: taken in before; nothing changed" in night(place)
    assert names(place.inbox) == [] and names(place.taken) == ["north.csv", "south.csv"]
    assert accounted(place) == 2 * (len(LINES) - 1) == sum(read_counts(place))
