"""What ``kitfare status`` finds: the worst first, whatever of the workspace can be read, and changing nothing."""

import json
import os
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.errors import InputError
from pipelines.flows.recorded import recorded
from pipelines.flows.runs import run_record
from pipelines.flows.runs.concerns import Concern, concerns, exit_code, local_date
from pipelines.intake.archiving import journal
from pipelines.warehouse import connect
from pipelines.warehouse.publishing import generation
from pipelines.workspace import Workspace
from schemas.contract import Contract
from schemas.inputs.vendors import VENDOR_CLOSURES, VENDORS
from schemas.published.intake import QUARANTINED_ROW, VENDOR_EXPORT
from schemas.published.plans import MODEL_COST
from schemas.published.price_history import SUSPECT_PRICE
from schemas.published.runs import REFRESH_RUN
from schemas.validate import empty_frame
from tests.builders.runs import NOTE_DOWN, aged, bare_workspace, heard, one_run, program, rewritten
from tests.present import present

NOW = datetime(2026, 11, 25, 12)
TODAY = local_date(NOW)


def rows_of(contract: Contract, *rows: Any) -> pl.DataFrame:
    plain = {pl.String(): "x", pl.Int64(): 1, pl.Float64(): 0.5, pl.Boolean(): False}
    schema = empty_frame(contract).schema
    full = [{name: row.get(name, plain.get(kind)) for name, kind in schema.items()} for row in rows]
    return pl.DataFrame(full, schema=schema)


def published(place: Workspace, *, priced_on: date = TODAY, exports: Any = (), closed: Any = (), **tables: Any) -> None:
    """Publish tables; exports are (vendor, days before today)."""
    place.generations.mkdir(exist_ok=True)
    sent = [
        {"vendor_code": vendor, "observed_on": TODAY - timedelta(days=ago), "file_hash": f"{number:064d}", "coverage": "full",
         "export_standing": "winner"} for number, (vendor, ago) in enumerate(exports)
    ]  # fmt: skip
    vendors = [
        {"vendor_code": vendor, "vendor_kind": "independent", "currency_code": "EUR"} for vendor in ("north", "south")
    ]
    days_off = [
        {"vendor_code": vendor, "closed_from_on": start, "opens_again_on": end} for vendor, start, end in closed
    ]
    known = {
        "vendors": rows_of(VENDORS, *vendors),
        "vendor_closures": rows_of(VENDOR_CLOSURES, *days_off),
        "vendor_export": rows_of(VENDOR_EXPORT, *sent),
        "refresh_run": rows_of(REFRESH_RUN, {"refresh_id": "g1", "priced_on": priced_on, "started_at": NOW}),
    }
    folder = place.generations / "g1"
    generation.build(folder, {**known, **tables})
    generation.publish(place, folder, 3)


def codes(place: Workspace, now: datetime = NOW) -> list[str]:
    return [concern.code for concern in concerns(place, now)]


def text_of(place: Workspace, code: str, now: datetime = NOW) -> str:
    return next(concern.text for concern in concerns(place, now) if concern.code == code)


@pytest.fixture
def place(tmp_path: Path) -> Workspace:
    return bare_workspace(tmp_path)


def test_where_all_is_well_nothing_is_found(place: Workspace) -> None:
    published(place)
    with connect.writer(place.warehouse):
        pass
    run = one_run(place)
    now = present(run.ended_at) + timedelta(hours=1)
    published(place, priced_on=local_date(now))
    assert concerns(place, now) == [] and exit_code([]) == 0


