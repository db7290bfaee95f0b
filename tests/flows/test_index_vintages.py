"""The record of published indices over several nights of one workspace; that a refresh keeps it: test_refresh_command."""

from datetime import date, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipelines.errors import InputError
from pipelines.flows import nightly, steps, trend_steps
from pipelines.intake import index_vintages, night_costs, workspace_files
from schemas.published import MODEL_COST, PLAN_LINE, PLAN_PURCHASE, UNFILLED_LINE
from schemas.validate import empty_frame
from tests.builders.workspaces import export, make_workspace

NO_PLANS = {contract.name: empty_frame(contract) for contract in (MODEL_COST, PLAN_PURCHASE, PLAN_LINE, UNFILLED_LINE)}


def night(place: Any, day: Any) -> Any:
    """The steps of a refresh that concern the record; the trend tables, and the hash of all inputs."""
    everything = steps.read_inputs(place)
    steps.take_in_files(place, everything, datetime(2026, 11, 20, 3))
    history = steps.fold_history(place, everything)
    inputs = trend_steps.before(everything, day)
    markets = steps.read_markets(place, inputs, [day, *nightly.month_ends_before(day, 2)])
    tables = trend_steps.compute_trends(inputs, markets.by_day, NO_PLANS, day)
    inputs_hash = nightly.hash_of_inputs(inputs.input_files, history.fingerprint, day)
    trend_steps.record_published(place, everything, {**NO_PLANS, **tables}, day, f"{day}-{inputs_hash[:12]}")
    return {**tables, "index_vintage": inputs.tables["index_vintage"]}, inputs_hash


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
    steps.clean_up(place)
    assert not list(place.root.rglob(".writing-*"))


def test_other_software_makes_another_generation_of_the_same_inputs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = make_workspace(tmp_path / "space")
    files_read = steps.read_inputs(place).input_files
    day = date(2026, 10, 31)
    before = nightly.hash_of_inputs(files_read, "history", day)
    assert nightly.hash_of_inputs(files_read, "history", day) == before
    monkeypatch.setattr(nightly, "software_digest", lambda: "mended")
    assert nightly.hash_of_inputs(files_read, "history", day) != before
