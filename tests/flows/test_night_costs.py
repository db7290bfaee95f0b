"""What each night published as costs, night by night."""

from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl

from pipelines.intake.workspace import night_costs, workspace_files
from schemas.published.over_time import NIGHTLY_COST
from schemas.validate import polars_schema
from tests.builders.workspaces import make_workspace


def costs(day: Any, amount: Any) -> Any:
    row = (day, "hut", "cheapest", "home", "proven", Decimal(amount), Decimal(0), Decimal(amount), 0)
    return pl.DataFrame([row], polars_schema(NIGHTLY_COST), orient="row")


def known(place: Any, day: Any) -> Any:
    """What a refresh of the date takes account of: its table and the files it names."""
    inputs = night_costs.before(workspace_files.read_workspace(place), day)
    own = inputs.input_files.filter(pl.col("table_name") == NIGHTLY_COST.name)
    nights = inputs.tables[NIGHTLY_COST.name]
    return dict(nights.select("priced_on", "complete_cost").iter_rows()), own["input_path"].to_list()


def test_nights_are_kept_and_only_earlier_ones_count(tmp_path: Path) -> None:
    place = make_workspace(tmp_path / "space")
    days = [date(2026, 11, n) for n in (1, 2, 3)]
    for number, day in enumerate(days):
        night_costs.write_night(place, costs(day, f"{8 + number}.80"), day)
    assert known(place, date(2026, 11, 1)) == ({}, [])
    assert known(place, date(2026, 11, 3)) == (
        {days[0]: Decimal("8.80"), days[1]: Decimal("9.80")},
        ["night_costs/2026-11-01.csv", "night_costs/2026-11-02.csv"],
    )


def test_the_last_answer_of_a_night_counts_and_a_past_night_stays(tmp_path: Path) -> None:
    place = make_workspace(tmp_path / "space")
    first, second = date(2026, 11, 1), date(2026, 11, 2)
    night_costs.write_night(place, costs(first, "8.80"), first)
    night_costs.write_night(place, costs(first, "7.70"), first)
    assert known(place, second)[0] == {first: Decimal("7.70")}
    night_costs.write_night(place, costs(second, "9.90"), second)
    assert night_costs.write_night(place, costs(first, "1.00"), first) is None
    assert known(place, date(2026, 11, 3))[0] == {first: Decimal("7.70"), second: Decimal("9.90")}


def test_two_months_of_nights_are_shown(tmp_path: Path) -> None:
    place = make_workspace(tmp_path / "space")
    first = date(2026, 1, 1)
    for number in range(100):
        day = first + timedelta(days=number)
        night_costs.write_night(place, costs(day, "1.00"), day)
    nights, files = known(place, first + timedelta(days=100))
    assert len(nights) == len(files) == night_costs.NIGHTS_SHOWN
    assert min(nights) == first + timedelta(days=100 - night_costs.NIGHTS_SHOWN)
    assert night_costs.nights_of(pl.concat([costs(first, "1"), costs(day, "2")]), day).height == 1


def test_nothing_planned_leaves_no_file(tmp_path: Path) -> None:
    place = make_workspace(tmp_path / "space")
    day = date(2026, 11, 1)
    assert night_costs.write_night(place, costs(day, "1").clear(), day) is None
    assert not (place.root / night_costs.FOLDER).exists()