def test_a_failed_refresh_comes_first_and_then_what_waits(place: Workspace) -> None:
    quarantined = rows_of(
        QUARANTINED_ROW,
        {"file_hash": "a", "record_number": 3},
        {"file_hash": "a", "record_number": 3, "quarantined_column": "unit_price"},
        {"file_hash": "b", "record_number": 0},
        {"file_hash": "c", "record_number": 1, "is_corrected": True},
    )
    suspect = {"offer_id": "o", "valid_from_on": TODAY, "price_from_on": TODAY, "unit_price": 1, "suspicion": "stands_out", "pack_size": None, "cost_influence": 0, "condition": "new",
               "currency_code": "EUR", "own_price": None, "market_price": None}  # fmt: skip
    published(place, quarantined_row=quarantined, suspect_price=rows_of(SUSPECT_PRICE, suspect))
    one_run(place, error=InputError("a table is wrong", where="parts.csv:3"))
    found = concerns(place, NOW)
    assert [concern.code for concern in found] == ["failed", "quarantined", "suspects"] and exit_code(found) == 6
    assert found[0].text.endswith(" failed: a table is wrong where: parts.csv:3")
    assert found[1].text == "Quarantined: 1 rows of 1 files, and 1 whole files"
    assert exit_code(found[1:]) == 7 and exit_code(found[2:]) == 0


def test_a_model_whose_plan_was_refused_is_named(place: Workspace) -> None:
    costs = {name: 1 for name, kind in empty_frame(MODEL_COST).schema.items() if kind.is_decimal()}
    rows = {**costs, "priced_on": TODAY, "currency_code": "EUR", "effort": "standard"}
    refused = rows_of(
        MODEL_COST,
        {**rows, "model_code": "tug", "plan_status": "refused"},
        {**rows, "model_code": "hut", "plan_status": "proven"},
    )
    published(place, model_cost=refused)
    assert text_of(place, "models") == "Models with a plan that failed a check and must not be used: tug"


def test_a_later_success_ends_a_failure(place: Workspace) -> None:
    published(place)
    one_run(place, error=InputError("a table is wrong"))
    one_run(place)
    assert "failed" not in codes(place)


def test_a_killed_refresh_is_found_before_any_other_runs(place: Workspace) -> None:
    published(place)
    rewritten(place, one_run(place), outcome="running", ended_at=None)
    assert codes(place)[0] == "failed" and "was killed" in text_of(place, "failed")


def test_a_refresh_at_work_is_neither_failed_nor_changed(place: Workspace) -> None:
    published(place)
    with recorded(place, run_record.utc_now(), is_attended=False):
        assert codes(place) == ["running"]


def test_overdue_after_the_hours_of_the_settings(place: Workspace, tmp_path: Path) -> None:
    published(place)
    run = one_run(place)
    rewritten(place, run, ended_at=NOW - timedelta(hours=26, minutes=1))
    assert codes(place) == ["overdue"] and "since 2026-11-25 11:59 UTC" in text_of(place, "overdue")
    rewritten(place, run, ended_at=NOW - timedelta(hours=25, minutes=59))
    assert codes(place) == []
    bare_workspace(tmp_path, "[refresh]\nexpected_every_hours = 0\n")
    aged(place, run, days=400)
    assert codes(place) == []


@pytest.mark.parametrize(
    ("setting", "days", "expected"),
    [
        ('"today"', 1, None),
        ('"today"', 2, "known"),
        ('"today"', 3, "waits"),
        ('"latest_export"', 30, "known"),
        ('"latest_export"', 31, "waits"),
        ("2026-10-31", 25, "known"),
    ],
)
def test_what_is_old_is_said_with_its_days(setting: str, days: int, expected: Any, tmp_path: Path) -> None:
    place = bare_workspace(tmp_path, f"[refresh]\npriced_on = {setting}\n")
    published(place, priced_on=TODAY - timedelta(days=days))
    assert [concern.level for concern in concerns(place, NOW) if concern.code == "old"] == (
        [expected] if expected else []
    )
    if expected:
        assert f"is {days} days old" in text_of(place, "old")


@pytest.mark.parametrize(
    ("ago", "is_silent"),
    [
        ([4, 5, 6, 7], True),
        ([3, 4, 5, 6], False),
        ([16, 23, 30], True),
        ([15, 22, 29], False),
        ([4, 5], False),  # two exports are no rhythm
        ([9, 10, 11, 12, 19, 40, 90], False),  # the median counts, so a long pause before does not
        ([10, 11, 12, 13, 20, 40], True),
        ([-1, 5, 6], False),
    ],
)
def test_a_vendor_is_silent_after_twice_its_usual_interval_and_a_day(
    ago: list[int], is_silent: bool, place: Workspace
) -> None:
    published(place, exports=[("north", days) for days in ago] + [("south", 0), ("stranger", 90), ("stranger", 91)])
    found = [concern for concern in concerns(place, NOW) if concern.code == "silent"]
    assert bool(found) == is_silent, found
    if found:
        assert f"north (last export {TODAY - timedelta(days=min(ago))}, usually every " in found[0].text


