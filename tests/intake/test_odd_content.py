"""Odd but readable files: every value is taken as what it surely is, or quarantined with a reason; nothing is guessed."""

import zipfile
from pathlib import Path

import polars as pl
import pytest

from pipelines.intake.take_in import TakenFile
from pipelines.plain_files import name_text
from tests.builders.files import OUR_HEADER, our_row, rules, take, write_csv, write_text, write_xlsx


def prices(tmp_path: Path, *values: str) -> TakenFile:
    rows = [our_row(part_code=f"p{n}", unit_price=value) for n, value in enumerate(values)]
    return take(write_csv(tmp_path / "a.csv", rows, separator=";"), tmp_path)


def test_numbers_in_two_writings_in_one_file(tmp_path: Path) -> None:
    taken = prices(tmp_path, "1.5", "1.234,56", "1,234.56", "0,45", "1 000", "1'000.5")
    assert taken.rows["part_code"].to_list() == ["p0"] and taken.quarantined_text.height == 5
    assert "a number such as 0.045" in rules(taken, 2)["unit_price"]


@pytest.mark.parametrize("value", ["0", "-1", "1e300", "NaN", "inf", "1e-3", "0x10", "١", "=1+1", "1/2", "free"])
def test_prices_that_are_none(tmp_path: Path, value: str) -> None:
    taken = prices(tmp_path, value, "0.1")
    assert taken.rows["part_code"].to_list() == ["p1"]
    assert set(rules(taken, 1)) == {"unit_price"} and taken.quarantined_text["unit_price"].to_list() == [value]


@pytest.mark.parametrize(
    "value", ["03/04/2026", "4.3.2026", "2026-13-01", "2026-02-30", "31/10/26", "46326", "2026-10-31T24:00"]
)
def test_dates_that_could_be_two_or_none(tmp_path: Path, value: str) -> None:
    taken = take(write_csv(tmp_path / "a.csv", [our_row(observed_on=value), our_row(part_code="p2")]), tmp_path)
    assert taken.rows["part_code"].to_list() == ["p2"] and set(rules(taken, 1)) == {"observed_on"}


@pytest.mark.parametrize("value", ["XQX", "eur", "€", "XXX", "DEM"])
def test_a_currency_that_does_not_exist(tmp_path: Path, value: str) -> None:
    taken = take(write_csv(tmp_path / "a.csv", [our_row(currency_code=value), our_row(part_code="p2")]), tmp_path)
    assert taken.rows["part_code"].to_list() == ["p2"] and "ISO 4217" in rules(taken, 1)["currency_code"]


def test_codes_stay_as_they_are_and_letters_that_look_alike_are_reported(tmp_path: Path) -> None:
    codes = ["00501", "501", "0501", "P1", "\u04201", "=HYPERLINK(1)", "1E5", "2026-01-01"]
    taken = take(write_csv(tmp_path / "a.csv", [our_row(part_code=code) for code in codes], separator=";"), tmp_path)
    assert taken.rows["part_code"].to_list() == codes
    assert [note for note in taken.notes if "Cyrillic" in note and "'\u04201'" in note]
    plain = take(write_csv(tmp_path / "b.csv", [our_row(part_code="\u0434\u0432\u0435")]), tmp_path)
    assert not [note for note in plain.notes if "Cyrillic" in note], "a word in one alphabet mixes nothing"


def test_encodings_mixed_in_one_file_lose_no_row(tmp_path: Path) -> None:
    rows = [our_row(part_code="Süd"), our_row(part_code="Nord")]
    path = write_csv(tmp_path / "a.csv", rows)
    path.write_bytes(path.read_bytes() + ",".join(our_row(part_code="Weiß")).encode("cp1252") + b"\n")
    taken = take(path, tmp_path)
    assert taken.error is not None or (taken.read_row_count == 3 and any("encoding" in note for note in taken.notes))


def with_entities(tmp_path: Path, declaration: bytes, text: bytes) -> TakenFile:
    path = write_xlsx(tmp_path / "a.xlsx", {"P": [list(OUR_HEADER), list(our_row(part_code="MARK"))]})
    with zipfile.ZipFile(path) as packed:
        parts = {name: packed.read(name) for name in packed.namelist()}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, content in parts.items():
            if b"MARK" in content:
                head, _, rest = content.partition(b"?>")
                content = head + b"?>" + declaration + rest.replace(b"MARK", text)
            packed.writestr(name, content)
    return take(path, tmp_path)


def test_entities_in_a_spreadsheet_are_not_expanded(tmp_path: Path) -> None:
    layers = b"".join(b'<!ENTITY e%d "%s">' % (n, b"&e%d;" % (n - 1) * 10) for n in range(1, 10))
    bomb = with_entities(tmp_path, b'<!DOCTYPE x [<!ENTITY e0 "ha">' + layers + b"]>", b"&e9;")
    assert bomb.error is not None or max(map(len, bomb.rows["part_code"]), default=0) < 100
    (tmp_path / "secret").write_text("secret words")
    outside = b'<!DOCTYPE x [<!ENTITY e SYSTEM "file://%s">]>' % str(tmp_path / "secret").encode()
    read = with_entities(tmp_path, outside, b"&e;")
    assert "secret" not in str(read.rows) + str(read.quarantined_text) + str(read.error)


def test_one_line_without_end(tmp_path: Path) -> None:
    taken = take(write_text(tmp_path / "a.csv", "vendor_code" + "x" * 3_000_000), tmp_path)
    assert taken.error is not None and len(str(taken.error)) < 3000


@pytest.mark.parametrize(
    "name", ["=1+1.csv", "-rf.csv", "a b;c.csv", "Preise März.csv", "x" * 200 + ".csv", "a\nb.csv", "%s.csv"]
)
def test_odd_names(tmp_path: Path, name: str) -> None:
    path = write_csv(tmp_path / name, [our_row(), our_row(unit_price="none", part_code="p2")])
    taken = take(path, tmp_path)
    assert taken.error is None and taken.rows.height == 1 and taken.file_name == name_text(name)


@pytest.mark.parametrize("name", ["*", "^.*$", "^unit_price$"])
@pytest.mark.parametrize("kind", ["csv", "quoted", "jsonl", "parquet"])
def test_a_column_named_like_a_pattern_is_one_without_a_name(tmp_path: Path, name: str, kind: str) -> None:
    frame = pl.DataFrame([(*our_row(), "")], schema=[*OUR_HEADER, name], orient="row")
    path = tmp_path / f"a.{'csv' if kind == 'quoted' else kind}"
    if kind == "parquet":
        frame.write_parquet(path)
    elif kind == "jsonl":
        frame.write_ndjson(path)
    else:
        frame.write_csv(path, quote_style="always" if kind == "quoted" else "necessary")
    taken = take(path, tmp_path)
    assert taken.error is None and taken.rows.height == 1
    alone = take(write_text(tmp_path / "b.csv", f"{name}\n1\n"), tmp_path)
    assert alone.error is not None and "(column 1)" in str(alone.error)
