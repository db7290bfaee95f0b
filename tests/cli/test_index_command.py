"""``kitfare index``: published values straight from files, clear refusals, and no file that makes it fail without a message."""

import csv
import io
import json
import random
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.intake.single_files.index_file import read_index_prices
from pipelines.trends.index_numbers.methods import METHODS, WITHOUT_QUANTITIES, index_of
from tests.builders.length import examples
from tests.published.index_examples import ces_sigma_2, turvey

HEADER = "month,item_code,price,quantity"
FEW = ["2026-01,a,1.0,10", "2026-01,b,2,5", "2026-02,a,1.5,8", "2026-02,b,2,6"]


@pytest.fixture
def index(tmp_path: Path) -> Any:
    """Run the command on lines of CSV, or on a path; the levels by month as CSV gives them."""

    def run(source: Any, *options: Any, method: str = "jevons", code: int = 0) -> Any:
        path = source
        if not isinstance(source, Path):
            path = tmp_path / "prices.csv"
            path.write_text("\n".join(source) + "\n", encoding="utf-8")
        result = CliRunner().invoke(app, ["index", "--prices", str(path), "--method", method, *map(str, options)])
        assert result.exit_code == code, result.output
        return result

    return run


def levels(result: Any) -> Any:
    rows = list(csv.DictReader(io.StringIO(result.stdout)))
    return {row["month"]: float(row["index_level"]) if row["index_level"] else None for row in rows}


def test_the_manuals_lowe_index_of_seasonal_fruit(index: Any, tmp_path: Path) -> None:
    """PPI Manual Table 22.25, December of 1971 to 1973: baskets of 1970, prices carried forward, December 1970 is the base."""
    turvey().write_csv(tmp_path / "fruit.csv")
    turvey().with_columns((pl.col("month") + "-28").str.to_date()).write_parquet(tmp_path / "fruit.parquet")
    for name in ("fruit.csv", "fruit.parquet"):
        found = levels(index(tmp_path / name, "--impute", "carry-forward", "--base", "1970-12", method="lowe"))
        last = [found[month] for month in ("1970-12", "1971-12", "1972-12", "1973-12")]
        assert last == pytest.approx([100, 108.24, 118.44, 141.81], abs=5.1e-3)


def test_a_published_splice(index: Any, tmp_path: Path) -> None:
    """IndexNumR, GEKS-Törnqvist of twelve periods in windows of 11, mean splice: 1.1330748."""
    ces_sigma_2().with_columns(pl.col("month").cast(pl.Int32)).write_parquet(tmp_path / "ces.parquet")
    for on in ("published", "windows"):
        options = ("--window", 11, "--splice", "mean", "--splice-on", on)
        found = levels(index(tmp_path / "ces.parquet", *options, method="geks-tornqvist"))
        assert list(found) == [str(n) for n in range(1, 13)]
        assert found["12"] == pytest.approx(113.30748, abs=5.1e-6)


def test_json_is_a_list_of_month_and_level(index: Any) -> None:
    found = json.loads(index([HEADER, *FEW], "--json", method="paasche").stdout)
    assert found == [
        {"month": "2026-01", "index_level": 100.0},
        {"month": "2026-02", "index_level": pytest.approx(100 * 24 / 20)},
    ]


@pytest.mark.parametrize("method", METHODS)
def test_every_method_has_a_name_and_starts_at_100(index: Any, method: Any) -> None:
    found = levels(index([HEADER, *FEW], method=method))
    assert found["2026-01"] == 100 and 100 <= found["2026-02"] <= 150
    rebased = levels(index([HEADER, *FEW], "--base", "2026-02", method=method))
    assert rebased["2026-02"] == 100 and rebased["2026-01"] < 100


def test_without_quantities(index: Any) -> None:
    lines = [line.rpartition(",")[0] for line in (HEADER, *FEW)]
    for method in METHODS:
        if method in WITHOUT_QUANTITIES or method == "time-product-dummy":
            assert levels(index(lines, method=method))["2026-02"] > 100
        else:
            assert "needs quantities" in index(lines, method=method, code=2).output
    assert "all prices count equally" in index(lines, method="time-product-dummy").stderr


