"""What to put into each vendor's basket: one CSV per order and one workbook per plan."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, time
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl

from pipelines.money import currency_digits
from pipelines.reporting.basis.page_data import Row
from pipelines.reporting.basis.page_tables import day, file_name, unit_price
from pipelines.reporting.basis.words import CAUTIONS, with_order
from pipelines.settings import Settings
from pipelines.workspace import PRIVATE
from schemas.contract import Contract
from schemas.published.joint_orders import JOINT_PLAN, JOINT_VENDOR
from schemas.published.keys import PLAN_KEY
from schemas.published.plans import MODEL_COST, PLAN_PURCHASE, PLAN_VENDOR, UNFILLED_LINE
from schemas.validate import empty_frame

HEADINGS = (
    "part_code", "part_name", "colour_code", "colour_name", "condition", "listing_code", "quantity", "spare",
    "unit_price", "line_total", "currency_code",
)  # fmt: skip
_ORDER = ("vendor_code", "order_number")
NOTE = CAUTIONS[0]
_FORMULA_STARTS = ("=", "+", "-", "@")


def write_order_lists(tables: Mapping[str, pl.DataFrame], settings: Settings, folder: Path) -> list[Path]:
    """Write the order lists of the latest date's plans below ``folder``; refused plans have none.

    ``private/orders/<model>/<buyer>/<scenario>/<vendor>.csv`` (of a vendor's second order ``<vendor>+2.csv``) holds a row per offer,
    then what leads from there to the vendor's total, as its basket shows it, and a note. Beside them is one workbook with a sheet
    per order. Joint orders have CSV files alone, below ``private/orders/joint_orders/<joint order>/<buyer>/``.

    Args:
        tables: the generation's tables by name: model_cost, plan_vendor, plan_purchase, unfilled_line, joint_vendor, joint_plan,
            parts, colours.
        settings: for the titles of buyers and ways of buying.
        folder: the generation's folder.

    Returns:
        The files written.
    """
    costs = _table(tables, MODEL_COST)
    if not costs.height:
        return []
    today = costs["priced_on"].max()
    names = _Names(tables, settings)
    by_contract = {
        contract.name: _by_plan(_table(tables, contract).filter(pl.col("priced_on") == today), contract)
        for contract in (PLAN_VENDOR, PLAN_PURCHASE, UNFILLED_LINE)
    }
    written = []
    usable = costs.filter((pl.col("priced_on") == today) & (pl.col("plan_status") != "refused")).sort(PLAN_KEY)
    for plan in usable.iter_rows(named=True):
        key = tuple(plan[name] for name in PLAN_KEY)
        vendors = by_contract["plan_vendor"].get(key, [])
        purchases = by_contract["plan_purchase"].get(key, [])
        if not vendors:
            continue
        orders = [
            (vendor, [_line(row, names) for row in purchases if all(row[name] == vendor[name] for name in _ORDER)])
            for vendor in vendors
        ]
        place = folder / PRIVATE / order_folder(plan)
        place.mkdir(parents=True, exist_ok=True)
        written += [_write_csv(place / _list_name(vendor), vendor, lines) for vendor, lines in orders]
        missing = by_contract["unfilled_line"].get(key, [])
        written.append(_write_workbook(place / workbook_name(plan), plan, orders, missing, names))
    return [*written, *_write_joint_lists(tables, folder, names)]


def joint_folder(order: Row) -> str:
    """Where the lists of an order for several models are, inside the private folder."""
    return "/".join(
        ("orders", "joint_orders", *(file_name(order[name]) for name in ("joint_order_code", "buyer_code")))
    )


def _write_joint_lists(tables: Mapping[str, pl.DataFrame], folder: Path, names: _Names) -> list[Path]:
    """One CSV per vendor's order of every joint order; a vendor's second order has its number in the file's name."""
    key = ("joint_order_code", "buyer_code", "vendor_code", "order_number")
    pieces = _table(tables, JOINT_PLAN).sort(JOINT_PLAN.key).partition_by(key, as_dict=True, maintain_order=True)
    written = []
    for vendor in _table(tables, JOINT_VENDOR).sort(JOINT_VENDOR.key).iter_rows(named=True):
        lines = _joint_lines(pieces[tuple(vendor[name] for name in key)], names)
        place = folder / PRIVATE / joint_folder(vendor)
        place.mkdir(parents=True, exist_ok=True)
        written.append(_write_csv(place / _list_name(vendor), vendor, lines))
    return written


def _list_name(order: Row) -> str:
    # No file_name has a plus: the second order of x never takes the place of the first of a vendor called x-2.
    number = f"+{order['order_number']}" if order["order_number"] > 1 else ""
    return f"{file_name(order['vendor_code'])}{number}.csv"


def _joint_lines(pieces: pl.DataFrame, names: _Names) -> list[tuple[Any, ...]]:
    """A line per offer, whatever models its pieces are for; those for none are spare."""
    spare = pl.when(pl.col("model_code") == "").then(pl.col("quantity")).otherwise(0).sum().alias("spare_piece_count")
    bought = pl.col("quantity").sum().alias("bought_piece_count")
    rows = pieces.group_by("offer_id", maintain_order=True).agg(
        pl.exclude("quantity", "model_code").first(), bought, spare
    )
    return [
        _line({**row, "purchase_value": row["unit_price"] * row["bought_piece_count"]}, names)
        for row in rows.iter_rows(named=True)
    ]


def order_folder(plan: Row) -> str:
    """Where a plan's order lists are, inside the private folder."""
    return "/".join(("orders", *(file_name(plan[name]) for name in ("model_code", "buyer_code", "scenario_code"))))


def workbook_name(plan: Row) -> str:
    """The name of a plan's workbook: model, buyer and scenario, so that a copy still shows what it is."""
    return file_name("-".join(plan[name] for name in ("model_code", "buyer_code", "scenario_code"))) + ".xlsx"


class _Names:
    """Names of parts, colours, buyers and ways of buying; what has no name is shown by its code."""

    def __init__(self, tables: Mapping[str, pl.DataFrame], settings: Settings) -> None:
        self.buyers = {buyer.buyer_code: buyer.title for buyer in settings.buyer}
        self.scenarios = {scenario.scenario_code: scenario.title for scenario in settings.scenarios}
        self.parts = self._read(tables.get("parts"), "part_code", "part_name")
        self.colours = self._read(tables.get("colours"), "colour_code", "colour_name")

    @staticmethod
    def _read(frame: pl.DataFrame | None, code: str, name: str) -> dict[str, str]:
        return {} if frame is None else dict(frame.select(code, name).iter_rows())

    def part(self, code: str) -> str:
        return self.parts.get(code) or code

    def colour(self, code: str) -> str:
        return self.colours.get(code) or code

    def buyer(self, code: str) -> str:
        return self.buyers.get(code) or code

    def scenario(self, code: str) -> str:
        return self.scenarios.get(code) or code


def _table(tables: Mapping[str, pl.DataFrame], contract: Contract) -> pl.DataFrame:
    found = tables.get(contract.name)
    return empty_frame(contract) if found is None else found


def _by_plan(frame: pl.DataFrame, contract: Contract) -> dict[tuple[Any, ...], list[Row]]:
    parts = frame.sort(contract.key).partition_by(*PLAN_KEY, as_dict=True, maintain_order=True)
    return {key: part.to_dicts() for key, part in parts.items()}


def _line(row: Row, names: _Names) -> tuple[Any, ...]:
    return (
        row["part_code"],
        names.part(row["part_code"]),
        row["colour_code"],
        names.colour(row["colour_code"]),
        row["condition"],
        row["listing_code"],
        row["bought_piece_count"],
        row["spare_piece_count"],
        row["unit_price"],
        row["purchase_value"],
        row["vendor_currency_code"],
    )


def _summary(vendor: Row, lines: Sequence[tuple[Any, ...]]) -> list[tuple[str, int | None, Decimal]]:
    """From the lines, which are not rounded, to the vendor's total: each amount with its label; they add up to the last one."""
    pieces = sum(line[6] for line in lines)
    value = sum((line[9] for line in lines), Decimal(0))
    steps = [
        ("Rounding", vendor["vendor_goods_value"] - value),
        ("Order discount", -vendor["vendor_discount"]),
        ("Shipping", vendor["vendor_shipping"]),
        ("Handling and fees", vendor["vendor_handling"]),
        ("Tax", vendor["vendor_tax"]),
    ]
    return [
        ("Sum of the lines", pieces, value),
        *((label, None, amount) for label, amount in steps if amount),
        ("Total", None, vendor["vendor_total"]),
    ]


def _write_csv(path: Path, vendor: Row, lines: Sequence[tuple[Any, ...]]) -> Path:
    code = vendor["vendor_currency_code"]
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(HEADINGS)
        for line in lines:
            writer.writerow((*map(_safe, line[:6]), *line[6:8], _plain(line[8], code), _plain(line[9], code), code))
        for label, pieces, amount in _summary(vendor, lines):
            writer.writerow(
                (label, "", "", "", "", "", "" if pieces is None else pieces, "", "", _plain(amount, code), code)
            )
        writer.writerow((NOTE, *[""] * (len(HEADINGS) - 1)))
    return path


def _safe(text: str) -> str:
    """Text on one line that no spreadsheet takes for a formula."""
    plain = " ".join(text.split())
    return f"'{plain}" if plain.startswith(_FORMULA_STARTS) else plain


def _plain(amount: Decimal, currency_code: str) -> str:
    """An amount for machines: a point, no thousands separators, all the decimals it has and at least the currency's."""
    return unit_price(amount, currency_code).replace(",", "")


def _write_workbook(
    path: Path,
    plan: Row,
    orders: Sequence[tuple[Row, Sequence[tuple[Any, ...]]]],
    missing: Sequence[Row],
    names: _Names,
) -> Path:
    import xlsxwriter

    options = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(str(path), options) as book:
        # The clock stays out of the file: same plan, same bytes.
        book.set_properties({"title": plan["model_title"], "created": datetime.combine(plan["priced_on"], time())})
        styles = _Styles(book)
        sheet_names = _sheet_names(["Overview", *(with_order(vendor["vendor_code"], vendor) for vendor, _ in orders)])
        _overview(book.add_worksheet(sheet_names[0]), styles, plan, orders, missing, names)
        for name, (vendor, lines) in zip(sheet_names[1:], orders, strict=True):
            _vendor_sheet(book.add_worksheet(name), styles, vendor, lines)
    return path


class _Styles:
    """Formats of a workbook."""

    def __init__(self, book: Any) -> None:
        self.book = book
        self.bold = book.add_format({"bold": True})
        self.heading = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
        self.note = book.add_format({"italic": True})
        self._amounts: dict[str, Any] = {}

    def amount(self, currency_code: str, *, per_piece: bool = False) -> Any:
        """A number format in the currency's digits; unit prices may have up to six."""
        digits = currency_digits(currency_code)
        pattern = "#,##0" + ("." + "0" * digits if digits else "")
        if per_piece:
            pattern = "#,##0." + "0" * digits + "#" * (6 - digits)
        if pattern not in self._amounts:
            self._amounts[pattern] = self.book.add_format({"num_format": pattern})
        return self._amounts[pattern]


def _overview(
    sheet: Any,
    styles: _Styles,
    plan: Row,
    orders: Sequence[tuple[Row, Sequence[tuple[Any, ...]]]],
    missing: Sequence[Row],
    names: _Names,
) -> None:
    sheet.set_column(0, 0, 34)
    sheet.set_column(1, 6, 16)
    code = plan["currency_code"]
    amount = styles.amount(code)
    top: list[tuple[Any, ...]] = [
        (plan["model_title"],),
        ("Prices of", day(plan["priced_on"])),
        ("Buyer", names.buyer(plan["buyer_code"])),
        ("Way of buying", names.scenario(plan["scenario_code"])),
        ("Landed cost", plan["landed_cost"], code),
        ("Missing pieces", plan["unfilled_piece_count"]),
        (NOTE,),
        (),
    ]
    row = _write_rows(sheet, 0, top, amount)
    sheet.set_row(0, None, styles.bold)
    headings = ("Vendor", "Pieces", "Parts", "Shipping", "Handling", "Tax", "Landed cost")
    row = _write_heading(sheet, row, headings, styles)
    per_vendor = [
        (
            with_order(v["vendor_name"], v),
            v["bought_piece_count"],
            *(v[n] for n in ("goods", "shipping", "handling", "tax", "landed_cost")),
        )
        for v, _ in orders
    ]
    row = _write_rows(sheet, row, [*per_vendor, ()], amount)
    if missing:
        row = _write_heading(
            sheet, row, ("Can't be bought today", "Colour", "Missing pieces", "What would help"), styles
        )
        lines = [
            (
                names.part(m["listed_part_code"]),
                names.colour(m["listed_colour_code"]),
                m["unfilled_piece_count"],
                m["remedies"],
            )
            for m in missing
        ]
        _write_rows(sheet, row, lines, amount)


def _vendor_sheet(sheet: Any, styles: _Styles, vendor: Row, lines: Sequence[tuple[Any, ...]]) -> None:
    code = vendor["vendor_currency_code"]
    per_piece = styles.amount(code, per_piece=True)
    widths = (12, 34, 12, 22, 11, 12, 10, 8, 12, 14, 10)
    for column, width in enumerate(widths):
        sheet.set_column(column, column, width)
    sheet.write_string(0, 0, with_order(vendor["vendor_name"], vendor), styles.bold)
    sheet.write_string(1, 0, NOTE, styles.note)
    row = _write_heading(sheet, 3, HEADINGS, styles)
    sheet.freeze_panes(row, 0)
    for line in lines:
        for column, value in enumerate(line):
            _write_cell(sheet, row, column, value, per_piece)
        row += 1
    for label, pieces, total in _summary(vendor, lines):
        sheet.write_string(row, 0, label, styles.bold)
        if pieces is not None:
            sheet.write_number(row, 6, pieces)
        sheet.write_number(row, 9, _trimmed(total), per_piece)
        sheet.write_string(row, 10, code)
        row += 1


def _write_heading(sheet: Any, row: int, labels: Iterable[str], styles: _Styles) -> int:
    for column, label in enumerate(labels):
        sheet.write_string(row, column, label, styles.heading)
    return row + 1


def _write_rows(sheet: Any, row: int, rows: Iterable[tuple[Any, ...]], amount: Any) -> int:
    for values in rows:
        for column, value in enumerate(values):
            _write_cell(sheet, row, column, value, amount)
        row += 1
    return row


def _write_cell(sheet: Any, row: int, column: int, value: Any, amount: Any) -> None:
    if isinstance(value, Decimal):
        sheet.write_number(row, column, _trimmed(value), amount)
    elif isinstance(value, int):
        sheet.write_number(row, column, value)
    elif value:
        sheet.write_string(row, column, value)


def _trimmed(value: Decimal) -> Decimal:
    """The same number without zeros at its end, so that the file does not depend on how many a table keeps."""
    return Decimal(f"{value.normalize():f}")


def _sheet_names(needed: Sequence[str]) -> list[str]:
    """Names a workbook takes: at most 31 characters, none of []:*?/\\, unique whatever the case, not "History"."""
    taken = {"history"}
    names = []
    for code in needed:
        plain = "".join("-" if c in "[]:*?/\\" or ord(c) < 32 else c for c in code).strip("'")[:31] or "vendor"
        name, number = plain, 2
        while name.casefold() in taken or name.endswith("'"):
            suffix = f" ({number})"
            name, number = plain[: 31 - len(suffix)].rstrip("'") + suffix, number + 1
        taken.add(name.casefold())
        names.append(name)
    return names
