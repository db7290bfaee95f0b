"""What is published adds up: the parts shown make the totals shown, in every table, list, workbook and page.

Each rule is worked out here from what a reader has before them. Rules of tables are looked up by the table's caption or by the
label of its last row, so a new table with a total is checked without a change here.
"""

import csv
import re
from collections.abc import Iterator
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from python_calamine import CalamineWorkbook

from pipelines.flows.refresh import refresh
from pipelines.money import currency_digits
from tests.builders.html_pages import PageTables
from tests.builders.money_workspace import money_workspace

COMPONENTS = ("goods", "shipping", "handling", "tax")
PLAN = ["priced_on", "model_code", "scenario_code", "buyer_code"]
ORDER = [*PLAN, "vendor_code", "order_number"]
TOTALS = ("All together", "Together", "together", "all")
NUMBER = re.compile(r"[+\u2212-]?\d[\d,]*(?:\.\d+)?")


@pytest.fixture(scope="module")
def published(tmp_path_factory: pytest.TempPathFactory) -> Path:
    workspace = money_workspace(tmp_path_factory.mktemp("money") / "space")
    refresh(workspace)
    return workspace.root / "published"


def table(published: Path, name: str) -> pl.DataFrame:
    return pl.read_parquet(published / "private/tables" / f"{name}.parquet")


def rounded(amount: Decimal, currency: str) -> Decimal:
    return amount.quantize(Decimal(1).scaleb(-currency_digits(currency)), ROUND_HALF_UP)


def amount(text: str) -> Decimal:
    """The first figure of a cell; nothing counts as 0."""
    found = NUMBER.search(text)
    return Decimal(found.group().replace(",", "").replace("\u2212", "-")) if found else Decimal(0)


def pages(published: Path) -> Iterator[tuple[Path, str, list[str], list[list[str]]]]:
    for path in sorted(published.rglob("*.html")):
        for caption, headings, rows in PageTables(path.read_text(encoding="utf-8")).tables:
            yield path, caption, headings, rows


def same(frame: pl.DataFrame, left: str, right: pl.Expr) -> None:
    assert frame.height
    wrong = frame.filter(pl.col(left).ne_missing(right))
    assert wrong.is_empty(), wrong.to_dicts()[:3]


# Tables


@pytest.mark.parametrize("orders", ["plan_vendor", "joint_vendor"])
def test_an_order_leads_from_its_basket_to_the_landed_cost(published: Path, orders: str) -> None:
    found = table(published, orders)
    basket = "vendor_goods_value - vendor_discount + vendor_shipping + vendor_handling + vendor_tax"
    same(found, "vendor_total", pl.sql_expr(basket))
    same(found, "landed_cost", pl.sum_horizontal(COMPONENTS))
    for row in found.to_dicts():
        converted = rounded(row["vendor_total"] * row["exchange_rate_used"], row["currency_code"])
        assert row["landed_cost"] - row["border_charges"] == converted, row
        unit = Decimal(1).scaleb(-currency_digits(row["currency_code"]))
        if row["vendor_tax"]:  # none is included, so goods are those of the basket
            goods = (row["vendor_goods_value"] - row["vendor_discount"]) * row["exchange_rate_used"]
            assert abs(row["goods"] - goods) < unit, row
    assert set(found["order_number"]) >= {1, 2}
    assert found["vendor_currency_code"].n_unique() == 4


def test_purchases_add_up_to_orders_orders_to_plans_and_lines_to_plans(published: Path) -> None:
    costs, orders, bought = (table(published, name) for name in ("model_cost", "plan_vendor", "plan_purchase"))
    same(bought, "purchase_value", pl.col("unit_price") * pl.col("bought_piece_count"))
    goods = orders.join(bought.group_by(ORDER).agg(pl.col("purchase_value").sum()), on=ORDER, how="left")
    for row in goods.to_dicts():
        assert row["vendor_goods_value"] == rounded(row["purchase_value"], row["vendor_currency_code"]), row
    summed = orders.group_by(PLAN).agg(pl.col(*COMPONENTS, "landed_cost").sum().name.prefix("sum_"))
    plans = costs.join(summed, on=PLAN, how="left")
    for name in (*COMPONENTS, "landed_cost"):
        same(plans, name, pl.col(f"sum_{name}"))
    missing = table(published, "unfilled_line").group_by(PLAN).agg(pl.col("unfilled_estimate").sum().alias("missing"))
    with_missing = costs.join(missing, on=PLAN, how="left").with_columns(pl.col("missing").fill_null(0))
    same(with_missing, "unfilled_estimate", pl.col("missing"))
    same(costs, "complete_cost", pl.col("landed_cost") + pl.col("unfilled_estimate"))
    lines = table(published, "line_cost").group_by(PLAN).agg(pl.col("line_goods", "line_cost").sum())
    of_lines = lines.join(costs, on=PLAN, how="left")
    same(of_lines, "line_goods", pl.col("goods"))
    same(of_lines, "line_cost", pl.col("complete_cost"))