def test_a_missing_price_is_reported_and_imputed_when_asked(index: Any) -> None:
    lines = [HEADER, *FEW, "2026-03,a,,", "2026-03,b,3,6"]
    assert levels(index(lines))["2026-03"] == pytest.approx(150)
    result = index(lines, "--impute", "carry-forward")
    assert levels(result)["2026-03"] == pytest.approx(100 * (1.5 * 1.5) ** 0.5)
    assert "1 of 6 prices are imputed (carry-forward)" in result.stderr
    assert "no column item_class" in index(lines, "--impute", "class-mean").stderr


def test_classes_are_imputed_apart(index: Any) -> None:
    lines = ["month,item_code,price,item_class", "1,a,1,x", "1,b,1,x", "1,c,1,y", "2,a,2,x", "2,b,,x", "2,c,1,y"]
    assert levels(index(lines, "--impute", "class-mean"))["2"] == pytest.approx(100 * 4 ** (1 / 3))
    assert levels(index(lines, "--impute", "overall-mean"))["2"] == pytest.approx(100 * 2**0.5)


def test_months_that_share_nothing_have_no_level(index: Any) -> None:
    result = index([HEADER, "2026-01,a,1,1", "2026-03,b,2,1"])
    assert levels(result) == {"2026-01": 100, "2026-03": None}
    assert "1 of 2 months have no level (2026-03)" in result.stderr
    assert "1 month between the first and the last has no row" in result.stderr
    assert json.loads(index([HEADER, "1,a,1,1", "2,b,2,1"], "--json").stdout)[1]["index_level"] is None


def test_several_rows_of_one_item_and_month_need_an_option(index: Any) -> None:
    lines = [HEADER, "1,a,1,1", "1,a,2,3", "2,a,3,1"]
    refused = index(lines, code=3).output
    assert "2 rows" in refused and "line 2: item a has more than one row in 1" in refused and "--unit-values" in refused
    assert levels(index(lines, "--unit-values"))["2"] == pytest.approx(100 * 3 / 1.75)


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        (["month,price", "1,2"], "lacks the column item_code"),
        ([HEADER], "no rows"),
        ([HEADER, "2026-13,a,1,1"], "line 2: month 2026-13 is not written like 2026-10"),
        ([HEADER, "2026-01,a,1,1", "3,a,1,1"], "line 3: month 3 is not written"),
        ([HEADER, "1,a,1,1", "01,b,1,1"], "written in two ways"),
        ([HEADER, "1,,1,1"], "item_code (empty) is missing"),
        ([HEADER, "1,a,0,1"], "price 0 is not a number above 0"),
        ([HEADER, "1,a,nan,1"], "price nan is not"),
        ([HEADER, "1,a,1e400,1"], "price 1e400 is not"),
        ([HEADER, '1,a,"1,5",1'], "price 1,5 is not"),
        ([HEADER, "1,a,1,-1"], "quantity -1 is not a number of 0 or more"),
        ([HEADER, "1,a,1,1,1"], "line 2"),
        ([HEADER, "1,a,,1", "2,a,3,1"], "no item has a price in 1, the first month"),
    ],
)
def test_wrong_files_are_refused_with_the_reason(index: Any, lines: Any, message: Any) -> None:
    output = index(lines, code=3).output
    assert message in output
    assert "  next:  " in output


@pytest.mark.parametrize(
    ("options", "method", "message"),
    [
        ((), "sideways", "there is no index method 'sideways'"),
        (("--window", 5), "fisher", "fisher has no window"),
        (("--splice", "half"), "geks-fisher", "without a window there is nothing to join"),
        (("--splice-on", "windows"), "geks-fisher", "without a window there is nothing to join"),
        (("--base", "2031-01"), "fisher", "choose one from 2026-01 to 2026-02"),
    ],
)
def test_wrong_options_are_refused_with_the_reason(index: Any, options: Any, method: Any, message: Any) -> None:
    assert message in index([HEADER, *FEW], *options, method=method, code=2).output


def test_a_file_that_is_not_there(index: Any, tmp_path: Path) -> None:
    assert "is not there" in index(tmp_path / "none.csv", code=2).output


def test_the_order_of_rows_does_not_matter(tmp_path: Path) -> None:
    rows = [
        f"{month},{item},{1 + month * (item + 1) / 7},{item + month}" for month in range(1, 15) for item in range(4)
    ]
    found = []
    for seed in (1, 2):
        random.Random(seed).shuffle(rows)
        (tmp_path / "prices.csv").write_text("\n".join([HEADER, *rows]))
        prices = read_index_prices(tmp_path / "prices.csv")
        assert prices.months == tuple(map(str, range(1, 15)))
        found.append(
            [index_of(prices.rows, name, window=None, months=prices.months).levels.tolist() for name in METHODS]
        )
    assert found[0] == found[1]


