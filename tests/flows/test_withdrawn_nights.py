"""What nights recorded is tied to the files behind it: after a withdrawal it is as if the file had never come.

Two workspaces go through the same nights; one gets a wrong file as well, and withdraws it.
"""

import shutil
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.flows.rebuild import compare
from pipelines.intake.archiving import journal
from pipelines.intake.workspace import index_vintages, night_costs
from pipelines.warehouse.publishing.table_files import TableFiles
from pipelines.workspace import Workspace
from tests.builders.runs import refresh_and_show as refresh
from tests.builders.workspaces import export, make_workspace

DAYS = ("2026-10-31", "2026-11-01", "2026-11-02", "2026-11-03")
RECORDS = (index_vintages.FOLDER, night_costs.FOLDER)
NAMES_THE_FILE = {"refresh_run", "input_file", "withdrawn_files", "intake_file"}
"""Published tables that name the refresh, or the withdrawn file as such."""


def south(day: str, price: str) -> str:
    return export("south", day, ("00502", "blue", "0.40", 90), ("00501", "red", price, 200))


WRONG_PRICES = south("2026-11-01", "0.01")
WRONG = {
    "wrong prices": {
        "wrong-1": WRONG_PRICES,
        "wrong-2": south("2026-10-31", "0.02").replace(",full", ",partial"),
        "wrong-3": export("south", "2025-12-01", ("00501", "blue", "0.01", 200)).replace(",full", ",partial"),
    },
    "dated ahead": {
        "wrong-1": south("2026-11-02", "0.03"),
        "wrong-2": south("2026-11-20", "0.02"),
        "wrong-3": export("north", "2026-11-19", ("00501", "red", "0.02", 50)).replace(",full", ",partial"),
    },
}


def night(place: Any, number: int, **more: str) -> Any:
    """Drop a night's export and other files, and refresh."""
    if number < len(DAYS):
        (place.inbox / f"south-{number}.csv").write_text(south(DAYS[number], f"0.1{number}"))
    for name, text in more.items():
        (place.inbox / f"{name}.csv").write_text(text)
    return refresh(place)


def kitfare(place: Any, *arguments: str) -> str:
    result = CliRunner().invoke(app, [*arguments, "--workspace", str(place.root)])
    assert result.exit_code == 0, result.output
    return result.output


def records(place: Any) -> Any:
    return {
        path.relative_to(place.root).as_posix(): path.read_bytes()
        for folder in RECORDS
        for path in sorted((place.root / folder).glob("*"))
    }


def published(place: Any) -> Any:
    tables = TableFiles(place.published)
    return {name: tables[name] for name in tables if name not in NAMES_THE_FILE}


def assert_same(place: Any, other: Any, *, but: tuple[str, ...] = ()) -> None:
    assert records(place) == records(other)
    found = compare(place.warehouse, other.warehouse)
    assert found is not None and set(found) <= set(but)
    ours, theirs = published(place), published(other)
    assert ours.keys() == theirs.keys() and len(ours) > 40
    assert [name for name in ours if not ours[name].equals(theirs[name])] == []


def copy_of(place: Any, to: Path) -> Any:
    return Workspace(shutil.copytree(place.root, to, symlinks=True))


@pytest.fixture(scope="module")
def first_night(tmp_path_factory: pytest.TempPathFactory) -> Any:
    place = make_workspace(tmp_path_factory.mktemp("nights") / "space")
    night(place, 0)
    return place