def test_whole_costs_changes_savings_and_joint_orders_add_up(published: Path) -> None:
    whole = table(published, "whole_cost")
    same(whole, "whole_cost", pl.sum_horizontal(*COMPONENTS, "unfilled_estimate", "instructions_cost"))
    same(whole, "instructions_cost", pl.col("instructions_list_price") - pl.col("instructions_discount"))
    costs = table(published, "model_cost").select(*PLAN, "complete_cost")
    parts = table(published, "cost_change").group_by(*PLAN, "compared_on").agg(pl.col("cost_change").sum())
    before = costs.rename({"priced_on": "compared_on", "complete_cost": "before"})
    changes = parts.join(costs, on=PLAN).join(before, on=["compared_on", *PLAN[1:]])
    same(changes, "cost_change", pl.col("complete_cost") - pl.col("before"))
    totals = table(published, "flexibility_cost")
    listed = costs.filter(pl.col("scenario_code") == "listed").drop("scenario_code").rename({"complete_cost": "listed"})
    saved = totals.join(listed, on=["priced_on", "model_code", "buyer_code"])
    same(saved, "total_saving", pl.max_horizontal(pl.col("listed") - pl.col("complete_cost"), 0))
    fair = table(published, "colour_flex_saving").filter(pl.col("saving_view") == "fair")
    shares = fair.group_by(PLAN).agg(pl.col("saving").sum())
    same(shares.join(totals.filter(pl.col("flexibility_allowed") == "both"), on=PLAN), "saving", pl.col("total_saving"))
    looks = table(published, "look_first").sort(*PLAN, "look_rank")
    same(looks, "look_saving_so_far", pl.col("added_saving").cum_sum().over(PLAN))
    joint, models = table(published, "joint_order"), table(published, "joint_share")
    same(joint, "landed_cost", pl.sum_horizontal(COMPONENTS))
    same(joint, "complete_cost", pl.col("landed_cost") + pl.col("unfilled_estimate"))
    for name, total in (
        ("joint_share", "complete_cost"),
        ("separate_cost", "separate_cost"),
        ("joint_saving", "joint_saving"),
    ):
        assert models[name].sum() == joint[total].sum(), name
    of_orders = table(published, "joint_vendor")
    for name in (*COMPONENTS, "landed_cost"):
        assert of_orders[name].sum() == joint[name].sum(), name


def test_variants_and_sensitivities_differ_from_the_plan_by_what_they_state(published: Path) -> None:
    costs = table(published, "model_cost").select(*PLAN, pl.col("complete_cost").alias("planned"))
    changed = table(published, "sensitivity").drop_nulls("sensitivity_amount").join(costs, on=PLAN)
    same(changed, "sensitivity_amount", pl.col("complete_cost") - pl.col("planned"))
    copies = table(published, "copy_cost")
    same(copies, "complete_cost", pl.col("landed_cost") + pl.col("unfilled_estimate"))


# Order lists


def test_order_lists_lead_from_their_lines_to_the_total_that_the_plan_has(published: Path) -> None:
    today = table(published, "plan_vendor").filter(pl.col("priced_on") == pl.col("priced_on").max())
    totals = {}
    for row in today.to_dicts():
        ending = "" if row["order_number"] == 1 else f"+{row['order_number']}"
        totals[f"{row['model_code']}/{row['buyer_code']}/{row['scenario_code']}/{row['vendor_code']}{ending}.csv"] = row
    for row in table(published, "joint_vendor").to_dicts():
        ending = "" if row["order_number"] == 1 else f"+{row['order_number']}"
        totals[f"joint_orders/both/home/{row['vendor_code']}{ending}.csv"] = row
    found = {
        path.relative_to(published / "private/orders").as_posix(): path
        for path in (published / "private/orders").rglob("*.csv")
    }
    assert set(found) == set(totals)
    for name, path in found.items():
        with path.open(encoding="utf-8", newline="") as stream:
            rows = list(csv.DictReader(stream))[:-1]
        at = [row["part_code"] for row in rows].index("Sum of the lines")
        lines, steps = rows[:at], rows[at:]
        for line in lines:
            assert Decimal(line["unit_price"]) * int(line["quantity"]) == Decimal(line["line_total"]), name
        assert sum(Decimal(line["line_total"]) for line in lines) == Decimal(steps[0]["line_total"]), name
        assert sum(int(line["quantity"]) for line in lines) == int(steps[0]["quantity"]), name
        assert sum(Decimal(step["line_total"]) for step in steps[:-1]) == Decimal(steps[-1]["line_total"]), name
        assert Decimal(steps[-1]["line_total"]) == totals[name]["vendor_total"], name
        rest = next((Decimal(step["line_total"]) for step in steps if step["part_code"] == "Rounding"), Decimal(0))
        assert abs(rest) <= Decimal("0.5").scaleb(-currency_digits(steps[-1]["currency_code"])), name


