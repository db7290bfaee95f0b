"""Order lists: what a person puts into the vendors' baskets."""

import csv
import re
import zipfile
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from python_calamine import CalamineWorkbook

from pipelines.reporting.orders.order_lists import HEADINGS, NOTE, _sheet_names, write_order_lists
from tests.builders.published.sample_night import sample
from tests.builders.published.sample_scene import BUYERS

FORMULAS = ('=HYPERLINK("x")', "+1", "-1+1", "@SUM(A1)", "\t=1", "\r=1")


@pytest.fixture(scope="module")
def tables() -> Any:
    return sample(month_count=2)[0]


@pytest.fixture(scope="module")
def settings() -> Any:
    return sample(month_count=1)[1].settings


@pytest.fixture(scope="module")
def one_model() -> Any:
    """As few order lists as have everything in them."""
    found = sample(titles=["Crane"], buyers=BUYERS[:1], month_count=1)[0]
    plans = {
        name: found[name].filter(pl.col("scenario_code").is_in(["listed", "cheapest"]))
        for name in ("model_cost", "plan_vendor", "plan_purchase", "unfilled_line")
    }
    return {**found, **plans}


@pytest.fixture(scope="module")
def folder(tables: Any, settings: Any, tmp_path_factory: Any) -> Any:
    place = tmp_path_factory.mktemp("generation")
    write_order_lists(tables, settings, place)
    return place


def read_csv(path: Any) -> Any:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def rows_of_today(tables: Any, name: Any, model: str = "m00", buyer: str = "inland", scenario: str = "cheapest") -> Any:
    return tables[name].filter(
        (pl.col("priced_on") == date(2026, 11, 25))
        & (pl.col("model_code") == model)
        & (pl.col("buyer_code") == buyer)
        & (pl.col("scenario_code") == scenario)
    )


def parts_of_list(path: Path) -> Any:
    """The lines of an order list, what leads from them to the total by its label, and the note."""
    *rows, note = read_csv(path)
    first = [row["part_code"] for row in rows].index("Sum of the lines")
    return rows[:first], {row["part_code"]: row for row in rows[first:]}, note


def test_one_csv_per_vendor_and_one_workbook_per_plan(tables: Any, folder: Any) -> None:
    plans = tables["model_cost"].filter(pl.col("priced_on") == date(2026, 11, 25)).height
    assert len(list(folder.rglob("*.xlsx"))) == plans == 3 * 2 * 5
    assert len(list(folder.rglob("*.csv"))) == tables["plan_vendor"].height
    assert {p.stem for p in (folder / "private/orders/m00/inland/cheapest").glob("*.csv")} == {"alder", "quay", "sumi"}


def test_a_csv_holds_the_purchases_exactly(tables: Any, folder: Any) -> None:
    bought = rows_of_today(tables, "plan_purchase").filter(pl.col("vendor_code") == "sumi")
    rows, steps, note = parts_of_list(folder / "private/orders/m00/inland/cheapest/sumi.csv")
    lines, total = steps["Sum of the lines"], steps["Total"]
    assert tuple(rows[0]) == HEADINGS and len(rows) == bought.height
    reported = {(row["listing_code"], int(row["quantity"]), Decimal(row["unit_price"])) for row in rows}
    assert reported == set(bought.select("listing_code", "bought_piece_count", "unit_price").iter_rows())
    names = dict(tables["parts"].select("part_code", "part_name").iter_rows())
    assert all(row["part_name"] == names[row["part_code"]] and row["currency_code"] == "JPY" for row in rows)
    assert int(lines["quantity"]) == bought["bought_piece_count"].sum()
    assert (
        Decimal(lines["line_total"])
        == sum(Decimal(row["line_total"]) for row in rows)
        == bought["purchase_value"].sum()
    )
    (order,) = rows_of_today(tables, "plan_vendor").filter(pl.col("vendor_code") == "sumi").to_dicts()
    assert Decimal(total["line_total"]) == order["vendor_total"]
    assert Decimal(steps["Shipping"]["line_total"]) == order["vendor_shipping"]
    assert all(Decimal(row["unit_price"]) * int(row["quantity"]) == Decimal(row["line_total"]) for row in rows)
    assert note["part_code"] == NOTE and "estimates until the vendor's basket confirms" in NOTE


