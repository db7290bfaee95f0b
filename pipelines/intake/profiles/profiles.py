"""Profiles: how the files of one source are recognised, read and turned into our columns.

One TOML file per source in the workspace's ``profiles/``. A file whose header already has our column names needs none.
All that a profile can state, with invented values; all but the first three keys and ``[recognise]`` may be left out::

    profile_name = "hillside_prices"
    source_code = "hillside"                   # names the source in tables/code_map
    table = "price_export"                     # or price_summary
    use_code_map = true                        # the source has its own part codes, translated by tables/code_map
    date_format = "%d.%m.%Y"                   # default %Y-%m-%d, which also fits date cells of a spreadsheet; %-d and
                                               # %-m for days and months without a leading zero
    observed_on_in_file_name = "_%Y%m%d"       # this piece of the file name is the date; leave out if a column has it

    [recognise]                                # all that is stated must fit
    file_name = "hillside_*.csv"               # one pattern or a list; case does not matter, .gz may follow
    columns = ["Art-Nr", "Farbe"]              # columns the header must have

    [reading]                                  # default: found by looking at the file
    encoding = "windows-1252"
    separator = ";"
    header_line = 2                            # title lines above the header are skipped
    sheet = "Prices"                           # of a spreadsheet; default the first

    [columns]                                  # our column = the file's column
    part_code = "Art-Nr"
    colour_code = "Farbe"
    unit_price = "Preis"
    quantity_available = "Bestand"

    [constants]                                # our column = the same value in every row, written as in our tables
    vendor_code = "hillside"
    currency_code = "EUR"
    condition = "new"
    coverage = "full"                          # full: the file lists all the vendor sells; partial closes nothing

    [values.colour_code]                       # the file's value = our value ("" for empty cells); one not named is quarantined,
                                               # or read as usual in columns of numbers and dates
    "Schwarz" = "black"
    "Hellgrau" = "light_grey"

    [numbers]                                  # a number written in another way is quarantined, never guessed
    decimal = ","                              # default .
    thousands = "."                            # "" (default) . , space or '

    [pack]                                     # prices are per pack: unit price = price / pack size, 6 decimals, half-up
    size_column = "VPE"                        # or: size = 10
    quantities_in = "packs"                    # default pieces; packs: quantity_available, step_from_quantity,
                                               # maximum_per_order and sold_in_multiples_of are multiplied by the size,
                                               # and sold_in_multiples_of is one pack where none is stated

Columns of the file that the profile does not name are ignored, except those that have one of our names: they are taken.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Sequence
from datetime import date, datetime
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, field_validator, model_validator

from pipelines.errors import InputError, SettingsError
from pipelines.intake.profiles.draft import FILL_IN
from pipelines.intake.reading.formats import FILE_NAME_FIELDS
from pipelines.intake.reading.readers import ReadOptions
from pipelines.money import is_currency
from pipelines.settings_base import load_toml
from schemas.all_columns import COLUMNS
from schemas.all_tables import INBOX
from schemas.contract import Contract

_DATE_FIELDS = {"%Y", "%y", "%m", "%-m", "%d", "%-d", "%b", "%B"}


def _as_list(value: Any) -> Any:
    return [value] if isinstance(value, str) else value


def _as_text(value: Any) -> Any:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime):
        return value
    return value.isoformat() if isinstance(value, date) else str(value) if isinstance(value, int | float) else value


TextList = Annotated[list[str], BeforeValidator(_as_list)]
PlainText = Annotated[str, BeforeValidator(_as_text)]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Recognise(_Strict):
    """How the source's files are recognised: by file name, by columns, or by both."""

    file_name: TextList = []
    columns: TextList = []


class Reading(_Strict):
    """How the file is written; what is not stated is found by looking at it."""

    encoding: str | None = None
    separator: str | None = Field(None, min_length=1, max_length=1)
    header_line: int | None = Field(None, ge=1)
    sheet: str | None = None

    @field_validator("encoding")
    @classmethod
    def _known_encoding(cls, value: str | None) -> str | None:
        with contextlib.suppress(UnicodeError):
            try:
                b"x".decode(value or "utf-8")
            except LookupError:
                raise ValueError(f"{value!r} is not a text encoding; try utf-8 or windows-1252") from None
        return value


