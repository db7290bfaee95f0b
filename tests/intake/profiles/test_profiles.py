"""Profiles: what they may say, what is refused and how, and which file is whose."""

import tomllib
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from pipelines.errors import InputError, SettingsError, UnreadableFileError
from pipelines.intake.profiles import profiles
from pipelines.intake.profiles.profiles import Profile
from pipelines.intake.reading.formats import date_in_file_name
from pipelines.intake.reading.readers import ReadOptions
from schemas.inputs.price_files import PRICE_EXPORT, PRICE_SUMMARY
from tests.builders.files import profile
from tests.present import present


def example_text() -> str:
    indented = profiles.__doc__.split("::\n", 1)[1].splitlines()
    return "\n".join(line[4:] for line in indented if line.startswith("    ") or not line.strip())


def test_the_documented_example_is_a_profile_and_shows_every_key() -> None:
    said = tomllib.loads(example_text())
    made = profiles.Profile.model_validate(said)
    assert made.contract is PRICE_EXPORT
    assert made.read_options == ReadOptions("windows-1252", ";", 2, "Prices")
    assert set(said) == set(profiles.Profile.model_fields)
    for key, kind in (("reading", profiles.Reading), ("numbers", profiles.Numbers), ("recognise", profiles.Recognise)):
        assert set(said[key]) == set(kind.model_fields)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"tabel": "x"}, "Extra inputs"),
        ({"table": "prices"}, "price_export"),
        ({"recognise": {}}, "file_name or columns"),
        ({"columns": {"unit_prise": "Price"}}, "unit_prise not among the columns"),
        ({"constants": {"colour": "x"}}, "colour not among"),
        ({"values": {"colour": {"a": "b"}}}, "colour not among"),
        ({"columns": {"vendor_code": "Shop"}}, "vendor_code: stated in two ways"),
        ({"observed_on_in_file_name": "%Y%m%d"}, "observed_on: stated in two ways"),
        ({"constants": {"currency_code": "XQX"}}, "not a currency"),
        ({"constants": {"coverage": "whole"}}, "one of full, partial"),
        ({"constants": {"revision_number": "two"}}, "not a whole number"),
        ({"columns": {}, "constants": {"observed_on": "31.10.2026"}}, "not a date"),
        ({"constants": {"vendor_code": "FILL IN"}}, "still to be filled in"),
        ({"columns": {"part_code": "FILL IN"}}, "still to be filled in"),
        ({"values": {"condition": {"neu": "FILL IN"}}}, "still to be filled in"),
        ({"values": {"condition": {"neu": "fresh"}}}, "our values are new, used"),
        ({"numbers": {"decimal": ",", "thousands": ","}}, "must differ"),
        ({"numbers": {"decimal": ";"}}, "decimal"),
        ({"date_format": "%d.%m"}, "a day, a month and a year"),
        ({"date_format": "%d.%m.%Y %Q"}, "%Q is not one of"),
        ({"date_format": "%d.%m.%Y %y"}, "each once"),
        ({"columns": {}, "observed_on_in_file_name": "prices"}, "a day, a month and a year"),
        ({"pack": {"size": 10, "size_column": "VPE"}}, "either size or size_column"),
        ({"pack": {"size": 0}}, "greater than or equal"),
        ({"reading": {"separator": ";;"}}, "at most 1"),
        ({"reading": {"header_line": 0}}, "greater than or equal"),
        ({"reading": {"encoding": "utf-99"}}, "not a text encoding"),
        ({"reading": {"encoding": "base64"}}, "not a text encoding"),
    ],
)
def test_what_makes_no_sense_is_refused(changes: dict[str, Any], message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        profile(**changes)


def test_constants_may_be_numbers_dates_and_truths() -> None:
    made = profile(
        columns={}, constants={"revision_number": 3, "observed_on": date(2026, 10, 31), "part_code": "00501"}
    )
    assert made.constants == {"revision_number": "3", "observed_on": "2026-10-31", "part_code": "00501"}


def test_a_folder_of_profiles(tmp_path: Path) -> None:
    assert profiles.load_profiles(tmp_path / "absent") == []
    (tmp_path / "b.toml").write_text(example_text())
    (tmp_path / "notes.txt").write_text("no profile")
    assert [p.profile_name for p in profiles.load_profiles(tmp_path)] == ["hillside_prices"]
    (tmp_path / "a.toml").write_text(example_text())
    with pytest.raises(SettingsError, match="two profiles are called hillside_prices"):
        profiles.load_profiles(tmp_path)
    (tmp_path / "a.toml").write_text("profile_name = ")
    with pytest.raises(SettingsError, match="can't be read as TOML"):
        profiles.load_profiles(tmp_path)
    (tmp_path / "a.toml").write_text('profile_name = "x"\nsource_code = "x"\n')
    with pytest.raises(SettingsError, match="a.toml has wrong settings") as caught:
        profiles.load_profiles(tmp_path)
    assert "table: is missing" in caught.value.where


HEADER = ("Part", "Colour", "Price")


def found(file_name: str, *known: Profile, header: tuple[str, ...] = HEADER) -> str | None:
    match = profiles.recognise(file_name, lambda options: header, known)
    return match.profile_name if match else None


def test_files_are_recognised_by_name_and_columns() -> None:
    by_name = profile(recognise={"file_name": ["hill_*.csv", "hill-*.csv"]})
    assert found("hill_2026.csv", by_name) == found("HILL-1.CSV", by_name) == found("hill_1.csv.gz", by_name) == "hill"
    assert found("north_hill_1.csv", by_name) is None
    by_columns = profile(recognise={"columns": ["Price", "Part"]})
    assert found("x.csv", by_columns) == "hill"
    assert found("x.csv", by_columns, header=("Part",)) is None
    both = profile(recognise={"file_name": "hill_*", "columns": ["Price"]})
    assert found("hill_1", both) == "hill" and found("x", both) is None and found("hill_1", both, header=("a",)) is None


def test_the_header_is_read_as_the_profile_says() -> None:
    asked = []

    def header_under(options: ReadOptions) -> tuple[str, str, str]:
        asked.append(options)
        if options.header_line != 3:
            raise UnreadableFileError("no header")
        return HEADER

    known = [
        profile(recognise={"columns": ["Part"]}),
        profile(profile_name="third", recognise={"columns": ["Part"]}, reading={"header_line": 3}),
    ]
    assert present(profiles.recognise("x", header_under, known)).profile_name == "third"
    assert [options.header_line for options in asked] == [None, 3]


def test_a_file_that_two_profiles_fit_is_refused() -> None:
    with pytest.raises(InputError, match="several profiles fit the file: hill, other"):
        found("hill_1", profile(), profile(profile_name="other"))


@pytest.mark.parametrize(
    ("name", "pattern", "day"),
    [
        ("hill_20261031.csv", "_%Y%m%d", date(2026, 10, 31)),
        ("2026-10-31 hill.csv", "%Y-%m-%d", date(2026, 10, 31)),
        ("hill(31.10.26).csv", "(%d.%m.%y)", date(2026, 10, 31)),
        ("2026-10-31/2026-10-31.csv", "%Y-%m-%d", date(2026, 10, 31)),
        ("v20991231_20261031.csv", "_%Y%m%d.", date(2026, 10, 31)),
    ],
)
def test_dates_in_file_names(name: str, pattern: str, day: date) -> None:
    assert date_in_file_name(name, pattern) == day


@pytest.mark.parametrize(
    ("name", "pattern", "message"),
    [
        ("hill.csv", "%Y%m%d", "no date"), ("hill_20261331.csv", "%Y%m%d", "no date"), ("hill_202610311.csv", "%Y%m%d", "no date"),
        ("120261031.csv", "%Y%m%d", "no date"), ("2026-10-31_2026-11-01", "%Y-%m-%d", "several dates"),
    ],
)  # fmt: skip
def test_file_names_without_one_clear_date(name: str, pattern: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        date_in_file_name(name, pattern)


def test_a_summary_profile() -> None:
    made = profile(table="price_summary", columns={"average_price": "Mean"}, constants={})
    assert made.contract is PRICE_SUMMARY
