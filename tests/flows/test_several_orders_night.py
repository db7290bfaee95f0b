"""A night with a vendor that takes several orders: every check of the refresh holds, and readers see each order."""

from pathlib import Path
from typing import Any

import polars as pl
from typer.testing import CliRunner

from pipelines.cli.main import app
from tests.builders.workspaces import export, make_workspace

TERMS = "vendor_code,shipping_charge,maximum_piece_count,maximum_order_count\nnorth,4,6,3\nsouth,6,,\n"


def test_a_night_with_several_orders_at_one_vendor(tmp_path: Path) -> None:
    """Ten small blocks at north, six to an order: two parcels at 4; the long ones from south."""
    workspace = make_workspace(tmp_path / "ws")
    (workspace.tables / "vendor_terms.csv").write_text(TERMS, encoding="utf-8")
    south = export("south", "2026-10-31", ("00502", "blue", "0.40", 9))
    (workspace.root / "inbox" / "south.csv").write_text(south, encoding="utf-8")

    def run(*arguments: Any) -> Any:
        result = CliRunner().invoke(app, [*arguments, "--workspace", str(workspace.root)])
        assert result.exit_code == 0, result.output
        return result.stdout

    run("refresh")
    published = workspace.root / "published"
    vendors = pl.read_parquet(published / "private/tables" / "plan_vendor.parquet")
    flexible = vendors.filter(
        (pl.col("scenario_code") == "flexible") & (pl.col("priced_on") == pl.col("priced_on").max())
    )
    orders = flexible.select("vendor_code", "order_number", "bought_piece_count").rows()
    assert orders == [("north", 1, 6), ("north", 2, 4), ("south", 1, 4)]
    lists = {path.name for path in (published / "private/orders" / "hut" / "home" / "flexible").iterdir()}
    assert lists == {"north.csv", "north+2.csv", "south.csv", "hut-home-flexible.xlsx"}
    second = (published / "private/orders" / "hut" / "home" / "flexible" / "north+2.csv").read_text(encoding="utf-8")
    assert second.splitlines()[1].startswith("00501,Small block,blue,Blue,new,,4,0,0.05,")
    assert "North, order 2" in (published / "private/details/hut.html").read_text(encoding="utf-8")
    for path in (published / "private/tables").glob("*.csv"):
        assert "\x1f" not in path.read_text(encoding="utf-8"), path.name
    reported = run("trace", "hut", "--scenario", "flexible")
    assert "Line 1: 4 x 00501 blue (new) from north, order 2 at 0.050000 EUR" in reported
    reported = run("whatif", "hut", "--shipping", "10")
    assert "north, order 2" in reported and "it costs 1.40 EUR more" in reported
