"""Inspecting shows what would become of every row, and touches nothing."""

from pathlib import Path
from typing import Any

import pytest

from pipelines.errors import SettingsError
from pipelines.intake.inspect_file import inspect_file
from pipelines.intake.quarantine import write_quarantined
from pipelines.workspace import Workspace
from tests.builders.files import HILL_HEADER, OUR_ROW, our_row, write_csv, write_text
from tests.present import present

PROFILE = """
profile_name = "hill"
source_code = "hill"
table = "price_export"
use_code_map = true
[recognise]
file_name = "hill_*.csv"
[columns]
part_code = "Part"
colour_code = "Colour"
unit_price = "Price"
quantity_available = "Stock"
observed_on = "Day"
[constants]
vendor_code = "hill"
currency_code = "EUR"
condition = "new"
"""


@pytest.fixture
def workspace(tmp_path: Path) -> Workspace:
    root = tmp_path / "workspace"
    for name, text in {
        "kitfare.toml": '[[buyer]]\nbuyer_code = "b"\ntitle = "b"\nregion_code = "NO"\ncurrency_code = "EUR"\n',
        "profiles/hill.toml": PROFILE,
        "tables/code_map.csv": "source_code,source_part_code,part_code\nhill,A1,00501\n",
    }.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text(text)
    return Workspace(root)


def everything(root: Path) -> list[tuple[str, int]]:
    return sorted((path.relative_to(root).as_posix(), path.stat().st_mtime_ns) for path in root.rglob("*"))


def test_rows_before_and_after_counts_reasons_and_notes(tmp_path: Path, workspace: Workspace) -> None:
    good = ("A1", "c1", "0.10", "3", "2026-10-31")
    path = write_csv(
        tmp_path / "hill_1.csv",
        [good, ("ZZ", *good[1:]), *[(*good[:1], f"c{n}", *good[2:]) for n in range(7)]],
        HILL_HEADER,
        ";",
    )
    before = everything(tmp_path)
    found = inspect_file(path, workspace)
    assert everything(tmp_path) == before, "inspecting touches nothing"
    assert found.taken.profile_name == "hill" and len(found.before) == len(found.after) == 5
    assert found.before[0] == {"Part": "A1", "Colour": "c1", "Price": "0.10", "Stock": "3", "Day": "2026-10-31"}
    first: Any = found.after[0]
    assert first["part_code"] == "00501" and found.after[1:] == [
        "quarantined",
        found.after[2],
        "repeated",
        found.after[4],
    ]
    text = str(found)
    for words in ("hill_1.csv", "csv, utf-8, separated by ';'", "price_export (profile hill)", "Part, Colour, Price", "Coverage is not stated",
                  "line 3: part_code 'ZZ' is not in the code map", "->  quarantined", "9 rows read: 7 accepted, 1 quarantined, 1 repeated."):  # fmt: skip
        assert words in text, f"{words!r} not in:\n{text}"


def test_vendors_and_colours_that_no_table_has_are_named(tmp_path: Path, workspace: Workspace) -> None:
    """They are kept, but no plan can use them: most often a code is misspelled."""
    tables = workspace.root / "tables"
    (tables / "vendors.csv").write_text("vendor_code,vendor_name,vendor_region_code,currency_code\nhill,Hill,NO,EUR\n")
    (tables / "colours.csv").write_text("colour_code,colour_name,srgb_hex,colour_family\nc1,Clay,#AA5533,reds\n")
    rows = [("A1", colour, "0.10", "3", "2026-10-31") for colour in ("c1", "c2", "bleu")]
    text = str(inspect_file(write_csv(tmp_path / "hill_1.csv", rows, HILL_HEADER, ";"), workspace))
    assert "Not in tables/colours.csv, so it fills no line: bleu (1 row), c2 (1 row)." in text
    assert "tables/vendors.csv" not in text
    assert "Not in tables/vendor_terms.csv, so no plan buys from it: hill (3 rows)." in text
    named = [our_row(part_code=str(n), vendor_code=f"v{n:02d}") for n in range(12)] + [
        our_row(part_code="x", vendor_code="v11")
    ]
    text = str(inspect_file(write_csv(tmp_path / "a.csv", named), workspace))
    assert "so no plan buys from it: v11 (2 rows), v00 (1 row), " in text and "v08 (1 row) and 2 more." in text


def test_an_unknown_file_says_what_was_found(tmp_path: Path, workspace: Workspace) -> None:
    text = str(inspect_file(write_text(tmp_path / "x.csv", "Nr\tPreis\n1\t2\n"), workspace))
    for words in (
        "separated by tabs",
        "Nr, Preis",
        "line 2:  Nr = 1, Preis = 2",
        "quarantined whole",
        "--draft-profile",
    ):
        assert words in text
    assert "->" not in text


def test_a_file_that_cannot_be_read(tmp_path: Path, workspace: Workspace) -> None:
    found = inspect_file(write_text(tmp_path / "x.csv", ""), workspace)
    assert found.table is None and "the file is empty" in str(found)


def test_outside_a_workspace(tmp_path: Path) -> None:
    path = write_csv(tmp_path / "a.csv", [OUR_ROW])
    assert "its columns are ours" in str(inspect_file(path, None))


def test_a_corrected_file(tmp_path: Path, workspace: Workspace) -> None:
    from tests.builders.files import take

    quarantined = write_quarantined(
        take(write_csv(tmp_path / "a.csv", [our_row(unit_price="x")]), tmp_path), tmp_path / "quarantined"
    )
    assert "a corrected file" in str(inspect_file(present(quarantined), workspace))


def test_many_failures_are_counted_by_rule(tmp_path: Path) -> None:
    rows = [our_row(part_code=str(n), unit_price="x" if n % 2 else "1,5", condition="mint") for n in range(200)]
    found = inspect_file(write_csv(tmp_path / "a.csv", rows), None)
    assert found.taken.failures.height == 400
    text = str(found)
    assert "and 300 more" in text and "200 times: condition must be one of new, used" in text


def test_a_profile_that_makes_no_sense_is_an_error(tmp_path: Path, workspace: Workspace) -> None:
    (workspace.profiles / "bad.toml").write_text("profile_name = 1")
    with pytest.raises(SettingsError, match="bad.toml"):
        inspect_file(write_csv(tmp_path / "a.csv", [OUR_ROW]), workspace)
