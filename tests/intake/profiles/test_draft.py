"""An unknown file works after one look and one edit of the profile that was drafted for it."""

import tomllib
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import polars as pl
import pytest
import xlsxwriter
from pydantic import ValidationError

from pipelines.errors import UnreadableFileError
from pipelines.intake.profiles import guesses
from pipelines.intake.profiles.draft import FILL_IN, draft_profile
from pipelines.intake.profiles.profiles import Profile
from pipelines.intake.take_in import TakenFile
from tests.builders.files import take, write_csv, write_ods, write_text, write_xlsx
from tests.present import present

DAY = date(2026, 10, 31)


def after_one_edit(path: Path, tmp_path: Path, old: str, new: str) -> TakenFile:
    """Take a file in with the profile drafted for it, one piece of which was changed."""
    drafted = draft_profile(path)
    assert drafted.count(old) == 1, drafted
    made = Profile.model_validate(tomllib.loads(drafted.replace(old, new)))
    taken = take(path, tmp_path, made)
    assert taken.error is None, taken.error
    assert taken.failures.is_empty(), taken.failures
    return taken


def rows(taken: TakenFile) -> list[tuple[str, str, str, str, Decimal, str, int, date]]:
    return taken.rows.select(
        "vendor_code", "part_code", "colour_code", "condition", "unit_price", "currency_code", "quantity_available", "observed_on"
    ).rows()  # fmt: skip


def test_german_semicolons_decimal_commas_windows_1252_and_a_title(tmp_path: Path) -> None:
    body = [
        ("00501", "weiß", "neu", "0,045", "1.200", "31.10.2026"), ("00502", "grün", "gebraucht", "1.234,50", "7", "31.10.2026"),
    ]  # fmt: skip
    header = ("Artikel-Nr.", "Farbe", "Zustand", "Preis (EUR)", "Lagermenge Stück", "Stand")
    path = write_csv(
        tmp_path / "hügel_2026-10-31.csv",
        body,
        header,
        ";",
        "windows-1252",
        titles="Preisliste für Größen; gültig ab heute\r\n\r\n",
    )
    drafted = draft_profile(path)
    assert drafted.count(FILL_IN) == 2, "once in the first line, which explains it, and once for the vendor"
    with pytest.raises(ValidationError, match="vendor_code is still to be filled in"):
        Profile.model_validate(tomllib.loads(drafted))
    assert rows(after_one_edit(path, tmp_path, f'"{FILL_IN}"', '"hill"')) == [
        ("hill", "00501", "weiß", "new", Decimal("0.045"), "EUR", 1200, DAY),
        ("hill", "00502", "grün", "used", Decimal("1234.5"), "EUR", 7, DAY),
    ]


def test_english_tabs_utf16_and_the_date_in_the_name(tmp_path: Path) -> None:
    body = [("3001a", "Dark Red", "1,204", "$0.10"[1:], "N"), ("00502", "Blue", "12", "1,000.25", "U")]
    header = ("Item No", "Color", "Qty", "Price USD", "Condition")
    path = write_csv(tmp_path / "north 20261031.tsv", body, header, "\t", "utf-16")
    taken = after_one_edit(path, tmp_path, f'"{FILL_IN}"', '"north"')
    assert rows(taken) == [
        ("north", "3001a", "Dark Red", "new", Decimal("0.1"), "USD", 1204, DAY),
        ("north", "00502", "Blue", "used", Decimal("1000.25"), "USD", 12, DAY),
    ]


def test_a_french_spreadsheet_with_notes_first_and_titles_above(tmp_path: Path) -> None:
    table = [
        ["Tarif d'automne", None, None, None, None], [None] * 5,
        ["Référence", "Couleur", "Prix", "Quantité", "Date"],
        ["00501", "bleu", 0.045, 12.0, DAY], ["00502", "rouge", 1.5, 7.0, DAY],
    ]  # fmt: skip
    path = write_xlsx(tmp_path / "sud.xlsx", {"Lisez-moi": [["Bonjour"], ["Merci"]], "Tarif": table})
    drafted = draft_profile(path)
    assert 'sheet = "Tarif"' in drafted and "header_line = 3" in drafted and "Tarif d'automne" in drafted
    # No currency is to be seen anywhere, so that vendor and currency are the user's one edit of [constants].
    old = drafted[drafted.index("vendor_code = ") : drafted.index("condition = ")]
    taken = after_one_edit(path, tmp_path, old, 'vendor_code = "sud"\ncurrency_code = "EUR"\n')
    assert rows(taken)[0] == ("sud", "00501", "bleu", "new", Decimal("0.045"), "EUR", 12, DAY)