class Numbers(_Strict):
    """How numbers are written."""

    decimal: Literal[".", ","] = "."
    thousands: Literal["", ".", ",", " ", "'"] = ""

    @model_validator(mode="after")
    def _distinct(self) -> Numbers:
        if self.decimal == self.thousands:
            raise ValueError("decimal and thousands must differ")
        return self


class Pack(_Strict):
    """Prices are per pack of this many pieces."""

    size: int | None = Field(None, ge=1, le=1_000_000)
    size_column: str | None = None
    quantities_in: Literal["pieces", "packs"] = "pieces"

    @model_validator(mode="after")
    def _one_size(self) -> Pack:
        if (self.size is None) == (self.size_column is None):
            raise ValueError("state either size or size_column")
        return self


class Profile(_Strict):
    """One file of profiles/; see the module's docstring for an example of everything."""

    profile_name: str = Field(min_length=1)
    source_code: str = Field(min_length=1)
    table: Literal["price_export", "price_summary"]
    use_code_map: bool = False
    date_format: str = "%Y-%m-%d"
    observed_on_in_file_name: str | None = None
    recognise: Recognise
    reading: Reading = Field(default_factory=Reading)
    columns: dict[str, str] = {}
    constants: dict[str, PlainText] = {}
    values: dict[str, dict[str, PlainText]] = {}
    numbers: Numbers = Field(default_factory=Numbers)
    pack: Pack | None = None

    @property
    def contract(self) -> Contract:
        """The table the rows belong to."""
        return next(contract for contract in INBOX if contract.name == self.table)

    @property
    def read_options(self) -> ReadOptions:
        """How to read a file of this source."""
        return ReadOptions(**self.reading.model_dump())

    @model_validator(mode="after")
    def _makes_sense(self) -> Profile:
        if not (self.recognise.file_name or self.recognise.columns):
            raise ValueError("recognise must state file_name or columns")
        _check_date_format(self.date_format, _DATE_FIELDS, "date_format")
        if self.observed_on_in_file_name is not None:
            _check_date_format(self.observed_on_in_file_name, set(FILE_NAME_FIELDS), "observed_on_in_file_name")
        known = self.contract.columns
        for place, names in (("columns", self.columns), ("constants", self.constants), ("values", self.values)):
            unknown = sorted(set(names) - set(known))
            if unknown:
                raise ValueError(f"{place}: {', '.join(unknown)} not among the columns of {self.table}")
        stated_twice = set(self.columns) & set(self.constants)
        if self.observed_on_in_file_name is not None:
            stated_twice |= {"observed_on"} & (set(self.columns) | set(self.constants))
        if stated_twice:
            raise ValueError(f"{', '.join(sorted(stated_twice))}: stated in two ways, keep one")
        for name, value in self.constants.items():
            _check_constant(name, value)
        unnamed = [ours for ours, theirs in self.columns.items() if theirs == FILL_IN]
        if unnamed:
            raise ValueError(f"columns: still to be filled in: {', '.join(unnamed)}")
        for name, mapping in self.values.items():
            unfilled = [theirs for theirs, ours in mapping.items() if ours == FILL_IN]
            if unfilled:
                shown = ", ".join(unfilled[:5]) + (", ..." if unfilled[5:] else "")
                raise ValueError(f"values.{name}: still to be filled in: {shown}")
            allowed = COLUMNS[name].allowed
            if allowed and not set(mapping.values()) <= set(allowed):
                raise ValueError(f"values.{name}: our values are {', '.join(allowed)}")
        return self


def _check_date_format(text: str, known: set[str], key: str) -> None:
    fields = re.findall(r"%-?.?", text)
    unknown = sorted(set(fields) - known)
    if unknown:
        raise ValueError(f"{key}: {', '.join(unknown)} is not one of {', '.join(sorted(known))}")
    kinds = sorted(field.lower().replace("-", "").replace("b", "m") for field in fields)
    if kinds != ["%d", "%m", "%y"]:
        raise ValueError(f"{key}: {text!r} must have a day, a month and a year, each once")