@pytest.mark.parametrize(
    ("prices", "message"),
    [
        ([[1.0], [2.0]], "not one value per cell"),
        ([True, False], "price true is not a number above 0"),
        ([1.0, float("nan")], "line 2: price nan is not a number above 0"),
        ([1.0, float("inf")], "line 2: price inf is not a number above 0"),
    ],
)
def test_parquet_of_other_types_is_refused(index: Any, tmp_path: Path, prices: Any, message: Any) -> None:
    pl.DataFrame({"month": ["2026-01", "2026-02"], "item_code": ["a", "a"], "price": prices}).write_parquet(
        tmp_path / "p.parquet"
    )
    assert message in index(tmp_path / "p.parquet", code=3).output


def test_parquet_of_dates_decimals_and_categories(index: Any, tmp_path: Path) -> None:
    months = [datetime(2026, 1, 31), datetime(2026, 2, 28)]
    frame = pl.DataFrame({"month": months, "item_code": [7, 7], "price": [Decimal("1.10"), Decimal("2.20")]})
    frame.with_columns(pl.col("item_code").cast(pl.String).cast(pl.Categorical)).write_parquet(tmp_path / "p.parquet")
    assert levels(index(tmp_path / "p.parquet")) == {"2026-01": 100, "2026-02": 200}


CELLS = st.one_of(
    st.sampled_from(
        ["", "1", "2", "3", "2026-01", "2026-02", "a", "b", "1e308", "1e-308", "0", "-1", "0.1", "1,5", "=x", "NaN"]
    ),
    st.text(max_size=5),
)


@settings(max_examples=examples(60, 1500), deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    rows=st.lists(st.lists(CELLS, min_size=3, max_size=5), max_size=6),
    method=st.sampled_from(METHODS),
    impute=st.sampled_from([None, "class-mean", "overall-mean", "carry-forward"]),
    window=st.sampled_from([None, None, 2, 3]),
)
def test_no_text_makes_it_fail_without_a_message(
    index_file: Any, rows: Any, method: Any, impute: Any, window: Any
) -> None:
    index_file.write_text("\n".join([HEADER, *(",".join(cells) for cells in rows)]), encoding="utf-8")
    never_falls(index_file, method, impute, window)


NUMBERS = st.one_of(st.floats(min_value=5e-324, max_value=1.7e308), st.sampled_from([1e-300, 1e300, 1.0, 2.0]))


@settings(max_examples=examples(60, 1500), deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    rows=st.dictionaries(
        st.tuples(st.integers(1, 4), st.sampled_from("abc")),
        st.tuples(NUMBERS, st.one_of(NUMBERS, st.just(0.0))),
        min_size=1,
    ),
    method=st.sampled_from(METHODS),
    impute=st.sampled_from([None, "class-mean", "overall-mean", "carry-forward"]),
    window=st.sampled_from([None, None, 2, 3]),
)
def test_no_prices_make_it_fail_without_a_message(
    index_file: Any, rows: Any, method: Any, impute: Any, window: Any
) -> None:
    lines = [f"{month},{item},{price!r},{quantity!r}" for (month, item), (price, quantity) in rows.items()]
    index_file.write_text("\n".join([HEADER, *lines]), encoding="utf-8")
    never_falls(index_file, method, impute, window)


@pytest.fixture
def index_file(tmp_path: Path) -> Any:
    return tmp_path / "prices.csv"


def never_falls(path: Any, method: Any, impute: Any, window: Any) -> None:
    """Either levels that are numbers above 0 or nothing, one per month, or a refusal with a message."""
    options = [*(["--impute", impute] if impute else []), *(["--window", str(window)] if window else [])]
    result = CliRunner().invoke(app, ["index", "--prices", str(path), "--method", method, "--json", *options])
    assert result.exit_code in (0, 2, 3), result.output
    if result.exit_code == 0:
        found = json.loads(result.stdout)
        assert found and all(row["index_level"] is None or 0 <= row["index_level"] < float("inf") for row in found)
    else:
        assert "next:" in result.output
