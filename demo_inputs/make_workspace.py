"""Writes demo_inputs/workspace/: settings, tables, models. Run from the checkout: ``python -m demo_inputs.make_workspace``."""

from __future__ import annotations

import csv
import random
from collections.abc import Iterable, Mapping
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path

from pipelines.settings import Buyer, JointOrder, Settings
from pipelines.settings_refresh import RefreshSettings, ReportSettings
from pipelines.settings_text import model_toml, settings_toml
from pipelines.settings_watches import Watch

from . import revisions, vendor_list
from .catalogue import NOWHERE, OPEN_FORMS, USED_ONLY, by_code, parts
from .decisions import FLEXIBLE_LINE_COLUMNS, flexible_lines_of
from .model_plans import PLANS, ModelPlan, lines_of
from .palette import COLOURS
from .profile_texts import PROFILES, fells_part_code

WORKSPACE = Path(__file__).resolve().parent / "workspace"
Row = Mapping[str, object]


def make_workspace(folder: Path = WORKSPACE) -> None:
    """Write every committed file of the scenario's workspace; the same on every run."""
    (folder / "kitfare.toml").parent.mkdir(parents=True, exist_ok=True)
    _write_text(folder / "kitfare.toml", settings_toml(settings()))
    for name, rows in tables().items():
        _write(folder / "tables" / f"{name}.csv", rows)
    for name, text in PROFILES.items():
        _write_text(folder / "profiles" / f"{name}.toml", text)
    for plan in PLANS:
        _write_model(folder / "models" / plan.code, plan)


def settings() -> Settings:
    """Two buyers: one at home, and one across a border with another currency."""
    return Settings(
        refresh=RefreshSettings(priced_on="latest_export"),
        report=ReportSettings(title="What six invented models cost"),
        buyer=[
            Buyer(buyer_code="home", title="a buyer at home on the coast", region_code="coast", currency_code="EUR", exchange_margin_pct=Decimal("1.5")),
            Buyer(buyer_code="isles", title="a buyer across the water", region_code="isles", currency_code="GBP", exchange_margin_pct=Decimal("2.5"), plan_past_months=False),
        ],
        watch=[
            Watch(watch_code="depot_under_300", kind="model_below", model_codes=["tram_depot"], buyer_codes=["home"], amount=Decimal(300)),
            Watch(watch_code="scarce", kind="line_scarce", buyer_codes=["home"]),
            Watch(watch_code="vendors", kind="vendor_changes_model"),
        ],
        joint_order=[
            JointOrder(joint_order_code="waterside", title="The three small ones in one go", model_codes=["greenhouse", "harbour_tug", "post_boat"], buyer_code="home"),
        ],
    )  # fmt: skip


def tables() -> dict[str, list[Row]]:
    """The rows of tables/<name>.csv by name."""
    return {
        "colours": [
            {"colour_code": c.code, "colour_name": c.name, "srgb_hex": c.srgb_hex, "colour_family": c.family, "finish": c.finish}
            for c in COLOURS
        ],
        "parts": _parts(),
        "substitutes": _substitutes(),
        "combinations": _combinations(),
        "code_map": _code_map(),
        "vendors": [
            {"vendor_code": v.code, "vendor_name": v.name, "vendor_kind": v.kind, "vendor_region_code": v.region, "currency_code": v.currency}
            for v in vendor_list.VENDORS
        ],
        "vendor_terms": list(vendor_list.vendor_terms()),
        "vendor_closures": list(vendor_list.vendor_closures()),
        "shipping_steps": list(vendor_list.shipping_steps()),
        "handling_charges": list(vendor_list.handling_charges()),
        "border_charges": list(vendor_list.border_charges()),
        "element_status": _element_status(),
        "stock_on_hand": _stock_on_hand(),
        "exchange_rates": _exchange_rates(),
    }  # fmt: skip


