"""The record of each refresh: what it says however the refresh ends, and that no message leaves it before it was shown."""

import json
import threading
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.errors import InputError
from pipelines.flows.recorded import recorded
from pipelines.flows.runs import run_record
from pipelines.flows.runs.run_record import KEPT_RUNS, Run, latest_ended, newest_first
from pipelines.warehouse import connect
from pipelines.warehouse.price_history import messages
from pipelines.warehouse.price_history.messages import Message
from pipelines.workspace import Workspace
from tests.builders.length import examples
from tests.builders.runs import bare_workspace, one_run, rewritten
from tests.present import present


def begun() -> datetime:
    return run_record.utc_now()


def test_a_run_is_recorded_before_it_does_anything_and_when_it_has_ended(tmp_path: Path) -> None:
    place = bare_workspace(tmp_path)
    with recorded(place, begun(), is_attended=False):
        found = present(run_record.read(place, 1))
        assert (found.outcome, found.ended_at) == ("running", None)
        assert run_record.is_running(place) and latest_ended(place) is None
    found = present(run_record.read(place, 1))
    assert found.outcome == "unchanged" and present(found.ended_at) >= found.started_at
    assert not run_record.is_running(place) and latest_ended(place) == found


@pytest.mark.parametrize(
    ("error", "why", "code"),
    [
        (InputError("a table is wrong", where="parts.csv:3"), "a table is wrong\n  where: parts.csv:3", 3),
        (OSError(28, "No space left"), "OSError: [Errno 28] No space left", 1),
        (RuntimeError(), "RuntimeError", 70),
        (KeyboardInterrupt(), "KeyboardInterrupt", 130),
    ],
)
def test_a_failure_is_recorded_in_words_with_its_exit_code(
    error: BaseException, why: str, code: int, tmp_path: Path
) -> None:
    run = one_run(bare_workspace(tmp_path), error=error)
    assert (run.outcome, run.why, run.exit_code) == ("failed", why, code)
    assert run.ended_at is not None


def test_a_run_that_nobody_ended_was_killed_and_the_next_one_says_so(tmp_path: Path) -> None:
    place = bare_workspace(tmp_path)
    rewritten(place, one_run(place), outcome="running", ended_at=None)
    assert present(latest_ended(place)).outcome == "killed" and present(run_record.read(place, 1)).outcome == "running"
    one_run(place)
    assert [run.outcome for run in newest_first(place)] == ["unchanged", "killed"]
    assert "killed" in present(run_record.read(place, 1)).why


def test_one_that_looks_whether_somebody_runs_stops_no_refresh(tmp_path: Path) -> None:
    place = bare_workspace(tmp_path)
    one_run(place)
    done = threading.Event()

    def look() -> None:
        while not done.is_set():
            run_record.is_running(place)

    looking = [threading.Thread(target=look) for _ in range(3)]
    for thread in looking:
        thread.start()
    try:
        for _ in range(20):
            with recorded(place, begun(), is_attended=False):
                assert run_record.is_running(place)
    finally:
        done.set()
        for thread in looking:
            thread.join()


def test_the_latest_records_stay(tmp_path: Path) -> None:
    place = bare_workspace(tmp_path)
    one_run(place)
    text = run_record.place_of(place, 1).read_text()
    for number in range(2, KEPT_RUNS + 50):
        run_record.place_of(place, number).write_text(text.replace('"run_number": 1,', f'"run_number": {number},'))
    one_run(place)
    numbers = [run.run_number for run in newest_first(place)]
    assert len(numbers) == KEPT_RUNS and numbers[0] == KEPT_RUNS + 50


@given(st.data())
@settings(max_examples=examples(60, 2000))
def test_a_damaged_record_is_left_out_and_stops_nothing(tmp_path_factory: Any, data: Any) -> None:
    place = bare_workspace(tmp_path_factory.mktemp("space"))
    one_run(place)
    path = run_record.place_of(place, one_run(place).run_number)
    content = bytearray(path.read_bytes())
    start = data.draw(st.integers(0, len(content) - 1))
    content[start : start + data.draw(st.integers(0, 40))] = data.draw(st.binary(max_size=20))
    path.write_bytes(content)
    assert 1 in [run.run_number for run in newest_first(place)]
    latest_ended(place)
    run_record.unreadable(place)
    assert one_run(place).run_number == 3


