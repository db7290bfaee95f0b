"""What goes from step to step: rows are counted by what a step made, and what became of files outlives a failure."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import Any, NoReturn

import polars as pl
import pytest
from typer.testing import CliRunner, Result

from pipelines.cli.main import app
from pipelines.errors import KitfareError
from pipelines.flows import refresh as refresh_module
from pipelines.flows.rebuild import rebuild
from pipelines.flows.refresh import refresh
from pipelines.flows.runs import run_record
from pipelines.flows.steps import history_steps, intake_steps
from pipelines.flows.steps.night import Markets
from pipelines.warehouse import connect
from pipelines.warehouse.price_history import load, messages
from pipelines.warehouse.publishing import generation, query
from pipelines.workspace import Workspace
from schemas.all_tables import ALL_PUBLISHED, WORKSPACE_TABLES
from schemas.contract import Contract
from tests.builders.runs import refresh_and_show
from tests.builders.workspaces import export, make_workspace

QUARANTINED = export("south", "2026-11-01", ("00502", "blue", "much", 9), ("00501", "red", "0.12", 20))
NEWS = "bad.csv: 1 of 2 rows quarantined"


@pytest.fixture
def place(tmp_path: Path) -> Workspace:
    return make_workspace(tmp_path / "space")


def fail(*_arguments: object) -> NoReturn:
    raise KitfareError("this step fails")


def frame(rows: int) -> pl.DataFrame:
    return pl.DataFrame({"n": range(rows)})


def test_a_step_counts_the_rows_of_all_tables_it_made(place: Workspace) -> None:
    before = intake_steps.read_inputs(place, datetime(2026, 11, 1))
    assert before.row_count_beyond(None) == sum(table.height for table in before.all_inputs.tables.values()) > 0
    first = before.with_tables({"one": frame(3), "two": frame(4)})
    assert first.row_count_beyond(before) == 7
    changed = first.with_tables({"two": frame(5)}, {"three": frame(6)})
    assert changed.row_count_beyond(first) == 11
    assert changed.row_count_beyond(changed) == 0
    day = date(2026, 11, 1)
    markets = Markets({day: frame(2)}, {day: frame(10)}, {day: frame(100)})
    assert replace(changed, markets=markets).row_count_beyond(changed) == 112


def test_every_published_table_is_given_by_a_step(place: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    """A table that no step gives would be published empty, and look as if there were nothing to say."""
    given: set[str] = set()
    build, replace_table = generation.build, generation.replace_table

    def build_and_note(folder: Path, tables: Any) -> None:
        given.update(tables)
        build(folder, tables)

    def replace_and_note(folder: Path, contract: Contract, rows: pl.DataFrame) -> None:
        given.add(contract.name)
        replace_table(folder, contract, rows)

    monkeypatch.setattr(generation, "build", build_and_note)
    monkeypatch.setattr(generation, "replace_table", replace_and_note)
    refresh(place)
    assert given == {contract.name for contract in (*ALL_PUBLISHED, *WORKSPACE_TABLES)}


def test_what_became_of_files_is_said_by_the_failure_and_by_the_next_success(
    place: Workspace, monkeypatch: pytest.MonkeyPatch
) -> None:
    (place.inbox / "bad.csv").write_text(QUARANTINED)
    with monkeypatch.context() as patch, pytest.raises(KitfareError) as caught:
        patch.setattr(history_steps, "screen_prices", fail)
        refresh(place)
    assert any(NEWS in note for note in caught.value.__notes__)
    assert not list(place.inbox.iterdir())

    outcome = refresh_and_show(place)
    assert any(NEWS in message for message in outcome.messages)
    assert outcome.quarantined_row_count == 1
    with query.asking(place.database) as ask:
        counted = {row["step_name"]: row["row_count"] for row in ask("from refresh_run")}
        made = ("model_cost", "plan_vendor", "plan_purchase", "plan_line", "unfilled_line")
        planned = sum(ask(f"select count(*) as n from {name}")[0]["n"] for name in made)
    assert counted["plan the purchases"] == planned > len(made)
    again = refresh(place)
    assert not again.published and not any(NEWS in message for message in again.messages)
    assert again.quarantined_row_count == 0


def test_a_retried_step_says_what_its_first_try_took_in(place: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    (place.inbox / "bad.csv").write_text(QUARANTINED)
    night = intake_steps.read_inputs(place, datetime(2026, 11, 1))
    loaded = load.load_file

    def load_two_then_fail(con: Any, taken: Any, *more: Any) -> Any:
        if taken.file_name == "north.csv":
            raise OSError("a disk that comes back")
        return loaded(con, taken, *more)

    with monkeypatch.context() as patch, pytest.raises(OSError, match="comes back"):
        patch.setattr(load, "load_file", load_two_then_fail)
        intake_steps.take_in_files(night)
    assert not (place.inbox / "bad.csv").exists()
    intake = intake_steps.take_in_files(night).intake
    assert any(NEWS in message for message in intake.messages) and intake.quarantined_row_count == 1


def test_what_nobody_was_seen_to_show_is_said_again(place: Workspace) -> None:
    """Also where each step that can be tried again was: what the first try reported is not lost with it."""
    (place.inbox / "bad.csv").write_text(QUARANTINED)

    def twice(_name: str, function: Any, /, *arguments: Any, **named: Any) -> Any:
        if function in (intake_steps.take_in_files, history_steps.fold_history):
            function(*arguments, **named)
        return function(*arguments, **named)

    for run_step in (twice, refresh_module.run_directly):
        outcome = refresh(place, run_step)
        assert [NEWS in message for message in outcome.messages].count(True) == 1
        assert outcome.quarantined_row_count == 1
    run_record.mark_shown(place, outcome.run_number)
    assert not any(NEWS in message for message in refresh(place).messages)


def test_a_rebuild_keeps_what_was_not_said_yet(place: Workspace) -> None:
    (place.inbox / "bad.csv").write_text(QUARANTINED)
    intake_steps.clean_up(place)
    intake_steps.take_in_files(intake_steps.read_inputs(place, datetime(2026, 11, 1)))
    rebuild(place, replace=True)
    with connect.reader(place.warehouse) as con:
        assert any(NEWS in message.text for message in messages.kept(con))


def test_a_published_link_to_nothing_has_one_way_out(place: Workspace) -> None:
    def kitfare(*arguments: str) -> Result:
        return CliRunner().invoke(app, [*arguments, "--workspace", str(place.root)])

    first = refresh(place)
    first.folder.rename(place.root / "elsewhere")
    for command in (("query", "select 1"), ("report", "--month", "2026-10"), ("status",), ("verify",)):
        output = kitfare(*command).output
        assert "is gone or not whole" in output and "`kitfare refresh`" in output, output
    outcome = refresh(place)
    assert outcome.published and outcome.refresh_id == first.refresh_id
    assert kitfare("query", "select 1").exit_code == 0
    assert kitfare("verify").exit_code == 0


def test_pages_are_given_paths_not_tables(place: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    """What goes to other processes stays small, however long the price history is."""
    import pickle

    from pipelines.flows.steps import publish_steps

    given = []

    def spread(work: Any, shared: Any, items: Any, _workers: int) -> Iterator[tuple[Any, Any]]:
        given.append(len(pickle.dumps(shared.tables)))
        return ((key, work(shared, item)) for key, item in items)

    monkeypatch.setattr(publish_steps, "spread", spread)
    refresh(place)
    assert given and given[0] < 1000
    assert (place.private / "index.html").is_file()


def test_a_system_without_file_locks_is_refused_in_words(place: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "fcntl", None)
    with pytest.raises(KitfareError, match="Linux and macOS") as caught, refresh_module.only_refresh(place):
        pytest.fail("there are no locks")
    assert caught.value.next_step
    assert CliRunner().invoke(app, ["--help"]).exit_code == 0
    refused = CliRunner().invoke(app, ["refresh", "--workspace", str(place.root)])
    assert refused.exit_code == 1 and "Linux and macOS" in refused.output and "A fault in kitfare" not in refused.output
    assert any(place.inbox.iterdir())