@pytest.fixture(scope="module")
def never(first_night: Any, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Four nights without a wrong file."""
    place = copy_of(first_night, tmp_path_factory.mktemp("never") / "space")
    for number in (1, 2, 3):
        night(place, number)
    return place


@pytest.mark.parametrize("wrong", WRONG.values(), ids=WRONG)
def test_after_withdrawals_all_is_as_if_the_files_had_never_come(
    wrong: Any, first_night: Any, never: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = copy_of(first_night, tmp_path / "space")
    night(place, 1, **wrong)
    night(place, 2)
    is_ahead = "wrong-3" in wrong and "2026-11-19" in wrong["wrong-3"]
    assert ("night_costs/2026-11-20.csv" in records(place)) == is_ahead, "it does harm at first"
    said = [kitfare(place, "withdraw", f"{name}.csv") for name in wrong]
    assert all("clears what was recorded of nights that the file counted in" in text for text in said)
    assert ("2026-11-20" if is_ahead else "2026-11-01, 2026-11-02") in said[1]
    seen = place.published.resolve()

    begun: list[str] = []

    write_night = night_costs.write_night

    def killed_after(number: int) -> Any:
        """Writes a night's costs, and is killed after the writing of a number."""

        def write(workspace: Any, rows: Any, day: Any) -> Any:
            assert place.published.resolve() == seen, "no reader sees an old date on the way"
            write_night(workspace, rows, day)
            begun.append(str(day))
            if len(begun) == number:
                raise KeyboardInterrupt

        return write

    # Once between the two files of a night, once before its last page.
    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        patch.setattr(night_costs, "write_night", killed_after(1))
        night(place, 3)
    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        patch.setattr(night_costs, "write_night", killed_after(3))
        refresh(place)
    assert begun == ["2026-11-01", "2026-11-01", "2026-11-02"]
    assert place.published.resolve() == seen
    outcome = refresh(place)
    assert outcome.priced_on == date(2026, 11, 3)
    assert "To be recorded again, from what is known now: 2026-11-02." in outcome.messages, "what was done is done"
    assert_same(place, never, but=("intake_file",))
    assert not refresh(place).published, "nothing is left to do"


def test_files_withdrawn_over_several_nights(first_night: Any, never: Any, tmp_path: Path) -> None:
    place = copy_of(first_night, tmp_path / "space")
    wrong = WRONG["dated ahead"]
    night(place, 1, **wrong)
    night(place, 2)
    kitfare(place, "withdraw", "wrong-2.csv")
    assert night(place, 3).priced_on == date(2026, 11, 19), "the other file dated ahead counts still"
    assert "night_costs/2026-11-19.csv" in records(place) and "night_costs/2026-11-20.csv" not in records(place)
    for name in ("wrong-1.csv", "wrong-3.csv"):
        kitfare(place, "withdraw", name)
    refresh(place)
    assert_same(place, never, but=("intake_file",))


def test_a_withdrawal_that_is_taken_back_leaves_no_trace(first_night: Any, tmp_path: Path) -> None:
    place = copy_of(first_night, tmp_path / "space")
    night(place, 1, file=south("2026-11-01", "0.03").replace(",full", ",partial"))
    before, other = records(place), copy_of(place, tmp_path / "other")
    decisions = (place.tables / "withdrawn_files.csv").read_bytes()
    kitfare(place, "withdraw", "file.csv")
    refresh(place)
    assert records(place).keys() == before.keys() and records(place) != before
    (place.tables / "withdrawn_files.csv").write_bytes(decisions)
    assert any(text.startswith("Cleared") and "2026-11-01" in text for text in refresh(place).messages)
    assert_same(place, other)


def without_pages(monkeypatch: pytest.MonkeyPatch) -> None:
    """Refresh as an older version did, whose journal said nothing of records."""
    monkeypatch.setattr(journal, "note_nights", lambda *_: None)


def test_records_that_no_page_of_the_journal_names_go_by_their_time_of_change(
    first_night: Any, never: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = make_workspace(tmp_path / "space")
    with monkeypatch.context() as patch:
        without_pages(patch)
        night(place, 0)
        first = records(place)
        night(place, 1, wrong=WRONG_PRICES, ahead=WRONG["dated ahead"]["wrong-2"])
    assert not journal.read_journal(place.archive).nights and set(records(place)) > set(first)
    assert "2026-11-20" in kitfare(place, "withdraw", "ahead.csv")
    said = kitfare(place, "withdraw", "wrong.csv")
    assert "2026-10-31" not in said and "2026-11-20" in said
    messages = night(place, 2).messages
    assert "To be recorded again, from what is known now: 2026-11-01." in messages, "the date it would have priced"
    night(place, 3)
    assert_same(place, never, but=("intake_file",))


def test_only_nights_that_a_file_counted_in_are_cleared(first_night: Any, tmp_path: Path) -> None:
    place = copy_of(first_night, tmp_path / "space")
    files = {
        # It would close both offers of the vendor.
        "waiting": export("north", "2026-10-31", ("00502", "red", "0.10", 5)),
        "broken": "no prices\n",
        "late": south("2026-11-21", "0.10"),
        "good": south("2026-11-01", "0.11"),
    }
    for name, text in files.items():
        (place.inbox / f"{name}.csv").write_text(text)
    refresh(place, priced_on=date(2026, 11, 1))
    for name in ("waiting", "broken", "late"):
        assert "clears" not in kitfare(place, "withdraw", f"{name}.csv"), name
    (place.tables / "withdrawn_files.csv").write_text("file_hash,decided_on\n")
    kitfare(place, "accept", "waiting.csv")
    before = records(place)
    assert not any("Cleared" in text for text in refresh(place, priced_on=date(2026, 11, 2)).messages)
    assert before.items() <= records(place).items(), "what was published without it stays"
    assert "counted in: 2026-11-02." in kitfare(place, "withdraw", "waiting.csv")
    assert "counted in: 2026-11-01, 2026-11-02." in kitfare(place, "withdraw", "good.csv")
    assert records(place).keys() == before.keys() | {"night_costs/2026-11-02.csv"}, "the next refresh clears"


def test_an_earlier_date_without_a_record_gets_one_and_one_that_has_one_keeps_it(
    first_night: Any, tmp_path: Path
) -> None:
    place = copy_of(first_night, tmp_path / "space")
    night(place, 1)
    before = records(place)
    (place.inbox / "late.csv").write_text(south("2026-10-31", "0.01").replace(",full", ",partial"))
    refresh(place, priced_on=date(2026, 10, 31))
    assert records(place) == before
    (place.root / "night_costs" / "2026-10-31.csv").unlink()
    refresh(place, priced_on=date(2026, 10, 30))
    assert records(place).keys() - before.keys() == {"night_costs/2026-10-30.csv"}
    refresh(place, priced_on=date(2026, 10, 31))
    again = records(place)
    assert again.keys() == before.keys() | {"night_costs/2026-10-30.csv"}
    assert again["night_costs/2026-10-31.csv"] != before["night_costs/2026-10-31.csv"]