def _parts() -> list[Row]:
    chance = random.Random("weights")
    rows: list[Row] = []
    for part in parts():
        unknown = chance.random() < 0.06
        rows.append({
            "part_code": part.code, "part_name": part.name, "part_family": part.family, "surface": part.surface, "material": part.material,
            "weight_grams": "" if unknown else part.weight_grams, "largest_dimension_mm": "" if unknown else part.longest_mm,
        })  # fmt: skip
    return rows


def _substitutes() -> list[Row]:
    names = {part.name: part.code for part in parts()}
    rows = [_substitute(code, form, "resolves_open_form", strength, "2024-01-01", "the number leaves the form open")
            for code, _, _, forms in OPEN_FORMS for form, _, strength in forms]  # fmt: skip
    for part, substitute, strength, on, why in (
        ("pin, grip", "pin, free", "weaker", "2024-01-01", "turns freely, but holds"),
        ("pin, free", "short pin, grip", "equal", "2024-01-01", "stiff, but it never turns here"),
        ("long pin, free", "long pin, grip", "stronger", "2024-01-01", "stiff, but it never turns here"),
        ("wedge tip 1 x 2", "double slope 1 x 2", "equal", "2025-02-10", "same footprint, seen from below only"),
        ("round tile 2 x 2", "round tile 2 x 2, hole", "equal", "2024-01-01", "the hole is covered"),
        ("tile 2 x 2", "tile 2 x 2, one knob", "weaker", "2024-06-01", "knob on top, hidden"),
        ("round brick 1 x 1", "round brick 1 x 1, open", "equal", "2024-01-01", "same outside"),
        ("brick 1 x 2, log face", "brick 1 x 2, grooved", "equal", "2025-09-14", "the back is turned outwards"),
        ("beam 5", "thin beam 5", "weaker", "2026-01-05", "carries nothing where a weaker one is allowed"),
        ("dome 2 x 2", "dish 2 x 2", "weaker", "2025-04-20", "seen from far away"),
    ):
        rows.append(_substitute(names[part], names[substitute], "other_form", strength, on, why))
    return sorted(rows, key=lambda row: (str(row["part_code"]), str(row["substitute_part_code"])))


def _substitute(part: str, substitute: str, kind: str, strength: str, on: str, why: str) -> Row:
    return {
        "part_code": part,
        "substitute_part_code": substitute,
        "substitute_kind": kind,
        "strength": strength,
        "valid_from_on": on,
        "reason": why,
    }


def _combinations() -> list[Row]:
    names = {part.name: part.code for part in parts()}
    rows: list[Row] = []
    for whole, code, pieces, why in (
        ("plate 2 x 8", "two_short", {"plate 2 x 4": 2}, "laid end to end"),
        ("plate 2 x 12", "two_short", {"plate 2 x 6": 2}, "laid end to end"),
        ("plate 4 x 8", "two_square", {"plate 4 x 4": 2}, "laid side by side"),
        ("brick 2 x 4", "two_square", {"brick 2 x 2": 2}, "laid side by side"),
        ("brick 1 x 8", "two_short", {"brick 1 x 4": 2}, "laid end to end"),
        ("brick 1 x 10", "six_and_four", {"brick 1 x 6": 1, "brick 1 x 4": 1}, "laid end to end"),
        ("brick 1 x 4", "stacked", {"plate 1 x 4": 3}, "three plates are as high as a brick"),
        ("brick 2 x 3", "stacked", {"plate 2 x 3": 3}, "three plates are as high as a brick"),
        ("plate 1 x 12", "two_short", {"plate 1 x 6": 2}, "laid end to end"),
    ):
        for piece, count in pieces.items():
            rows.append({
                "part_code": names[whole], "combination_code": code, "component_part_code": names[piece], "component_count": count,
                "valid_from_on": "2024-01-01", "reason": why,
            })  # fmt: skip
    return sorted(rows, key=lambda row: (str(row["part_code"]), str(row["component_part_code"])))