TITLES: dict[str, list[list[Any]]] = {
    "one": [["Price list of the north"]],
    "one and a blank line": [["Price list of the north"], []],
    "blank lines around": [[], ["Price list of the north"], []],
    "at the right": [[None, None, None, None, None, "Price list"]],
    "labels and values": [["Seller", "North"], ["Currency", "EUR"], ["Valid from", DAY], []],
    "as wide as the table": [["North", "Main street", "Harbour town", "Price list", "All prices in EUR", "No returns"]],
    "wider than the table": [["North", "Main street", "Harbour", "Price list", "All in EUR", "No returns", "Page one"]],
    "two as wide as the table": [
        ["North", "Main street", "Harbour town", "Price list", "All prices", "No returns"],
        ["Seller:", "North", "Telephone:", "on request", "Hours:", "mornings"],
    ],
    "four": [["Price list"], ["Seller", "North"], ["North", "Harbour", "town"], ["All", "prices", "in", "EUR"]],
    "groups of columns": [["Article", None, None, "Offer", None, None]],
}


@pytest.mark.parametrize("kind", ["xlsx", "ods"])
@pytest.mark.parametrize("titles", TITLES)
def test_titles_above_the_header_of_a_spreadsheet(titles: str, kind: str, tmp_path: Path) -> None:
    table = [
        *TITLES[titles],
        ["Article", "Colour", "Condition", "Price EUR", "Stock", "Date"],
        ["00501", "red", "new", 0.05, 12, DAY], ["00502", "blue", "used", 1.5, 7, DAY],
    ]  # fmt: skip
    path = tmp_path / f"north.{kind}"
    path = write_xlsx(path, {"Prices": table}) if kind == "xlsx" else write_ods(path, "Prices", table)
    assert f"header_line = {len(TITLES[titles]) + 1}\n" in draft_profile(path)
    assert rows(after_one_edit(path, tmp_path, f'vendor_code = "{FILL_IN}"', 'vendor_code = "north"')) == [
        ("north", "00501", "red", "new", Decimal("0.05"), "EUR", 12, DAY),
        ("north", "00502", "blue", "used", Decimal("1.5"), "EUR", 7, DAY),
    ]


def test_a_title_in_merged_cells(tmp_path: Path) -> None:
    path = tmp_path / "north.xlsx"
    book = xlsxwriter.Workbook(str(path))
    sheet = book.add_worksheet("Prices")
    sheet.merge_range("A1:D2", "Price list of the north")
    sheet.merge_range("A3:B3", "Seller: North")
    sheet.merge_range("C3:D3", "All prices in EUR")
    for row, cells in enumerate([["Article", "Colour", "Price", "Stock"], ["00501", "red", 0.05, 12]], start=3):
        sheet.write_row(row, 0, cells)
    book.close()
    drafted = draft_profile(path)
    assert "header_line = 4\n" in drafted and 'part_code = "Article"' in drafted and 'currency_code = "EUR"' in drafted


def test_a_header_of_unknown_words_is_the_row_above_the_first_values(tmp_path: Path) -> None:
    table = [
        ["Haus", "Baum", "Weg", "Tor"],
        ["Ding", "Ton", "Wert", "Zahl"],
        ["a7", "ink", 0.05, 12],
        ["b8", "moss", 2, 3],
    ]
    assert "header_line = 2\n" in draft_profile(write_xlsx(tmp_path / "x.xlsx", {"P": table}))


def test_names_that_say_nothing_are_guessed_by_values(tmp_path: Path) -> None:
    body = [
        ("a7", "ink", "0,10", "30", "1.10.2026", "EUR"),
        ("b8", "ink", "0,25", "5", "2.11.2026", "EUR"),
        ("c9", "moss", "3,99", "8", "31.12.2026", "EUR"),
    ]
    path = write_csv(tmp_path / "x.csv", body, ("A", "B", "C", "D", "E", "F"), ";")
    drafted = draft_profile(path)
    assert drafted.count("guessed by its values: check") == 6
    taken = after_one_edit(path, tmp_path, f'vendor_code = "{FILL_IN}"', 'vendor_code = "x"')
    assert rows(taken)[1] == ("x", "b8", "ink", "new", Decimal("0.25"), "EUR", 5, date(2026, 11, 2))


def test_json_lines_with_vendors_and_currencies_need_only_a_check(tmp_path: Path) -> None:
    line = '{"seller": "north", "part": "00501", "colour": "c1", "price": 0.10, "currency": "SEK", "stock": 3, "date": "2026-10-31", "state": "used"}\n'
    path = write_text(tmp_path / "all.jsonl", line)
    taken = after_one_edit(path, tmp_path, 'coverage = "partial"', 'coverage = "full"')
    assert rows(taken) == [("north", "00501", "c1", "used", Decimal("0.1"), "SEK", 3, DAY)]


def test_a_summary_is_reported_by_its_average_price(tmp_path: Path) -> None:
    path = write_text(
        tmp_path / "m.csv", "part,colour,condition,average,lowest,date,currency\n1,c1,new,0.10,0.05,2026-10-31,EUR\n"
    )
    taken = after_one_edit(path, tmp_path, 'profile_name = "m"', 'profile_name = "monthly"')
    assert present(taken.contract).name == "price_summary" and taken.rows["lowest_price"].to_list() == [Decimal("0.05")]


