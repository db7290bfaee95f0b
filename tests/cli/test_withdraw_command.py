"""``kitfare withdraw``: the history becomes what it would have been without the file, and comes back with it."""

import csv
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.flows.steps import history_steps, intake_steps, plausibility_steps
from pipelines.warehouse import connect
from pipelines.warehouse.price_history import tables
from pipelines.workspace import Workspace

HEADER = (
    "vendor_code,part_code,colour_code,condition,unit_price,currency_code,quantity_available,observed_on,coverage\n"
)


def export(day: Any, price: Any) -> Any:
    return HEADER + "".join(f"north,0050{n},red,new,{price},EUR,50,{day},full\n" for n in range(3))


def take_in(place: Any) -> Any:
    taken = intake_steps.take_in_files(intake_steps.read_inputs(place, datetime(2026, 11, 1)))
    history_steps.fold_history(plausibility_steps.check_exports(taken))
    with connect.reader(place.warehouse) as con:
        found = tables.intake_tables(con)
    return {name: found[name].rows() for name in ("price_history", "offer_confirmation", "vendor_export")}


def withdraw(place: Any, *arguments: Any) -> Any:
    return CliRunner().invoke(app, ["withdraw", *arguments, "--workspace", str(place.root)])


@pytest.fixture
def place(tmp_path: Path) -> Any:
    root = tmp_path / "space"
    assert CliRunner().invoke(app, ["init", str(root)]).exit_code == 0
    place = Workspace(root)
    (place.inbox / "north-a.csv").write_text(export("2026-10-01", "0.10"))
    intake_steps.clean_up(place)
    return place


def test_the_history_is_as_without_the_file_until_the_decision_is_taken_back(place: Any) -> None:
    without = take_in(place)
    (place.inbox / "north-b.csv").write_text(export("2026-10-02", "0.90"))
    with_it = take_in(place)
    assert with_it != without
    result = withdraw(place, "north-b.csv", "--reason", "a slip")
    assert result.exit_code == 0 and "3 rows" in result.stdout, result.output
    assert take_in(place) == without
    with (place.tables / "withdrawn_files.csv").open() as file:
        assert [row["reason"] for row in csv.DictReader(file)] == ["a slip"]
    again = withdraw(place, "north-b.csv")
    assert again.exit_code == 0 and "already" in again.stdout
    (place.tables / "withdrawn_files.csv").unlink()
    assert take_in(place) == with_it


def test_a_path_or_a_hash_is_enough_and_anything_else_is_refused_with_the_choices(place: Any, tmp_path: Path) -> None:
    take_in(place)
    copy = tmp_path / "copy.csv"
    copy.write_text(export("2026-10-01", "0.10"))
    refused = withdraw(place, "north-z.csv")
    assert refused.exit_code == 2 and "north-a.csv" in refused.stderr
    assert len((place.tables / "withdrawn_files.csv").read_text().splitlines()) == 1, "only the header"
    assert withdraw(place, str(copy)).exit_code == 0


def test_nothing_taken_in_yet(place: Any) -> None:
    result = withdraw(place, "north-a.csv")
    assert result.exit_code == 2 and "not a price file that was taken in" in result.stderr
