"""A workspace of one model, two vendors and a few prices, small enough to refresh within seconds."""

import re
from pathlib import Path

from typer.testing import CliRunner

from pipelines.cli.main import app
from pipelines.workspace import Workspace

TABLES = {
    "colours": "colour_code,colour_name,srgb_hex,colour_family,finish\nred,Red,#C01010,red,plain\nblue,Blue,#1030C0,blue,plain\n",
    "parts": "part_code,part_name\n00501,Small block\n00502,Long block\n",
    "vendors": "vendor_code,vendor_name,vendor_kind,vendor_region_code,currency_code\n"
    "north,North,independent,home,EUR\nsouth,South,independent,home,EUR\n",
    "vendor_terms": "vendor_code,shipping_charge\nnorth,4\nsouth,6\n",
}
PARTS = "line_number,part_code,colour_code,quantity\n1,00501,red,10\n2,00502,blue,4\n"
FLEXIBLE_LINES = "line_number,colour_rule\n1,any\n"
MODEL = 'model_code = "hut"\ntitle = "A hut"\n[[versions]]\nlist_version = 1\nreleased_on = 2026-01-01\n'
EXPORT_HEADER = (
    "vendor_code,part_code,colour_code,condition,unit_price,currency_code,quantity_available,observed_on,coverage\n"
)


def export(vendor: str, day: str, *offers: tuple[str, str, str, int]) -> str:
    """A full export: offers are (part, colour, price, quantity)."""
    return EXPORT_HEADER + "".join(
        f"{vendor},{part},{colour},new,{price},EUR,{quantity},{day},full\n" for part, colour, price, quantity in offers
    )


NORTH_BEFORE = export("north", "2026-09-28", ("00501", "red", "0.11", 60))
NORTH = export("north", "2026-10-30", ("00501", "red", "0.10", 50), ("00501", "blue", "0.05", 50))
SOUTH = export("south", "2026-10-31", ("00502", "blue", "0.40", 9), ("00501", "red", "0.12", 20))


def make_workspace(root: Path) -> Workspace:
    """Made with ``kitfare init`` and filled; its inbox holds three exports."""
    result = CliRunner().invoke(app, ["init", str(root)])
    assert result.exit_code == 0, result.output
    settings = root / "kitfare.toml"
    text = settings.read_text(encoding="utf-8")
    for key, value in {
        "priced_on": '"latest_export"',
        "months_back": "1",
        "workers": "1",
        "effort": '"quick"',
        "inbox_quiet_seconds": "0",
    }.items():
        text, count = re.subn(rf"(?m)^{key} = .*$", f"{key} = {value}", text, count=1)
        assert count == 1, key
    settings.write_text(text, encoding="utf-8")
    for name, rows in TABLES.items():
        (root / "tables" / f"{name}.csv").write_text(rows, encoding="utf-8")
    model = root / "models" / "hut"
    model.mkdir()
    (model / "model.toml").write_text(MODEL, encoding="utf-8")
    (model / "parts.csv").write_text(PARTS, encoding="utf-8")
    (model / "flexible_lines.csv").write_text(FLEXIBLE_LINES, encoding="utf-8")
    (root / "inbox" / "north-before.csv").write_text(NORTH_BEFORE, encoding="utf-8")
    (root / "inbox" / "north.csv").write_text(NORTH, encoding="utf-8")
    (root / "inbox" / "south.csv").write_text(SOUTH, encoding="utf-8")
    return Workspace(root)
