"""A refresh where stock on hand covers whole lines: an added one, and all of a model."""

from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import polars as pl

from pipelines.flows.refresh import refresh
from pipelines.workspace import Workspace
from tests.builders.workspaces import make_workspace

ADDED = "line_number,amendment_action,part_code,colour_code,quantity,valid_from_on\n90,add,00502,red,3,2026-01-01\n"
STOCK = "part_code,colour_code,quantity_on_hand\n"


def published(place: Workspace, stock: str, scenario_code: str) -> Callable[[str], pl.DataFrame]:
    """The tables of a refresh with an added line, where the scenario takes from what is on hand."""
    (place.models / "hut" / "amendments.csv").write_text(ADDED)
    (place.root / "tables" / "stock_on_hand.csv").write_text(STOCK + stock)
    settings = place.root / "kitfare.toml"
    scenario = (
        f'\n[[scenario]]\nscenario_code = "{scenario_code}"\ntitle = "With what is on hand"\nuse_stock_on_hand = true\n'
    )
    settings.write_text(settings.read_text() + scenario)
    outcome = refresh(place)
    assert outcome.published
    return lambda name: pl.read_parquet(outcome.folder / "private/tables" / f"{name}.parquet").filter(
        pl.col("scenario_code") == scenario_code, pl.col("priced_on") == outcome.priced_on
    )


def test_an_added_line_that_is_all_on_hand_costs_nothing(tmp_path: Path) -> None:
    table = published(make_workspace(tmp_path / "space"), "00502,red,5\n", "from_the_bin")
    assert table("whole_cost").select("amendment_goods", "owned_piece_count", "owned_goods").rows() == [(0, 3, 0)]
    assert table("model_cost")["on_hand_piece_count"].to_list() == [3]


def test_a_model_that_is_all_on_hand_costs_nothing(tmp_path: Path) -> None:
    """Under the scenario that today is compared with the past by: no per cent above a low of nothing can be said."""
    stock = "00502,red,5\n00502,blue,4\n00501,red,10\n"
    table = published(make_workspace(tmp_path / "space"), stock, "cheapest")
    assert table("model_cost").select("plan_status", "complete_cost").rows() == [("proven", Decimal(0))]
    assert table("whole_cost")["owned_piece_count"].to_list() == [17]