def test_workbooks_add_up_like_the_lists(published: Path) -> None:
    books = sorted((published / "private").rglob("*.xlsx"))
    assert len(books) == 2 * 2 * 5
    for path in books:
        book = CalamineWorkbook.from_path(path)
        cells: list[list[Any]] = book.get_sheet_by_name("Overview").to_python()
        landed = next(row[1] for row in cells if row[0] == "Landed cost")
        first = next(at for at, row in enumerate(cells) if row[0] == "Vendor") + 1
        orders = cells[first : first + len(book.sheet_names) - 1]
        for row in orders:
            assert sum(row[2:6]) == pytest.approx(row[6], abs=1e-9), path.name
        assert sum(row[6] for row in orders) == pytest.approx(landed, abs=1e-9), path.name
        for name in book.sheet_names[1:]:
            rows: list[list[Any]] = book.get_sheet_by_name(name).to_python()[4:]
            at = [row[0] for row in rows].index("Sum of the lines")
            assert sum(row[9] for row in rows[:at]) == pytest.approx(rows[at][9], abs=1e-9), path.name
            assert sum(row[9] for row in rows[at:-1]) == pytest.approx(rows[-1][9], abs=1e-9), path.name


# Pages


def test_the_rows_of_a_page_s_table_add_up_to_its_total(published: Path) -> None:
    checked = set()
    for path, caption, headings, rows in pages(published):
        labels = [next((cell for cell in row[:2] if cell in TOTALS), "") for row in rows]
        start = 0
        for at, label in enumerate(labels):
            if not label:
                continue
            parts = [row for row in rows[start:at] if not row[0].startswith("of which")]
            for column in range(rows[at].index(label) + 1, len(headings)):
                cells, total = [row[column] for row in parts], rows[at][column]
                if "not clear" in (*cells, total):
                    continue  # "Between" has the figures
                ends = [NUMBER.findall(cell) or ["0"] for cell in (*cells, total)]
                for end in (0, -1):
                    *values, whole = [amount(of_cell[end]) for of_cell in ends]
                    assert sum(values) == whole, (path.name, caption, headings[column], cells, total)
            checked.add(caption.partition(",")[0])
            start = at + 1
    assert {"Cheapest mix", "Complete cost alone and together", "What adds to the change over 1 month"} <= checked
    assert any(caption.startswith("Where the change in complete cost since") for caption in checked)


def test_the_columns_of_a_page_s_table_add_up_to_the_total_beside_them(published: Path) -> None:
    seen = set()
    for path, caption, headings, rows in pages(published):
        for row in rows:
            cells = dict(zip(headings, row, strict=True))
            where = (path.name, caption, row)
            value = {heading: amount(cell) for heading, cell in cells.items()}
            if caption.startswith("Vendors, in"):
                assert sum(value[name] for name in ("Parts", "Shipping", "Handling", "Tax")) == value["Landed cost"], (
                    where
                )
                rate = value["Exchange rate"] or Decimal(1)
                paid = value["Landed cost"] - value.get("Of it duty and clearance", Decimal(0))
                assert paid == rounded(value["Vendor's total"] * rate, caption[-3:]), where
            elif caption.startswith(("What it costs today, in", "Ways of buying, in")) and "Saved" in cells:
                parts = ("Parts", "Shipping", "Handling", "Tax", "Estimate for missing")
                if "Parts" in cells:
                    assert sum(value.get(name, Decimal(0)) for name in parts) == value["Complete cost"], where
                if "Complete cost" in cells and cells["Saved"] not in ("\u2013", "no clear saving"):
                    against = next(row for row in rows if row[headings.index("Saved")] == "\u2013")
                    whole = amount(against[headings.index("Complete cost")])
                    assert whole - value["Complete cost"] == value["Saved"], where
            elif caption.startswith("Complete cost, in") and cells["Change"] != "not clear":
                assert amount(row[2]) - amount(row[1]) == value["Change"], where
            elif caption == "What is bought from each vendor":
                assert value["Pieces"] * value["Unit price"] == value["Value"], where
            elif caption.startswith("What can't be bought, in"):
                estimate = value["Missing pieces"] * value["Estimated price"]
                assert rounded(estimate, caption[-3:]) == value["Estimate"], where
            elif caption.startswith("How exact the plans are"):
                assert value["Landed cost"] - value["Lower bound"] == value["Gap"], where
            elif caption.startswith("What changed since"):
                assert value["Now"] - value["First published"] == value["Difference"], where
            else:
                continue
            seen.add(caption.partition(",")[0])
    assert len(seen) == 7, seen


def test_a_plan_s_orders_on_its_page_add_up_to_its_landed_cost(published: Path) -> None:
    for code in ("hut", "mill"):
        text = (published / "private/details" / f"{code}.html").read_text(encoding="utf-8")
        landed: list[Decimal] = []
        for caption, headings, rows in PageTables(text).tables:
            if caption.startswith("How exact the plans are"):
                landed = [amount(row[headings.index("Landed cost")]) for row in rows]
            if caption.startswith("Vendors, in"):
                assert sum(amount(row[headings.index("Landed cost")]) for row in rows) in landed, (code, rows)
        assert landed