def _check_constant(name: str, value: str) -> None:
    column = COLUMNS[name]
    if value == FILL_IN:
        raise ValueError(f"constants: {name} is still to be filled in")
    if column.allowed and value not in column.allowed:
        raise ValueError(f"constants: {name} is {value!r}, must be {column.rule}")
    if name.endswith("currency_code") and not is_currency(value):
        raise ValueError(f"constants: {name} is {value!r}, not a currency of ISO 4217")
    if column.kind == "integer" and not re.fullmatch(r"\d{1,18}", value):
        raise ValueError(f"constants: {name} is {value!r}, not a whole number")
    if column.kind == "date":
        try:
            date.fromisoformat(value)
        except ValueError:
            raise ValueError(f"constants: {name} is {value!r}, not a date such as 2026-10-31") from None


def load_profiles(folder: Path) -> list[Profile]:
    """All profiles/*.toml, by file name; none when the folder is absent.

    Raises:
        SettingsError: a profile has a value that makes no sense, or two profiles have one name.
    """
    found: dict[str, Profile] = {}
    for path in sorted(folder.glob("*.toml")):
        profile = load_toml(path, Profile)
        if profile.profile_name in found:
            raise SettingsError(
                f"two profiles are called {profile.profile_name}", where=str(path), next_step="rename one of them"
            )
        found[profile.profile_name] = profile
    return list(found.values())


def recognise(
    file_name: str, header_with: Callable[[ReadOptions], Sequence[str]], profiles: Sequence[Profile]
) -> Profile | None:
    """The profile that fits a file; None when none does.

    Args:
        file_name: name under which the file was dropped.
        header_with: gives the file's header as a profile's reading options find it; if it raises InputError, the
            profile does not fit.
        profiles: those to choose from.

    Raises:
        InputError: two or more profiles fit.
    """
    fitting = [profile for profile in profiles if _fits(file_name, header_with, profile)]
    if len(fitting) > 1:
        names = ", ".join(profile.profile_name for profile in fitting)
        raise InputError(
            f"several profiles fit the file: {names}",
            where=file_name,
            state="the file is quarantined whole",
            next_step="change their [recognise] sections so that only one fits each file",
        )
    return fitting[0] if fitting else None


def _fits(file_name: str, header_with: Callable[[ReadOptions], Sequence[str]], profile: Profile) -> bool:
    patterns = profile.recognise.file_name
    if patterns:
        lowered = file_name.lower()
        names = {lowered, lowered.removesuffix(".gz")}
        if not any(fnmatchcase(name, pattern.lower()) for name in names for pattern in patterns):
            return False
    if not profile.recognise.columns:
        return True
    try:
        header = header_with(profile.read_options)
    except InputError:
        return False
    return set(profile.recognise.columns) <= set(header)


def own_contract(header: Sequence[str], line: int, name: str) -> Contract:
    """The contract whose columns a header has.

    Args:
        header: names of columns.
        line: its line.
        name: of the file.

    Raises:
        InputError: there is none; names what is missing.
    """
    for contract in INBOX:
        if set(contract.required) <= set(header):
            return contract
    closest = max(INBOX, key=lambda contract: len(set(contract.columns) & set(header)))
    missing = [column for column in closest.required if column not in header]
    lacking = (
        f"; of the columns of {closest.name} it lacks {', '.join(missing)}"
        if len(missing) < len(closest.required)
        else ""
    )
    shown = ", ".join(header[:20]) + (", ..." if len(header) > 20 else "")
    raise InputError(
        f"no profile fits the file, and its columns are not ours{lacking}",
        where=f"{name}, header on line {line}: {shown}",
        state="the file is quarantined whole",
        next_step="run `kitfare inspect FILE --draft-profile` and save what it prints under profiles/",
    )
