"""``kitfare accept`` against a real warehouse: an export that waits is found, and counts once it is accepted."""

from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.flows.steps import history_steps, intake_steps, plausibility_steps
from pipelines.warehouse import connect
from pipelines.warehouse.price_history import market
from pipelines.workspace import Workspace

HEADER = (
    "vendor_code,part_code,colour_code,condition,unit_price,currency_code,quantity_available,observed_on,coverage\n"
)


def export(day: Any, count: Any) -> Any:
    """A full export of the first so many of ten elements."""
    return HEADER + "".join(f"north,0050{n},red,new,0.10,EUR,50,{day},full\n" for n in range(count))


def take_in(place: Any) -> Any:
    taken = intake_steps.take_in_files(intake_steps.read_inputs(place, datetime(2026, 11, 1)))
    return history_steps.fold_history(plausibility_steps.check_exports(taken))


def offers(place: Any, day: Any) -> Any:
    with connect.reader(place.warehouse) as con:
        return market.market_on(con, datetime.fromisoformat(day).date(), 30).height


@pytest.fixture
def place(tmp_path: Path) -> Any:
    root = tmp_path / "space"
    assert CliRunner().invoke(app, ["init", str(root)]).exit_code == 0
    (root / "tables" / "vendors.csv").write_text(
        "vendor_code,vendor_name,vendor_kind,vendor_region_code,currency_code\nnorth,North,independent,home,EUR\n"
    )
    (root / "tables" / "vendor_terms.csv").write_text("vendor_code\nnorth\n")
    (root / "tables" / "colours.csv").write_text(
        "colour_code,colour_name,srgb_hex,colour_family,finish\nred,Red,#C01010,red,plain\n"
    )
    place = Workspace(root)
    (place.inbox / "north-a.csv").write_text(export("2026-10-01", 10))
    intake_steps.clean_up(place)
    take_in(place)
    (place.inbox / "north-b.csv").write_text(export("2026-10-31", 2))
    take_in(place)
    return place


def test_accepting_lets_the_export_close_what_it_no_longer_lists(place: Any) -> None:
    assert offers(place, "2026-10-31") == 10, "what waits closes nothing"
    result = CliRunner().invoke(app, ["accept", "north-b.csv", "--workspace", str(place.root)])
    assert result.exit_code == 0, result.output
    assert "north on 2026-10-31" in result.stdout
    take_in(place)
    assert offers(place, "2026-10-31") == 2
    again = CliRunner().invoke(app, ["accept", "north-b.csv", "--workspace", str(place.root)])
    assert again.exit_code == 2 and "waiting: none" in again.stderr


def test_an_export_that_does_not_wait_is_not_accepted(place: Any) -> None:
    result = CliRunner().invoke(app, ["accept", "north-a.csv", "--workspace", str(place.root)])
    assert result.exit_code == 2 and "north-b.csv" in result.stderr