def test_names_that_are_no_text_can_be_recorded(tmp_path: Path) -> None:
    place = bare_workspace(tmp_path)
    with recorded(place, begun(), is_attended=False) as report:
        report.update(messages=(Message("caf\udce9.csv: quarantined", 2),))
    assert present(run_record.read(place, 1)).messages == (Message("caf\udce9.csv: quarantined", 2),)


def test_a_record_that_cannot_be_written_is_said_and_stops_nothing(tmp_path: Path) -> None:
    place = bare_workspace(tmp_path)
    place.runs.write_text("a file in place of the folder")
    with recorded(place, begun(), is_attended=False) as report:
        pass
    assert [text for text in report.sentences if "record of this refresh could not be written" in text]


ENDINGS = st.lists(
    st.tuples(st.integers(0, 2), st.sampled_from(["shown", "not shown", "failed", "killed"])), max_size=6
)


@given(ENDINGS)
@settings(max_examples=examples(8, 500))
def test_a_message_stays_until_a_run_that_succeeded_has_shown_it(tmp_path_factory: Any, endings: Any) -> None:
    """Whatever ends in whatever order; and once it was shown, it goes."""
    place = bare_workspace(tmp_path_factory.mktemp("space"))
    expected: list[str] = []
    for number, (count, ending) in enumerate(endings):
        news = [Message(f"file {number}.{n}: quarantined", 1) for n in range(count)]
        expected += [message.text for message in news]
        shown = run_with(place, news, ending)
        assert shown == expected, (number, ending)
        if ending == "shown":
            expected = []
    assert run_with(place, [], "shown") == expected


def run_with(place: Workspace, news: list[Message], ending: str) -> list[str]:
    """A run that takes files in, as far as their messages go; returns all that it would show, in order."""
    reports = []
    try:
        with recorded(place, begun(), is_attended=False) as report:
            reports.append(report)
            with connect.writer(place.warehouse) as con:
                with connect.transaction(con):
                    messages.keep(con, news)
                report.sentences += [m.text for m in messages.kept(con) if m.text not in report.sentences]
            if ending == "killed":
                as_it_runs = run_record.place_of(place, report.run.run_number).read_bytes()
            if ending in ("failed", "killed"):
                with connect.reader(place.warehouse) as con:
                    waiting = messages.kept(con)
                raise InputError("it failed")
    except InputError as error:
        if ending == "failed":
            assert set(report.sentences) <= set(getattr(error, "__notes__", ()))
        else:
            run_record.place_of(place, report.run.run_number).write_bytes(as_it_runs)
        with connect.reader(place.warehouse) as con:
            assert messages.kept(con) == waiting
    if ending == "shown":
        run_record.mark_shown(place, reports[0].run.run_number)
    return list(dict.fromkeys(reports[0].sentences))


def test_what_a_step_keeps_without_reporting_it_is_shown_at_the_end(tmp_path: Path) -> None:
    place = bare_workspace(tmp_path)
    with recorded(place, begun(), is_attended=False) as report:
        report.add(["a record was cleared", "a record was cleared"])
        with connect.writer(place.warehouse) as con, connect.transaction(con):
            messages.keep(con, [Message("an odd export")])
    assert report.sentences == ["a record was cleared", "an odd export"]
    assert run_with(place, [], "shown") == ["a record was cleared", "an odd export"]


def test_messages_stay_in_the_warehouse_while_the_record_cannot_take_them(tmp_path: Path) -> None:
    place = bare_workspace(tmp_path)
    place.runs.write_text("a file in place of the folder")
    run_with(place, [Message("a file", 1)], "not shown")
    with connect.reader(place.warehouse) as con:
        assert messages.kept(con) == [Message("a file", 1)]
    place.runs.unlink()
    assert run_with(place, [], "shown") == ["a file"]


def test_a_record_is_what_others_can_read(tmp_path: Path) -> None:
    place = bare_workspace(tmp_path)
    one_run(place)
    found = json.loads((tmp_path / "runs/000001.json").read_text(encoding="ascii"))
    assert set(found) == set(Run.__dataclass_fields__)
