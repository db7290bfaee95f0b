"""A suspicious price from the inbox to the published tables, and a user who says that it is right."""

from pathlib import Path
from typing import Any

from pipelines.flows.refresh import refresh
from pipelines.warehouse.publishing import query
from tests.builders.workspaces import export, make_workspace


def ask(place: Any, sql: Any) -> Any:
    return query.run_query(place.database, sql).rows()


def test_a_suspicious_price_stays_out_of_plans_until_it_is_confirmed(tmp_path: Path) -> None:
    place = make_workspace(tmp_path / "space")
    # A tenth of what it was a month before, and there is no market to speak of; the other prices of the export stay.
    others = [("00503", "red", "1.00", 5), ("00504", "red", "2.00", 5)]
    for name, day, price in (("north-before", "2026-09-28", "0.11"), ("north", "2026-10-30", "0.011")):
        text = export("north", day, ("00501", "red", price, 50), *others)
        (place.inbox / f"{name}.csv").write_text(text, encoding="utf-8")
    assert refresh(place).published
    found = "select vendor_code, suspicion, pack_size, influence_rank, servable_piece_count, cleared_from_on from suspect_price"
    assert ask(place, found) == [("north", "decimal_point", 10, 1, 10, None)]
    assert ask(place, "select count(*) from price_history where unit_price = 0.011") == [(1,)], "nothing is deleted"
    on_market = (
        "select vendor_code, is_suspect from market_on(date '2026-10-31', 30) where part_code = '00501' order by all"
    )
    assert ask(place, on_market) == [("north", True), ("south", False)]
    assert ask(place, "select distinct vendor_code from plan_purchase where priced_on = '2026-10-31'") == [("south",)]
    best = "select landed_cost::double from model_cost where scenario_code = 'cheapest' and priced_on = '2026-10-31'"
    assert ask(place, best) == [(8.8,)]
    private = (place.private / "index.html").read_text(encoding="utf-8")
    assert "Prices that stand out" in private and "about 1/10 of the usual price" in private
    report = (place.public / "reports" / "2026-10.md").read_text(encoding="utf-8")
    assert "1 price that stands out is left out until confirmed" in report

    confirmed = "vendor_code,part_code,colour_code,unit_price,reason\nnorth,00501,red,0.011,clearance\n"
    (place.tables / "confirmed_prices.csv").write_text(confirmed, encoding="utf-8")
    assert refresh(place).published, "a confirmation is an input like any other"
    by_month = list((place.private / "history").rglob("*.parquet"))
    assert by_month and all(path.stat().st_nlink == 2 for path in by_month), (
        "the history did not change, so it is linked"
    )
    assert ask(place, on_market) == [("north", False), ("south", False)]
    assert ask(place, "select cleared_from_on is not null, influence_rank from suspect_price") == [(True, None)]
    assert "stand out" not in (place.private / "index.html").read_text(encoding="utf-8")
    assert "stands out" not in (place.public / "reports" / "2026-10.md").read_text(encoding="utf-8")
    assert not refresh(place).published
