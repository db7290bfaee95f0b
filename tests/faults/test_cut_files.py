"""A file cut in the middle: what is left of it is accounted for, and once it is withdrawn it is as if it had never come."""

import gzip
from datetime import datetime
from typing import Any

import polars as pl
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.flows.steps import history_steps, intake_steps, plausibility_steps
from pipelines.warehouse import connect
from pipelines.warehouse.price_history import history, tables
from tests.builders.faulty_workspaces import many
from tests.builders.programs.fault_work import accounted


def night(place: Any) -> Any:
    intake_steps.clean_up(place)
    taken = intake_steps.take_in_files(intake_steps.read_inputs(place, datetime(2026, 11, 1)))
    messages = taken.intake.messages
    history_steps.fold_history(plausibility_steps.check_exports(taken))
    with connect.reader(place.warehouse) as con:
        assert not history.unaccounted_files(con)
        found = tables.intake_tables(con)
    return messages, {name: found[name].rows() for name in ("price_history", "offer_confirmation", "vendor_export")}


def test_a_file_cut_in_the_middle(place: Any) -> None:
    for path in place.inbox.iterdir():
        path.unlink()
    whole = many("north", "2026-10-02", 1).encode()
    packed = gzip.compress(whole)
    (place.inbox / "cut.csv").write_bytes(whole[: len(whole) // 2 - 5])
    (place.inbox / "cut.csv.gz").write_bytes(packed[: len(packed) // 2])
    messages, with_cut = night(place)
    assert any("cut.csv.gz: quarantined whole" in line for line in messages)
    assert any("cut.csv: 1 of 191 rows quarantined" in line for line in messages), messages
    read = accounted(place)
    # Withdrawn by its name; the whole file of the same vendor and date then decides alone.
    assert CliRunner().invoke(app, ["withdraw", "cut.csv", "--workspace", str(place.root)]).exit_code == 0
    (place.inbox / "north.csv").write_bytes(whole)
    _, after = night(place)
    assert accounted(place) == read + len(whole.splitlines()) - 1
    assert after != with_cut
    with connect.reader(place.warehouse) as con:
        seen = tables.intake_tables(con)["price_history"]
    prices = seen.filter(pl.col("vendor_code") == "north", pl.col("valid_to_on").is_null())
    assert prices.height == len(whole.splitlines()) - 1
