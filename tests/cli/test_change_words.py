"""The end of a refresh: a change is stated only where both plans' accuracy proves its sign, and fits 80 columns."""

from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.cli.nightly.change_words import changes, finding, summary

NOW, BEFORE = date(2026, 10, 31), date(2026, 9, 30)


def cost(model: str, on: date, landed: str, bound: str | None = None, **more: Any) -> Any:
    plain = {
        "priced_on": on, "model_code": model, "model_title": f"Model {model}", "scenario_code": "cheapest", "buyer_code": "home",
        "currency_code": "EUR", "plan_status": "bounded", "landed_cost": Decimal(landed), "lower_bound": Decimal(bound or landed),
        "unfilled_estimate": Decimal(0), "complete_cost": Decimal(landed), "unfilled_estimate_count": 0,
    }  # fmt: skip
    return plain | more


@pytest.mark.parametrize(
    ("before", "now", "words"),
    [
        (("10",), ("12", "11"), "+2.00 (+1.00 to +2.00)"),
        (("10",), ("9",), "-1.00"),
        (("10", "9"), ("10.5", "9.5"), "not clear"),
        (("10",), ("10",), "no change"),
        (("10", "9"), ("10", "9"), "not clear"),
    ],
)
def test_a_change_is_stated_only_where_it_is_certain(before: Any, now: Any, words: str) -> None:
    rows = [cost("a", BEFORE, *before), cost("a", NOW, *now)]
    assert changes(rows, NOW, "home", "cheapest") == (BEFORE, {"a": words})


def test_costs_of_other_pieces_or_refused_plans_are_not_compared() -> None:
    for more in ({"plan_status": "refused"}, {"unfilled_estimate_count": 2}):
        rows = [cost("a", BEFORE, "10"), cost("a", NOW, "12", **more)]
        assert changes(rows, NOW, "home", "cheapest")[1] == {"a": "not compared"}
    assert changes([cost("a", NOW, "12")], NOW, "home", "cheapest") == (None, {"a": "not compared"})


def test_the_finding_counts_what_is_certain() -> None:
    found = {"a": "+2.00", "b": "-1.00", "c": "not clear", "d": "no change", "e": "not compared"}
    assert finding(found, BEFORE) == (
        "Since 2026-09-30, of 4 models: 1 costs more, 1 costs less, 1 costs the same, for 1 no change is clear."
    )
    assert finding(found, None) == finding({"e": "not compared"}, BEFORE) == ""


def test_the_table_fits_80_columns_and_a_buyer_without_a_past_has_none() -> None:
    long = {
        "model_title": "A model whose title has far more words than a terminal of eighty columns can hold in one line"
    }
    rows = [
        cost("a", BEFORE, "1000", **long),
        cost("a", NOW, "1200", "1100", **long),
        cost("a", NOW, "1", buyer_code="away"),
    ]
    lines = [line for text, _ in summary(rows, NOW, "cheapest") for line in text.splitlines()]
    assert max(map(len, lines)) <= 80 and "+200.00 (+100.00 to +200.00)" in lines[-1] and "..." in lines[-1]
    assert not any("away" in line for line in lines)
    assert [is_finding for _, is_finding in summary(rows, NOW, "cheapest")] == [False, True, False]


def test_open_prints_the_page_and_opens_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "kitfare.toml").touch()
    for name in ("public", "private"):
        (tmp_path / "published" / name).mkdir(parents=True)
    (tmp_path / "published/private/kitfare.duckdb").touch()
    opened: list[str] = []
    monkeypatch.setattr("typer.launch", opened.append)
    for option, folder in (([], "public"), (["--private"], "private")):
        result = CliRunner().invoke(app, ["open", "--workspace", str(tmp_path), *option])
        assert result.exit_code == 0 and result.stdout.strip().endswith(f"published/{folder}/index.html")
        assert opened.pop() == (tmp_path / f"published/{folder}/index.html").as_uri()
