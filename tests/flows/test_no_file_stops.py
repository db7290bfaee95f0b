"""Whatever goes wrong with one file, the night goes on with the others; what is not the file's fault stops it."""

import errno
import json
import os
import re
import signal
import subprocess
import sys
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.errors import BusyError
from pipelines.flows.rebuild import rebuild
from pipelines.flows.refresh import refresh
from pipelines.flows.steps import file_by_file, history_steps, intake_steps, plausibility_steps
from pipelines.flows.steps.night import Night
from pipelines.flows.verify import verify
from pipelines.intake import quarantine, take_in
from pipelines.intake.archiving import journal
from pipelines.intake.checking.shape import shape
from pipelines.intake.inspect_file import inspect_file
from pipelines.warehouse import connect
from pipelines.warehouse.price_history import load, repeats
from pipelines.workspace import Workspace
from tests.builders.faulty_workspaces import copied
from tests.builders.workspaces import EXPORT_HEADER, SOUTH, make_workspace

AT = datetime(2026, 11, 25, 3)
OF_ONE_FILE = [
    ValueError("x"), MemoryError(), RecursionError("deep"), UnicodeError("x"), OverflowError("x"), KeyError("\ud800"),
    AssertionError(), OSError("a library's own"), pl.exceptions.PanicException("panic"), pl.exceptions.ComputeError("x"),
    duckdb.ConversionException("x"), duckdb.ConstraintException("x"), duckdb.InvalidInputException("x"),
    duckdb.OutOfMemoryException("x"),
]  # fmt: skip
OF_THE_SYSTEM = [
    KeyboardInterrupt(), SystemExit(1), OSError(errno.ENOSPC, "No space left on device"), TimeoutError("too long"),
    BusyError("in use"), pl.exceptions.ComputeError("No space left on device"), duckdb.IOException("x"),
    RuntimeError("Query interrupted"), duckdb.InterruptException("x"), OSError(errno.EMFILE, "Too many open files"),
]  # fmt: skip


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    return make_workspace(tmp_path_factory.mktemp("template") / "w")


@pytest.fixture
def place(template: Workspace, tmp_path: Path) -> Workspace:
    return Workspace(copied(template, tmp_path / "w"))


def take_in_all(place: Workspace) -> Night:
    intake_steps.clean_up(place)
    return history_steps.fold_history(
        plausibility_steps.check_exports(intake_steps.take_in_files(intake_steps.read_inputs(place, AT)))
    )


def whole(place: Workspace) -> list[tuple[str, bool]]:
    """The files that the warehouse has, and whether they are quarantined whole."""
    with connect.reader(place.warehouse) as con:
        return con.execute("select file_name, is_quarantined_whole from received_file order by all").fetchall()


OTHERS_GOOD = [("north-before.csv", False), ("north.csv", True), ("south.csv", False)]


def raising(error: BaseException, function: Any, name_of: Any) -> Any:
    """The function, which raises where it is about north.csv."""

    def called(*arguments: Any, **named: Any) -> Any:
        if name_of(arguments) == "north.csv":
            raise error
        return function(*arguments, **named)

    return called