def test_codes_with_leading_zeros_stay_text(folder: Any) -> None:
    assert any(
        row["part_code"].startswith("0") for row in read_csv(folder / "private/orders/m00/inland/cheapest/quay.csv")
    )
    sheets = CalamineWorkbook.from_path(folder / "private/orders/m00/inland/cheapest/m00-inland-cheapest.xlsx")
    cells = sheets.get_sheet_by_name("quay").to_python()[4:]
    codes = [row[0] for row in cells[: [row[0] for row in cells].index("Sum of the lines")]]
    assert codes and all(isinstance(code, str) and len(code) == 5 for code in codes)


def test_a_workbook_says_the_same_as_the_csv_files(tables: Any, folder: Any) -> None:
    place = folder / "private/orders/m00/inland/cheapest"
    book = CalamineWorkbook.from_path(place / "m00-inland-cheapest.xlsx")
    assert book.sheet_names == ["Overview", "alder", "quay", "sumi"]
    for name in book.sheet_names[1:]:
        rows: list[list[Any]] = book.get_sheet_by_name(name).to_python()
        expected, steps, _ = parts_of_list(place / f"{name}.csv")
        assert rows[1][0] == NOTE and tuple(rows[3]) == HEADINGS
        found = [(row[0], row[5], int(row[6]), round(row[8], 6)) for row in rows[4 : 4 + len(expected)]]
        assert found == [
            (row["part_code"], row["listing_code"], int(row["quantity"]), float(row["unit_price"])) for row in expected
        ]
        ends = [(row[0], row[9]) for row in rows[4 + len(expected) :]]
        assert ends == [(label, pytest.approx(float(row["line_total"]), abs=1e-9)) for label, row in steps.items()]
    overview = [cell for row in book.get_sheet_by_name("Overview").to_python() for cell in row]
    landed = rows_of_today(tables, "model_cost")["landed_cost"][0]
    assert NOTE in overview and "25 November 2026" in overview and float(landed) in overview
    assert "Cheapest mix" in overview and "a buyer at home" in overview and not {"cheapest", "inland"} & set(overview)


def test_what_cannot_be_bought_is_on_the_overview(folder: Any) -> None:
    book = CalamineWorkbook.from_path(folder / "private/orders/m00/inland/listed/m00-inland-listed.xlsx")
    cells = [cell for row in book.get_sheet_by_name("Overview").to_python() for cell in row]
    assert "Can't be bought today" in cells and cells.count("any plain colour would fill it") == 2


def test_a_refused_plan_has_no_order_lists(tables: Any, settings: Any, tmp_path: Path) -> None:
    refused = pl.when(pl.col("scenario_code") == "cheapest").then(pl.lit("refused")).otherwise(pl.col("plan_status"))
    write_order_lists(
        {**tables, "model_cost": tables["model_cost"].with_columns(refused.alias("plan_status"))}, settings, tmp_path
    )
    assert (tmp_path / "private/orders/m00/inland/flexible").is_dir() and not (
        tmp_path / "private/orders/m00/inland/cheapest"
    ).exists()


