"""Room on the disk: growth is stated only when it was measured, and a date only when it follows from it."""

import json
import os
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.flows.runs import concerns, disk_use, run_record
from pipelines.flows.scheduler import next_run, server_record
from pipelines.warehouse import connect
from pipelines.workspace import Workspace
from tests.builders.runs import bare_workspace

START = datetime(2026, 9, 1, 3)


def record(place: Workspace, *used: tuple[float, int | None]) -> None:
    """Runs that succeeded: days after the start, and bytes used."""
    place.runs.mkdir(exist_ok=True)
    for number, (days, size) in enumerate(used, 1):
        at = START + timedelta(days=days)
        assert run_record.Recorder(place, run_record.Run(number, at, "published", at, used_bytes=size)).update()


def test_growth_is_that_of_a_straight_line(tmp_path: Path) -> None:
    place = bare_workspace(tmp_path)
    record(place, *((day, 1_000 + 50 * day) for day in range(30)), (31, None))
    found = disk_use.growth(place)
    assert found is not None and found.bytes_a_day == pytest.approx(50)
    assert (found.from_on, found.to_on, found.record_count) == (date(2026, 9, 1), date(2026, 9, 30), 30)


def test_a_compacted_week_long_ago_says_nothing_about_now(tmp_path: Path) -> None:
    place = bare_workspace(tmp_path)
    record(place, (0, 10**12), (1, 10**12), *((400 + day, 7 * day) for day in range(20)))
    found = disk_use.growth(place)
    assert found is not None and found.bytes_a_day == pytest.approx(7) and found.record_count == 20


@pytest.mark.parametrize(
    "days",
    [[], [0], list(range(13)), [0, 30], [0, 1, 2, 3, 4, 5, 30]],
    ids=["none", "one", "too short", "two", "seven"],
)
def test_growth_that_was_not_measured_is_not_stated(tmp_path: Path, days: list[int]) -> None:
    place = bare_workspace(tmp_path)
    record(place, *((day, 10**6 * day) for day in days))
    assert disk_use.growth(place) is None


@given(a_day=st.floats(-1e9, 1e9), free=st.integers(0, 10**15))
def test_the_date_follows_from_growth_and_room(a_day: float, free: int) -> None:
    today = date(2026, 10, 1)
    full_on = disk_use.Growth(today, today, 9, a_day).full_on(free, today)
    if full_on is None:
        assert a_day <= 0 or free / a_day >= disk_use.FARTHEST_DAYS * 0.999
    else:
        days = (full_on - today).days
        assert days * a_day <= free * 1.001 and (days + 1) * a_day >= free * 0.999


def test_what_a_folder_takes_counts_linked_files_once(tmp_path: Path) -> None:
    (tmp_path / "one").write_bytes(os.urandom(50_000))
    before = disk_use.bytes_of(tmp_path)
    (tmp_path / "same").hardlink_to(tmp_path / "one")
    (tmp_path / "way").symlink_to("/usr")
    assert (
        50_000 <= before == disk_use.bytes_of(tmp_path) - sum(disk_use.bytes_of(tmp_path / name) for name in ("way",))
    )
    assert disk_use.bytes_of(tmp_path / "nothing") == 0


def test_a_disk_that_will_be_full_soon_is_a_concern(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = bare_workspace(tmp_path)
    record(place, *((day, 10**9 * day) for day in range(20)))
    now = START + timedelta(days=20)

    def codes(free: int) -> list[str]:
        monkeypatch.setattr(disk_use, "free_bytes", lambda _: free)
        return [each.text for each in concerns.concerns(place, now) if each.code == "disk"]

    assert codes(1000 * 10**9) == []
    (text,) = codes(30 * 10**9)
    assert "2026-10-21" in text


@pytest.mark.parametrize(
    ("at", "zone", "now", "expected"),
    [
        ("02:30", "UTC", "2026-11-01T02:29:59", "2026-11-01T02:30"),
        ("02:30", "UTC", "2026-11-01T02:30:00", "2026-11-02T02:30"),
        ("02:30", "Europe/Warsaw", "2026-07-01T00:00", "2026-07-01T00:30"),
        # Skipped in the night to 2026-03-29: an hour later. Repeated in the night to 2026-10-25: the first time.
        ("02:30", "Europe/Warsaw", "2026-03-28T12:00", "2026-03-29T01:30"),
        ("02:30", "Europe/Warsaw", "2026-10-24T12:00", "2026-10-25T00:30"),
        ("02:30", "Europe/Warsaw", "2026-10-25T00:45", "2026-10-26T01:30"),
        ("23:30", "Pacific/Auckland", "2026-07-01T12:00", "2026-07-02T11:30"),
    ],
)
def test_the_next_run(at: str, zone: str, now: str, expected: str) -> None:
    assert next_run.after(time.fromisoformat(at), zone, datetime.fromisoformat(now)) == datetime.fromisoformat(expected)


def test_the_next_run_is_known_while_its_schedule_runs(tmp_path: Path) -> None:
    place, now = bare_workspace(tmp_path), datetime(2026, 11, 1, 3)
    with server_record.locked_record(place) as write:
        write(server_record.ServerRecord("http://127.0.0.1:1", "a:b", 1))
        assert next_run.next_run(place, now) is None
        next_run.write_times(place, time(2, 30), "UTC")
        assert next_run.next_run(place, now) == datetime(2026, 11, 2, 2, 30)
    assert next_run.next_run(place, now) is None
    with server_record.locked_record(place) as write:  # of a refresh, after the schedule was killed
        write(server_record.ServerRecord("http://127.0.0.1:2", "a:b", 1))
        assert next_run.next_run(place, now) is None
    next_run.forget_times(place)
    next_run.forget_times(place)


def test_status_states_it_for_people_and_for_programs(tmp_path: Path) -> None:
    place = bare_workspace(tmp_path)
    record(place, *((day, 10**9 + 2_000_000 * day) for day in range(20)))

    def status(*options: str) -> Any:
        return CliRunner().invoke(app, ["status", "--workspace", str(tmp_path), *options]).stdout

    text, found = status(), json.loads(status("--json"))
    assert "2.0 MB more a day from 2026-09-01 to 2026-09-20 (20 records)" in text and "no schedule of kitfare" in text
    assert found["disk"]["growth"]["record_count"] == 20 and found["next_run_at"] is None
    assert found["disk"]["used_bytes"] > 0 and found["versions"]["layout"] is None
    with connect.writer(place.warehouse):
        pass
    assert json.loads(status("--json"))["versions"]["layout"] == connect.newest_layout()