def test_a_vendor_that_is_closed_is_not_called_silent(place: Workspace) -> None:
    exports = [("north", 20), ("north", 21), ("north", 22)]
    published(place, exports=exports, closed=[("north", TODAY, None)])
    assert "silent" not in codes(place)
    published(place, exports=exports, closed=[("north", TODAY - timedelta(days=9), TODAY)])
    assert "silent" in codes(place)


def test_news_that_could_not_be_passed_on_are_found(tmp_path: Path) -> None:
    place = bare_workspace(tmp_path, '[[notify]]\ncommand = ["sh", "-c", "exit 4"]\n')
    published(place)
    one_run(place, error=InputError("a table is wrong"))
    one_run(place)
    assert codes(place) == ["notices"] and text_of(place, "notices").endswith("sh -c exit 4: ended with exit code 4")


def test_it_works_on_whatever_is_broken(tmp_path: Path) -> None:
    """Settings, records, the published database, the archive's journal, decisions; and a warehouse in use is never opened."""
    place = bare_workspace(tmp_path)
    published(place)
    one_run(place)
    run_record.place_of(place, 1).write_text("{")
    (tmp_path / "kitfare.toml").write_text("[[buyer\n")
    place.tables.mkdir()
    (place.tables / "accepted_exports.csv").write_text("no,such\nheader,here\n")
    (place.archive / journal.FOLDER).mkdir(parents=True)
    (place.archive / journal.FOLDER / "000001-wrong.json").write_text("{}")
    assert set(codes(place)) == {"settings", "warehouse", "inputs", "records"}
    with connect.writer(place.warehouse):
        assert "warehouse" not in codes(place)
    database = place.database.resolve()
    database.write_bytes(b"no database")
    assert "published" in codes(place) and "kitfare verify" in text_of(place, "published")
    database.unlink()
    assert "gone or not whole" in text_of(place, "published")
    place.published.unlink()
    assert "Nothing is published yet" in text_of(place, "published")
    for arguments in ([], ["--json"], ["--exit-code"], ["--notify"]):
        result = CliRunner().invoke(app, ["status", "--workspace", str(tmp_path), *arguments])
        assert result.exit_code == (6 if "--exit-code" in arguments else 0), result.output


def test_the_command_begins_with_the_worst_and_changes_nothing(tmp_path: Path) -> None:
    place = bare_workspace(tmp_path, "[[notify]]\n" + program(NOTE_DOWN))
    published(place)
    aged(place, one_run(place), days=9)
    before = {path: path.stat().st_mtime_ns for path in tmp_path.rglob("*")}

    def status(*options: str) -> Any:
        return CliRunner().invoke(app, ["status", "--workspace", str(tmp_path), *options])

    plain = status()
    assert plain.exit_code == 0 and plain.stdout.startswith("A refresh is overdue since ")
    found = json.loads(status("--json").stdout)
    assert found["concerns"][0]["code"] == "overdue" and found["exit_code"] == 6 == status("--exit-code").exit_code
    assert found["published"] == "g1" and found["last_refresh"]["outcome"] == "unchanged"
    assert {path: path.stat().st_mtime_ns for path in tmp_path.rglob("*")} == before and not heard(place)
    assert status("--notify").exit_code == 0 and [news["kind"] for news in heard(place)] == ["overdue"]


@pytest.mark.skipif(os.geteuid() == 0, reason="permissions do not bind a superuser")
def test_a_folder_of_records_that_cannot_be_read_is_no_crash(place: Workspace) -> None:
    published(place)
    one_run(place)
    place.runs.chmod(0)
    try:
        codes(place)
    finally:
        place.runs.chmod(0o755)


def test_every_level_has_a_code_of_its_own() -> None:
    found = [Concern("a", "broken", "a"), Concern("b", "waits", "b"), Concern("c", "known", "c")]
    assert [exit_code([concern]) for concern in found] == [6, 7, 0]
