"""Published optima again, through files and the command, as anyone would ask for them."""

import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from pipelines.cli.main import app
from tests.published.optimisation_examples import FIVE_PLANTS, TEN_SHOPS, rows


def planned(folder: Any, prices: Any, needed: Any, shipping: Any, capacity: Any, *options: Any) -> Any:
    """Portion ``c`` wants ``needed[c]`` of a part that every vendor sells at ``prices[c][v]``."""
    table = rows(prices)
    texts = {
        "needs": ["line_number,part_code,colour_code,quantity,colour_rule"]
        + [f"{c},part{c},olive,{pieces},as_listed" for c, pieces in enumerate(needed, 1)],
        "offers": ["vendor_code,part_code,colour_code,condition,unit_price,currency_code,quantity_available"]
        + [
            f"v{v:02},part{c},olive,new,{price},EUR,1000"
            for c, row in enumerate(table, 1)
            for v, price in enumerate(row, 1)
        ],
        "terms": ["vendor_code,shipping,shipping_waived_from,minimum_order,tax_rate_pct,tax_on,maximum_piece_count"]
        + [
            f"v{v:02},{charge},,0,0,goods,{most}"
            for v, (charge, most) in enumerate(zip(shipping, capacity, strict=True), 1)
        ],
    }
    arguments = ["plan", "--json"]
    for name, lines in texts.items():
        path = folder / f"{name}.csv"
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        arguments += [f"--{name}", str(path)]
    result = CliRunner().invoke(app, [*arguments, *options])
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


@pytest.mark.parametrize("effort", ["quick", "standard", "deep"])
def test_ten_shops(tmp_path: Path, effort: str) -> None:
    found = planned(tmp_path, TEN_SHOPS, [1] * 10, [4] * 10, [""] * 10, "--effort", effort)
    assert (found["status"], found["landed_cost"], found["lower_bound"]) == ("proven", "149.00", "149.00")
    # Of all 1,023 sets of shops only these two cost 149: enumerated, not published.
    assert found["vendors"] in (["v02", "v10"], ["v02", "v04", "v10"])
    assert Decimal(found["shipping"]) == 4 * found["vendor_count"]
    assert (found["gap_pct"], found["unfilled"], found["spares"]) == (0, [], [])


def test_ten_shops_from_one_shop(tmp_path: Path) -> None:
    """By hand: a shop's prices add up to 153 or more."""
    sums = [sum(map(int, column)) for column in zip(*rows(TEN_SHOPS), strict=True)]
    cheapest = [f"v{shop:02}" for shop, total in enumerate(sums, 1) if total == min(sums)]
    assert min(sums) == 153
    found = planned(tmp_path, TEN_SHOPS, [1] * 10, [4] * 10, [""] * 10, "--max-vendors", "1")
    assert (found["status"], found["landed_cost"], found["vendor_count"]) == ("proven", "157.00", 1)
    assert found["vendors"][0] in cheapest


def test_five_plants(tmp_path: Path) -> None:
    shipping = [12000, 15000, 17000, 13000, 16000]
    found = planned(tmp_path, FIVE_PLANTS, [15, 18, 14, 20], shipping, [20, 22, 17, 19, 18])
    assert (found["status"], found["landed_cost"]) == ("proven", "210500.00")
