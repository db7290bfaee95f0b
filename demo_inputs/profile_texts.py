"""The profiles of the five sources that don't write our columns, and how the source fells writes its codes."""

from __future__ import annotations

from functools import cache

from .catalogue import parts
from .palette import COLOURS
from .vendor_list import VENDORS

FELLS_COLOURS = {
    "SOO": "Sot", "CHA": "Krita", "PEB": "Småsten", "ANV": "Städ", "MST": "Dis", "OAT": "Havre", "STW": "Halmbal", "RWN": "Rönn", "KLN": "Tegelugn",
    "RSH": "Nypon", "PTL": "Kronblad", "FOX": "Räv", "EMB": "Glöd", "APC": "Aprikos", "GRS": "Ärttörne", "PRM": "Gullviva", "BLY": "Korn",
    "SHO": "Ärtskott", "FRN": "Ormbunke", "PNW": "Tallskog", "MOS": "Mossa", "LCH": "Lav", "LAG": "Lagun", "VDG": "Ärg", "HRN": "Häger", "HBR": "Hamn",
    "INK": "Bläck", "THN": "Åska", "HTH": "Ljung", "DMS": "Krikon", "PET": "Torv", "CST": "Kastanj", "HZL": "Hassel", "RWR": "Regnvatten",
    "LMP": "Lampsken", "CHY": "Körsbärsglas", "SEA": "Sjöglas", "SMK": "Rökglas", "TIN": "Tennblad", "BRS": "Mässingsblad", "PWT": "Tennpärla",
    "CPR": "Kopparpärla", "GLW": "Lysmask",
}  # fmt: skip
FELLS_VENDORS = {
    vendor.code: f"S{11 + 7 * n:03d}" for n, vendor in enumerate(v for v in VENDORS if v.layout == "fells")
}
FELLS_HEADER = ("Säljare", "Nummer", "Färg", "Skick", "Parti", "Från antal", "Pris", "Valuta", "Antal", "Datum")
ISLES_HEADER = ("Stall", "Part", "Colour", "State", "Pack of", "Pack price", "Pieces", "Sold in", "Lot", "Form known")
TARN_HEADER = ("Handlare", "Del", "Kulör", "Skick", "Styckpris", "I lager", "Dag")
HALL_NAMES = ("item", "shade", "price", "in_stock", "range", "at_most", "day")
LEDGER_HEADER = ("part", "colour", "state", "lowest", "mean", "pieces", "sellers", "day")


@cache
def fells_part_code(part_code: str) -> str:
    """The source's own four-digit number of a part, leading zeros included."""
    index = [part.code for part in parts()].index(part_code)
    return f"{(index * 7919 + 1237) % 9973:04d}"


def _table(name: str, values: dict[str, str]) -> str:
    return "\n".join([f"[values.{name}]", *(f'"{theirs}" = "{ours}"' for theirs, ours in values.items())]) + "\n"


_FELLS = f"""# Eight sellers' lists in one file: a title line above the header, decimal commas, their own part numbers.
profile_name = "fells_lists"
source_code = "fells"
table = "price_export"
use_code_map = true
date_format = "%d.%m.%Y"

[recognise]
file_name = "fells_*.csv"
columns = ["Säljare", "Nummer"]

[reading]
encoding = "windows-1252"
separator = ";"
header_line = 2

[columns]
vendor_code = "Säljare"
part_code = "Nummer"
colour_code = "Färg"
condition = "Skick"
listing_code = "Parti"
step_from_quantity = "Från antal"
unit_price = "Pris"
currency_code = "Valuta"
quantity_available = "Antal"
observed_on = "Datum"

[constants]
coverage = "full"

[numbers]
decimal = ","
thousands = "."

{_table("condition", {"ny": "new", "begagnad": "used"})}
{_table("vendor_code", {theirs: ours for ours, theirs in FELLS_VENDORS.items()})}
{_table("colour_code", {FELLS_COLOURS[colour.code]: colour.code for colour in COLOURS})}"""

_ISLES = f"""# The market hall of the isles: tab-separated UTF-16, the date in the file name, prices by the pack.
profile_name = "isles_hall"
source_code = "isles"
table = "price_export"
observed_on_in_file_name = "_%Y%m%d"

[recognise]
file_name = "isles_*.tsv"

[reading]
encoding = "utf-16"
separator = "\\t"

[columns]
vendor_code = "Stall"
part_code = "Part"
colour_code = "Colour"
condition = "State"
unit_price = "Pack price"
quantity_available = "Pieces"
sold_in_multiples_of = "Sold in"
listing_code = "Lot"
form_certainty = "Form known"

[constants]
currency_code = "GBP"
coverage = "full"

[numbers]
thousands = ","

[pack]
size_column = "Pack of"
quantities_in = "pieces"

{_table("condition", {"fresh": "new", "worn": "used"})}
{_table("form_certainty", {"yes": "stated", "no": "open"})}"""

_TARN = f"""# Three small sellers who share a workbook. It lists what they counted lately, not all they have: it closes nothing.
profile_name = "tarn_workbook"
source_code = "tarn"
table = "price_export"

[recognise]
file_name = "tarn_*.xlsx"

[reading]
sheet = "Priser"
header_line = 3

[columns]
vendor_code = "Handlare"
part_code = "Del"
colour_code = "Kulör"
condition = "Skick"
unit_price = "Styckpris"
quantity_available = "I lager"
observed_on = "Dag"

[constants]
currency_code = "SEK"
coverage = "partial"

{_table("condition", {"ny": "new", "begagnad": "used"})}"""

_HALL = """# The maker's shop: JSON lines, two assortments, a limit on what one order may take.
profile_name = "main_hall"
source_code = "hall"
table = "price_export"

[recognise]
file_name = "hall_*.jsonl"

[columns]
part_code = "item"
colour_code = "shade"
unit_price = "price"
quantity_available = "in_stock"
assortment_code = "range"
maximum_per_order = "at_most"
observed_on = "day"

[constants]
vendor_code = "mainhall"
condition = "new"
currency_code = "EUR"
coverage = "full"
"""

_LEDGER = f"""# A monthly summary of the market that does not name its vendors: for trends and estimates, never for plans.
profile_name = "tide_ledger"
source_code = "ledger"
table = "price_summary"

[recognise]
file_name = "ledger_*.txt"

[reading]
separator = "|"

[columns]
part_code = "part"
colour_code = "colour"
condition = "state"
lowest_price = "lowest"
average_price = "mean"
quantity_available = "pieces"
offer_vendor_count = "sellers"
observed_on = "day"

[constants]
source_code = "ledger"
currency_code = "EUR"

{_table("condition", {"new": "new", "used": "used"})}"""

PROFILES = {"fells": _FELLS, "isles": _ISLES, "tarn": _TARN, "hall": _HALL, "ledger": _LEDGER}
"""Text of profiles/<name>.toml by name."""