@pytest.mark.parametrize("error", OF_ONE_FILE, ids=lambda e: type(e).__name__)
def test_a_fault_while_a_file_is_read_quarantines_it(
    place: Workspace, error: BaseException, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(take_in, "shape", raising(error, shape, lambda given: given[4]))
    night = take_in_all(place)
    assert whole(place) == OTHERS_GOOD
    message = next(text for text in night.intake.messages if text.startswith("north.csv: quarantined whole"))
    assert "where: north.csv" in message and "next:" in message
    assert "fault of its own" in message or "memory" in message
    assert (place.quarantined / "north.csv").is_file() and not list(place.inbox.iterdir())
    assert "north.csv" in str(inspect_file(place.quarantined / "north.csv", place))
    assert rebuild(place, replace=True).differences == []


@pytest.mark.parametrize("error", OF_THE_SYSTEM, ids=lambda e: f"{type(e).__name__} {e}")
def test_what_is_not_the_files_fault_stops_the_night(
    place: Workspace, error: BaseException, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(take_in, "shape", raising(error, shape, lambda given: given[4]))
    with pytest.raises(type(error)):
        take_in_all(place)
    assert ("north.csv", True) not in whole(place) and (place.inbox / "north.csv").is_file()


def insert_then_raise(error: BaseException, place: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    """Fail at north.csv once its rows are in the warehouse's open transaction."""
    insert = repeats.insert_rows

    def called(con: Any, frame: pl.DataFrame, file_hash: str) -> None:
        insert(con, frame, file_hash)
        if con.execute("select file_name from received_file where file_hash = ?", [file_hash]).fetchall() == [
            ("north.csv",)
        ]:
            raise error

    monkeypatch.setattr(repeats, "insert_rows", called)


@pytest.mark.parametrize("error", OF_ONE_FILE, ids=lambda e: type(e).__name__)
def test_a_fault_while_a_file_is_loaded_leaves_nothing_of_it(
    place: Workspace, error: BaseException, monkeypatch: pytest.MonkeyPatch
) -> None:
    insert_then_raise(error, place, monkeypatch)
    take_in_all(place)
    assert whole(place) == OTHERS_GOOD
    with connect.reader(place.warehouse) as con:
        counts = "select read_row_count from received_file where is_quarantined_whole"
        assert con.execute(counts).fetchall() == [(0,)]
        assert {
            v
            for (v,) in con.execute("select vendor_code from vendor_export where observed_on > '2026-10-01'").fetchall()
        } == {"south"}
    assert rebuild(place, replace=True).differences == []


@pytest.mark.parametrize("error", OF_THE_SYSTEM, ids=lambda e: f"{type(e).__name__} {e}")
def test_what_stops_a_load_leaves_nothing_and_the_next_night_takes_the_file_in(
    place: Workspace, error: BaseException, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patched:
        insert_then_raise(error, place, patched)
        with pytest.raises(type(error)):
            take_in_all(place)
    assert "north.csv" not in dict(whole(place))
    take_in_all(place)
    assert not any(is_whole for _, is_whole in whole(place))


def test_a_warehouse_that_takes_nothing_any_more_stops_the_night(
    place: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = duckdb.InternalException("broken")

    monkeypatch.setattr(load, "_insert", raise_in_turn := _InTurn(first, duckdb.FatalException("invalidated")))
    with pytest.raises(duckdb.InternalException) as caught:
        take_in_all(place)
    assert caught.value is first and raise_in_turn.calls == 2


class _InTurn:
    """Raises one error after the other."""

    def __init__(self, *errors: Exception) -> None:
        self.errors, self.calls = errors, 0

    def __call__(self, *_: Any) -> None:
        self.calls += 1
        raise self.errors[self.calls - 1]


def test_quarantined_rows_that_cannot_be_written_for_the_user_are_said(
    place: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    (place.inbox / "bad.csv").write_text(SOUTH + "south,x\n", encoding="utf-8")
    real = quarantine.write_quarantined

    def fail(taken: Any, folder: Path) -> Any:
        if taken.file_name == "bad.csv":
            raise ValueError("x")
        return real(taken, folder)

    monkeypatch.setattr(quarantine, "write_quarantined", fail)
    night = take_in_all(place)
    assert any("bad.csv: its quarantined rows are in the warehouse" in text for text in night.intake.messages)
    assert ("bad.csv", False) in whole(place)


def row(day: str, part: str = "00501") -> str:
    return EXPORT_HEADER + f"north,{part},red,new,0.10,EUR,50,{day},partial\n"


HOSTILE_NAMES = {
    b"caf\xe9.csv": r"caf\xe9.csv",
    b"a\n\x1b[31mb.csv": r"a\x0a\x1b[31mb.csv",
    b"n" * 251 + b".csv": "n" * 251 + ".csv",
    b"\xff" * 255: r"\xff" * 255,
    b"back\\slash.csv": r"back\\slash.csv",
}


@pytest.mark.parametrize("is_good", [True, False])
def test_names_are_bytes(place: Workspace, is_good: bool) -> None:
    """Each is taken in, named in messages, quarantined, in the journal, rebuilt, and withdrawn, under a name that can be read."""
    before = {os.fsencode(path.name) for path in place.inbox.iterdir()}
    for number, name in enumerate(HOSTILE_NAMES, 1):
        content = row(f"2026-10-{number:02}") if is_good else f"a,b\n1,{number}\n"
        (place.inbox / os.fsdecode(name)).write_text(content, encoding="utf-8")
        bad_row = row(f"2026-11-{number:02}") + "north,00501\n"
        (place.inbox / os.fsdecode(name[:240] + b"-2")).write_text(bad_row, encoding="utf-8")
    outcome = refresh(place)
    assert outcome.published and not list(place.inbox.iterdir())
    assert all(message.encode() for message in outcome.messages)
    known = dict(whole(place))
    assert {text: known[text] for text in HOSTILE_NAMES.values()} == dict.fromkeys(HOSTILE_NAMES.values(), not is_good)
    assert len(before) + 2 * len(HOSTILE_NAMES) == len(known)
    journaled = {reading.file_name for reading in journal.read_journal(place.archive).readings}
    assert journaled == set(known)
    kept = [path.name for path in place.quarantined.iterdir()]
    assert len(kept) == len(HOSTILE_NAMES) * (1 if is_good else 2) and all(name.isprintable() for name in kept)
    assert rebuild(place, replace=True).differences == [] and verify(place).faults == []
    for page in place.published.rglob("*.html"):
        page.read_text(encoding="utf-8")
    for name, text in HOSTILE_NAMES.items():
        for typed in (text, os.fsdecode(name)):
            done = CliRunner().invoke(app, ["withdraw", typed, "--workspace", str(place.root)])
            assert done.exit_code == 0 and text in done.output, done.output
    if not is_good:
        for copy in kept:
            (place.quarantined / copy).rename(place.inbox / copy)
    assert refresh(place).messages is not None


def test_files_of_one_name_as_text_do_not_take_each_others_place(place: Workspace) -> None:
    for content, encoded in ((b"a,b\n1,2\n", b"x\xe9.csv"), (b"a,b\n3,4\n", b"x_xe9.csv")):
        (place.inbox / os.fsdecode(encoded)).write_bytes(content)
    take_in_all(place)
    assert {path.read_bytes() for path in place.quarantined.iterdir()} == {b"a,b\n1,2\n", b"a,b\n3,4\n"}


def work(deadly: list[str], path: Path) -> take_in.TakenFile:
    if path.name in deadly:
        os.kill(os.getpid(), signal.SIGKILL)
    return take_in.TakenFile("hash", path.name)


def ended(path: Path) -> take_in.TakenFile:
    return file_by_file.ended("hash", path.name)


@pytest.mark.parametrize("deadly", [["3"], ["0", "11"], ["4", "5", "6"]])
def test_a_file_that_kills_its_worker_is_quarantined_and_all_others_are_read(tmp_path: Path, deadly: list[str]) -> None:
    paths = [tmp_path / str(number) for number in range(12)]
    found = list(file_by_file.read_files(work, deadly, paths, 2, tmp_path, ended))
    assert sorted(path for path, _ in found) == sorted(paths)
    assert sorted(taken.file_name for _, taken in found if taken.error is not None) == sorted(deadly)


def test_a_file_that_killed_the_process_is_read_apart_next_time(tmp_path: Path) -> None:
    script = (
        "import sys, pathlib; from tests.flows import test_no_file_stops as t; from pipelines.flows.steps import file_by_file\n"
        "root = pathlib.Path(sys.argv[1]); paths = [root / n for n in 'abc']\n"
        "for p, taken in file_by_file.read_files(t.work, ['b'], paths, 1, root, t.ended):\n"
        "    print(p.name, taken.error is not None)\n"
    )
    runs = [
        subprocess.run(
            [sys.executable, "-c", script, str(tmp_path)], capture_output=True, text=True, timeout=120, check=False
        )
        for _ in range(2)
    ]
    assert runs[0].returncode == -signal.SIGKILL, runs[0].stderr
    assert runs[1].stdout.split("\n") == ["a False", "b True", "c False", ""], runs[1].stderr
    assert not (tmp_path / file_by_file.MARK_NAME).exists()


@pytest.mark.parametrize("day", ["9999-12-31", "0000-01-01", "0001-01-01", "10000-01-01", "1989-12-31"])
def test_a_date_of_no_use_quarantines_its_row(place: Workspace, day: str) -> None:
    lines = [json.dumps(dict(zip(EXPORT_HEADER.strip().split(","), row(each).splitlines()[1].split(","), strict=True)))
             for each in (day, "2026-10-29")]  # fmt: skip
    (place.inbox / "x.jsonl").write_text("\n".join(lines), encoding="utf-8")
    outcome = refresh(place)
    assert outcome.quarantined_row_count == 1 and any("x.jsonl: 1 of 2 rows" in text for text in outcome.messages)


@pytest.mark.parametrize("day", ["0001-01-01", "9999-12-31", "1989-12-31"])
def test_a_date_that_cannot_be_priced_is_refused(place: Workspace, day: str) -> None:
    done = CliRunner().invoke(app, ["refresh", "--workspace", str(place.root), "--priced-on", day])
    assert done.exit_code == 2 and "1990-01-01" in done.output and list(place.inbox.iterdir())
    settings = place.root / "kitfare.toml"
    text = re.sub(r"(?m)^priced_on = .*$", f"priced_on = {day}", settings.read_text(encoding="utf-8"), count=1)
    settings.write_text(text, encoding="utf-8")
    done = CliRunner().invoke(app, ["refresh", "--workspace", str(place.root)])
    assert done.exit_code == 3 and "1990-01-01" in done.output


@pytest.mark.parametrize("place_of", ["tables/vendors.csv", "tables/exchange_rates.csv", "tables/accepted_exports.csv", "models/hut/model.toml",
                                      "models/hut/parts.csv", "models/other", "profiles/x.toml", "kitfare.toml", "models", "tables"])  # fmt: skip
@pytest.mark.parametrize("kind", ["pipe", "folder", "lost link"])
def test_what_is_no_plain_file_in_the_place_of_one_is_said(place: Workspace, place_of: str, kind: str) -> None:
    path = place.root / place_of
    is_folder = place_of in ("models", "tables", "models/other")
    if is_folder and kind == "folder":
        return
    if path.is_dir():
        path.rename(path.with_name("away"))
    path.unlink(missing_ok=True)
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "folder":
        path.mkdir()
    else:
        path.symlink_to("nowhere")
    done = CliRunner().invoke(app, ["refresh", "--workspace", str(place.root)])
    words = {"pipe": "a named pipe", "folder": "a folder", "lost link": "a link that leads nowhere"}
    assert done.exit_code in (2, 3) and words[kind] in done.output and Path(place_of).name in done.output, done.output