def test_what_is_doubtful_is_said(tmp_path: Path) -> None:
    header = ("part", "colour", "price", "qty", "date", "VPE", "remark")
    path = write_csv(
        tmp_path / "a.csv",
        [("1", "c", "0.5", "1", "01/02/2026", "10", "x"), ("2", "c", "1", "2", "03/04/2026", "10", "y")],
        header,
    )
    drafted = draft_profile(path)
    assert '"%d/%m/%Y"   # %m/%d/%Y would fit as well: check' in drafted
    assert '# size_column = "VPE"' in drafted and "# not used: VPE, remark" in drafted
    assert '# "c" = "c"' in drafted


def test_a_date_in_a_title_is_offered_with_a_warning(tmp_path: Path) -> None:
    path = write_csv(
        tmp_path / "a.csv",
        [("1", "c", "0.5", "1")],
        ("part", "colour", "price", "qty"),
        titles="List of 31.10.2026\r\n",
    )
    assert 'observed_on = "2026-10-31"   # right for this file only' in draft_profile(path)


def test_a_mapping_of_unknown_conditions_must_be_filled_in(tmp_path: Path) -> None:
    path = write_csv(
        tmp_path / "a.csv",
        [("1", "c", "0.5", "1", "neu"), ("1", "c", "0.5", "1", "fast neu")],
        ("part", "colour", "price", "qty", "Zustand"),
    )
    assert f'"fast neu" = "{FILL_IN}"' in draft_profile(path) and '"neu" = "new"' in draft_profile(path)


@pytest.mark.parametrize(
    "text", ["no table here\n", "a\n1\n2\n", "x;y\n", '"quo""ted";b\n1;2\n', "[t]\na,b\n\\,\x7f\n", "1;2;3\n4;5;6\n"]
)
def test_a_draft_is_always_toml(tmp_path: Path, text: str) -> None:
    assert tomllib.loads(draft_profile(write_text(tmp_path / "a.csv", text)))["table"] == "price_export"


def test_known_colours_are_matched_by_code_or_name_and_the_others_asked_for(tmp_path: Path) -> None:
    colours = pl.DataFrame({"colour_code": ["RWN", "ink", "PEB"], "colour_name": ["Rowan", "Ink", "INK"]})
    body = [("1", word, "0.5", "1") for word in ("rowan", "INK", "PEB", "Ärtgrön")]
    path = write_csv(tmp_path / "a.csv", body, ("part", "colour", "price", "qty"))
    said = tomllib.loads(draft_profile(path, colours))["values"]["colour_code"]
    assert said == {"rowan": "RWN", "INK": "ink", "PEB": "PEB", "Ärtgrön": FILL_IN}
    with pytest.raises(ValidationError, match="still to be filled in"):
        Profile.model_validate(tomllib.loads(draft_profile(path, colours)))


def test_our_own_colour_codes_need_no_mapping(tmp_path: Path) -> None:
    colours = pl.DataFrame({"colour_code": ["RWN", "PEB"], "colour_name": ["Rowan", "Pebble"]})
    path = write_csv(tmp_path / "a.csv", [("1", "PEB", "0.5", "1")], ("part", "colour", "price", "qty"))
    assert "values" not in tomllib.loads(draft_profile(path, colours))


def test_a_colour_in_the_last_of_many_rows_is_named_too(tmp_path: Path) -> None:
    body = [("1", "PEB", "0.5", "1")] * 6000 + [("1", "late", "0.5", "1")]
    path = write_csv(tmp_path / "a.csv", body, ("part", "colour", "price", "qty"))
    colours = pl.DataFrame({"colour_code": ["PEB"], "colour_name": ["Pebble"]})
    assert tomllib.loads(draft_profile(path, colours))["values"]["colour_code"] == {"PEB": "PEB", "late": FILL_IN}


def test_a_file_that_cannot_be_read_has_no_draft(tmp_path: Path) -> None:
    with pytest.raises(UnreadableFileError):
        draft_profile(write_text(tmp_path / "a.csv", ""))


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        (["0.45", "12"], (".", "")), (["0,45", "12"], (",", "")), (["1,234.5", "0.4"], (".", ",")), (["1.234,5", "0,4"], (",", ".")),
        (["1 234,5", "0,4"], (",", " ")), (["1'234.5", "0.4"], (".", "'")), (["12", "7"], (".", "")), ([], (".", "")),
        (["0,45"] * 20 + ["on request"], (",", "")),
    ],
)  # fmt: skip
def test_number_formats(values: list[str], expected: tuple[str, ...]) -> None:
    assert guesses.number_format(pl.Series(values, dtype=pl.String)) == expected


@pytest.mark.parametrize(
    ("text", "code"), [("Preis (EUR)", "EUR"), ("Pris i SEK", "SEK"), ("Price £", "GBP"), ("cena zł", "PLN"), ("ALL PRICES", None), ("", None)]
)  # fmt: skip
def test_currencies_beside_the_table(text: str, code: str | None) -> None:
    assert guesses.currency_in_text(text) == code
