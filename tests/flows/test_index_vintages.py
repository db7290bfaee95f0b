"""The record of published indices over several nights of one workspace; that a refresh keeps it: test_refresh_command."""

import shutil
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipelines.errors import InputError
from pipelines.flows import refresh as refresh_module
from pipelines.flows.steps import (
    history_steps,
    intake_steps,
    plausibility_steps,
    publish_steps,
    record_steps,
    trend_steps,
)
from pipelines.flows.steps.night import StepRecord
from pipelines.intake.workspace import index_vintages, night_costs, workspace_files
from pipelines.planning.plan_tables import PLAN_CONTRACTS
from schemas.validate import empty_frame
from tests.builders.workspaces import export, make_workspace

NO_PLANS = {contract.name: empty_frame(contract) for contract in PLAN_CONTRACTS}


def night(place: Any, day: Any) -> Any:
    """The steps of a refresh that concern the record; the trend tables, and the hash of all inputs."""
    taken = intake_steps.take_in_files(intake_steps.read_inputs(place, datetime(2026, 11, 20, 3)))
    night = refresh_module.identified(history_steps.fold_history(plausibility_steps.check_exports(taken)), day)
    refresh = night.settings.refresh.model_copy(update={"months_back": 2})
    settings = night.settings.model_copy(update={"refresh": refresh})
    night = history_steps.read_markets(replace(night, inputs=replace(night.inputs, settings=settings)))
    night = trend_steps.compute_trends(night.with_tables(NO_PLANS))
    tables = dict(night.tables)
    record_steps.record_published(publish_steps.write_tables(night, [StepRecord("all", 0.1, 1)]))
    shutil.rmtree(night.folder)
    return {**tables, "index_vintage": night.inputs.tables["index_vintage"]}, night.inputs_hash


def files(place: Any) -> Any:
    return {path.name: path.read_bytes() for path in sorted((place.root / index_vintages.FOLDER).glob("*"))}


def test_what_was_published_is_kept_and_what_changes_is_shown(tmp_path: Path) -> None:
    place = make_workspace(tmp_path / "space")
    for day, price in (("2026-09-30", "0.11"), ("2026-10-31", "0.12"), ("2026-11-10", "0.12")):
        offers = (("00502", "blue", "0.40", 90), ("00501", "red", price, 200))
        (place.inbox / f"all-{day}.csv").write_text(export("south", day, *offers))
    tables, inputs_hash = night(place, date(2026, 10, 30))
    first = files(place)
    assert len(first) == 1 and next(iter(first)).startswith("2026-10-30-")
    assert tables["index_vintage"].is_empty()  # it takes account of earlier dates only

    again, same_hash = night(place, date(2026, 10, 30))
    assert files(place) == first and same_hash == inputs_hash
    assert again["price_index"].write_csv() == tables["price_index"].write_csv()

    tables, _ = night(place, date(2026, 11, 10))
    assert tables["index_vintage"]["month"].unique().to_list() == ["2026-09"]
    assert tables["index_revision"].is_empty()
    second = files(place)
    assert len(second) == 2 and first.items() <= second.items()

    # A correction of October's price comes late: the published level is shown beside the new one.
    head = (
        "vendor_code,part_code,colour_code,condition,unit_price,currency_code,quantity_available,observed_on,coverage"
    )
    rows = ("south,00502,blue,new,0.44,EUR,90,2026-10-31,full", "south,00501,red,new,0.12,EUR,200,2026-10-31,full")
    late = [f"{head},revision_number", *(f"{row},2" for row in rows)]
    (place.inbox / "late.csv").write_text("\n".join(late) + "\n")
    tables, _ = night(place, date(2026, 11, 11))
    revised = tables["index_revision"].filter(pl.col("index_method") == "lowe")
    assert revised.select("month", "revision_reason").unique().rows() == [("2026-10", "prices")]
    assert revised["first_published_on"].unique().to_list() == [date(2026, 11, 10)]
    assert (revised["revision_points"] > 1).all()
    assert files(place) == second  # October stays as it was first published

    night(place, date(2026, 10, 29))
    assert files(place) == second  # a date before the last one recorded keeps nothing


def test_a_record_that_was_tampered_with_is_refused_in_words(tmp_path: Path) -> None:
    place = make_workspace(tmp_path / "space")
    folder = place.root / index_vintages.FOLDER
    folder.mkdir()
    (folder / "2026-10-01-abc.csv").write_text("model_code,buyer_code\nhut,home\n")
    with pytest.raises(InputError, match="month"):
        workspace_files.read_workspace(place)


def test_a_killed_refresh_leaves_no_half_written_record(tmp_path: Path) -> None:
    place = make_workspace(tmp_path / "space")
    for folder in (index_vintages.FOLDER, night_costs.FOLDER):
        (place.root / folder).mkdir(exist_ok=True)
        (place.root / folder / ".writing-abc").write_text("half")
    intake_steps.clean_up(place)
    assert not list(place.root.rglob(".writing-*"))


def test_other_software_makes_another_generation_of_the_same_inputs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = make_workspace(tmp_path / "space")
    files_read = intake_steps.read_inputs(place, datetime(2026, 11, 20, 3)).inputs.input_files
    day = date(2026, 10, 31)
    before = refresh_module.hash_of_inputs(files_read, "history", day)
    assert refresh_module.hash_of_inputs(files_read, "history", day) == before
    monkeypatch.setattr(refresh_module, "software_digest", lambda: "corrected")
    assert refresh_module.hash_of_inputs(files_read, "history", day) != before
