"""Writes a whole workspace from what a test states: settings, tables, models and price exports."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pipelines.workspace import Workspace

EXPORT_COLUMNS = (
    "vendor_code", "part_code", "colour_code", "condition", "unit_price", "currency_code", "quantity_available", "observed_on",
    "coverage", "sold_in_multiples_of", "step_from_quantity", "assortment_code", "maximum_per_order",
)  # fmt: skip


def csv_of(rows: Sequence[Mapping[str, Any]], columns: Sequence[str] = ()) -> str:
    """Rows as a CSV file; what a row does not name is empty."""
    names = list(columns) or list(dict.fromkeys(name for row in rows for name in row))
    lines = [",".join("" if row.get(name) is None else str(row[name]) for name in names) for row in rows]
    return "\n".join([",".join(names), *lines]) + "\n"


def write_workspace(
    root: Path,
    settings: str,
    tables: Mapping[str, Sequence[Mapping[str, Any]]],
    models: Mapping[str, Mapping[str, str]],
) -> Workspace:
    """A workspace with settings, tables and models (the text of each file by its name), and an empty inbox."""
    for folder in ("tables", "inbox", "profiles", *(f"models/{code}" for code in models)):
        (root / folder).mkdir(parents=True)
    (root / "kitfare.toml").write_text(settings, encoding="utf-8")
    for name, rows in tables.items():
        (root / "tables" / f"{name}.csv").write_text(csv_of(rows), encoding="utf-8")
    for code, files in models.items():
        for name, text in files.items():
            (root / "models" / code / name).write_text(text, encoding="utf-8")
    return Workspace(root)


def full_export(vendor: str, currency: str, day: str, *offers: Mapping[str, Any]) -> str:
    """A full export of a vendor on a day; an offer names part, colour, price and what is special about it."""
    rows = [
        {
            "vendor_code": vendor, "part_code": offer["part"], "colour_code": offer["colour"], "condition": "new",
            "unit_price": offer["price"], "currency_code": currency, "quantity_available": offer.get("stock", 100),
            "observed_on": day, "coverage": "full", **{name: offer[name] for name in EXPORT_COLUMNS if name in offer},
        }
        for offer in offers
    ]  # fmt: skip
    return csv_of(rows, EXPORT_COLUMNS)