def _code_map() -> list[Row]:
    """The numbering of the source fells. Its codes for parts of two forms leave the form open; a few codes are unknown."""
    ambiguous = {form for *_, forms in OPEN_FORMS for form, _, strength in forms if strength != "weaker"}
    return [
        {"source_code": "fells", "source_part_code": fells_part_code(part.code), "part_code": part.code, "valid_from_on": "2024-01-01",
         "is_ambiguous": "true" if part.code in ambiguous else "false"}
        for part in sorted(by_code().values(), key=lambda part: fells_part_code(part.code))
    ]  # fmt: skip


def _element_status() -> list[Row]:
    """What the builders know about what is still made: most elements that models need. The one that nobody sells was never made."""
    chance = random.Random("made")
    elements = sorted({(line.part_code, line.colour_code) for plan in PLANS for line in lines_of(plan)})
    rows: list[Row] = []
    for part, colour in elements:
        drawn = chance.random()
        if (part, colour) == NOWHERE:
            rows.append(_status(part, colour, "never_made", "2024-01-01", "no list ever had it in this colour"))
        elif (part, colour) in USED_ONLY or drawn < 0.06:
            rows.append(_status(part, colour, "retired", "2025-03-01", "gone from the maker's list"))
        elif drawn < 0.8:
            rows.append(_status(part, colour, "current", "2024-01-01", ""))
    return rows


def _status(part: str, colour: str, status: str, on: str, why: str) -> Row:
    return {"part_code": part, "colour_code": colour, "element_status": status, "valid_from_on": on, "reason": why}


def _stock_on_hand() -> list[Row]:
    chance = random.Random("drawer")
    elements = sorted({(line.part_code, line.colour_code) for plan in PLANS for line in lines_of(plan)})
    return [
        {"part_code": part, "colour_code": colour, "condition": "used" if chance.random() < 0.1 else "new", "quantity_on_hand": chance.randint(1, 24)}
        for part, colour in sorted(chance.sample(elements, 60))
    ]  # fmt: skip


def _exchange_rates() -> list[Row]:
    """Invented weekly rates, each Friday: a random walk that stays near where it began."""
    chance = random.Random("rates")
    rows: list[Row] = []
    pound, krona = 1.163, 0.0893  # EUR for one unit
    for week in range(110):
        day = date(2024, 9, 27) + timedelta(weeks=week)
        pound *= 1 + chance.gauss(0, 0.006) + 0.05 * (1.163 - pound) / 1.163
        krona *= 1 + chance.gauss(0, 0.008) + 0.05 * (0.0893 - krona) / 0.0893
        for source, target, rate in (("GBP", "EUR", pound), ("SEK", "EUR", krona), ("SEK", "GBP", krona / pound)):
            rows.append(
                {
                    "rate_on": day,
                    "from_currency_code": source,
                    "to_currency_code": target,
                    "exchange_rate": f"{rate:.6f}",
                }
            )
    return rows


def _write_model(folder: Path, plan: ModelPlan) -> None:
    _write_text(folder / "model.toml", model_toml(revisions.model_settings(plan)))
    lists = [
        {"list_version": version, "line_number": line.number, "part_code": line.part_code, "colour_code": line.colour_code,
         "quantity": line.quantity, "section_code": line.section}
        for version, lines in revisions.versions_of(plan).items() for line in lines
    ]  # fmt: skip
    _write(folder / "parts.csv", lists)
    _write(folder / "flexible_lines.csv", flexible_lines_of(plan.code, lines_of(plan)), FLEXIBLE_LINE_COLUMNS)
    _write(folder / "amendments.csv", revisions.amendments_of(plan), revisions.AMENDMENT_COLUMNS)


def _write(path: Path, rows: Iterable[Row], columns: Iterable[str] = ()) -> None:
    kept = list(rows)
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(columns or kept[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(kept)


def _write_text(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    make_workspace()