@pytest.mark.parametrize("hostile", FORMULAS)
def test_nothing_is_taken_for_a_formula(one_model: Any, settings: Any, tmp_path: Path, hostile: Any) -> None:
    hostile_tables = {
        **one_model,
        "parts": one_model["parts"].with_columns(pl.lit(hostile).alias("part_name")),
        "colours": one_model["colours"].with_columns(pl.lit(hostile).alias("colour_name")),
        "plan_vendor": one_model["plan_vendor"].with_columns(pl.lit(hostile).alias("vendor_name")),
        "plan_purchase": one_model["plan_purchase"].with_columns(pl.lit(hostile).alias("listing_code")),
        "model_cost": one_model["model_cost"].with_columns(pl.lit(hostile).alias("model_title")),
        "unfilled_line": one_model["unfilled_line"].with_columns(pl.lit(hostile).alias("remedies")),
    }
    write_order_lists(hostile_tables, settings, tmp_path)
    for path in tmp_path.rglob("*.csv"):
        with path.open(encoding="utf-8", newline="") as stream:
            cells = [cell for row in csv.reader(stream) for cell in row]
        assert "'" + hostile.strip() in cells
        no_numbers = [cell for cell in cells if not re.fullmatch(r"-?\d+(\.\d+)?", cell)]
        assert not [cell for cell in no_numbers if cell.startswith(("=", "+", "-", "@", "\t", "\r"))]
    for path in tmp_path.rglob("*.xlsx"):
        with zipfile.ZipFile(path) as book:
            sheets = [book.read(name).decode() for name in book.namelist() if "worksheets/sheet" in name]
        assert sheets and not [text for text in sheets if "<f>" in text or "<hyperlink" in text]


def test_same_tables_same_bytes(tables: Any, settings: Any, folder: Any, tmp_path: Path) -> None:
    shuffled = {name: frame.sample(fraction=1, shuffle=True, seed=3) for name, frame in tables.items()}
    for path in write_order_lists(shuffled, settings, tmp_path):
        assert path.read_bytes() == (folder / path.relative_to(tmp_path)).read_bytes(), path.name


def test_names_that_are_not_known_are_codes(one_model: Any, settings: Any, tmp_path: Path) -> None:
    unnamed = {name: frame for name, frame in one_model.items() if name not in ("parts", "colours")}
    write_order_lists(unnamed, settings, tmp_path)
    row = read_csv(tmp_path / "private/orders/m00/inland/cheapest/quay.csv")[0]
    assert row["part_name"] == row["part_code"] and row["colour_name"] == row["colour_code"]


@given(st.lists(st.text(min_size=1, max_size=40), min_size=1, max_size=12))
def test_sheet_names_are_valid_and_unique(codes: Any) -> None:
    names = _sheet_names(["Overview", *codes])
    assert len(names) == len(codes) + 1
    assert len({name.casefold() for name in names}) == len(names)
    for name in names:
        assert 1 <= len(name) <= 31 and name.casefold() != "history"
        assert not set(name) & set("[]:*?/\\") and not name.startswith("'") and not name.endswith("'")


def test_vendors_whose_codes_differ_only_in_a_workbook_get_their_own_sheets(
    one_model: Any, settings: Any, tmp_path: Path
) -> None:
    renamed = {"alder": "x" * 31 + "a", "quay": "X" * 31 + "b", "sumi": "History"}
    swap = {
        name: one_model[name].with_columns(pl.col("vendor_code").replace(renamed))
        for name in ("plan_vendor", "plan_purchase")
    }
    write_order_lists({**one_model, **swap}, settings, tmp_path)
    book = CalamineWorkbook.from_path(tmp_path / "private/orders/m00/inland/cheapest/m00-inland-cheapest.xlsx")
    assert len(book.sheet_names) == 4 and len({name.casefold() for name in book.sheet_names}) == 4


def test_zeros_a_table_keeps_at_the_end_of_amounts_change_no_byte(
    one_model: Any, settings: Any, tmp_path: Path
) -> None:
    """Tables have more digits before they are published than in the published database."""
    wider = {
        name: frame.with_columns(
            pl.col(column).cast(pl.Decimal(38, 8)) for column, kind in frame.schema.items() if kind == pl.Decimal
        )
        for name, frame in one_model.items()
    }
    assert wider["plan_vendor"].schema != one_model["plan_vendor"].schema
    write_order_lists(one_model, settings, tmp_path / "a")
    write_order_lists(wider, settings, tmp_path / "b")
    written = [path for path in (tmp_path / "a").rglob("*.*") if path.is_file()]
    assert len(written) > 4
    for path in written:
        assert path.read_bytes() == (tmp_path / "b" / path.relative_to(tmp_path / "a")).read_bytes(), path.name
