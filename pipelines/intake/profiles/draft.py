"""The draft of a profile for an unknown file: what the file shows, what is guessed, and what the user must fill in."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl

from pipelines.errors import InputError
from pipelines.intake.profiles import guesses
from pipelines.intake.profiles.layout import Layout, find_layout
from pipelines.intake.reading.formats import date_in_file_name
from pipelines.intake.reading.readers import TextTable, open_source
from pipelines.intake.reading.tabular import BLANKS
from pipelines.plain_files import name_text
from schemas.contract import Contract
from schemas.inputs.price_files import PRICE_EXPORT, PRICE_SUMMARY

FILL_IN = "FILL IN"
"""Marks what only the user knows; a profile that still contains it is refused."""

_SAMPLE_ROWS = 5000
_SHOWN_VALUES = 300
_PRICES = ("unit_price", "lowest_price", "average_price")
_NUMBERS = (*_PRICES, "quantity_available", "step_from_quantity", "sold_in_multiples_of", "offer_vendor_count")


def draft_profile(path: Path, colours: pl.DataFrame | None = None) -> str:
    """A profile for a file, as TOML with comments; the user must fill in every line with FILL IN before it works.

    Finds the encoding, the separator and the header line below any titles, and guesses the columns and how numbers and dates are
    written from names and values.

    Args:
        path: the file.
        colours: the table colours; with it the file's colours are matched by code or name, and the others left to fill in.

    Raises:
        UnreadableFileError: the file cannot be read at all.
    """
    source = open_source(path)
    layout = find_layout(source)
    codes = {} if colours is None else _codes_by_word(colours)
    return _Draft(name_text(path.name), layout, source.read(layout.options), codes).text()


def _codes_by_word(colours: pl.DataFrame) -> dict[str, str]:
    """The colour code that a colour's name or code stands for, whatever its case; codes come before names."""
    pairs = colours.select("colour_name", "colour_code").rows()
    return {name.casefold(): code for name, code in pairs} | {code.casefold(): code for _, code in pairs}


@dataclass
class _Draft:
    file_name: str
    layout: Layout
    table: TextTable
    codes: dict[str, str]
    values: dict[str, pl.Series] = field(init=False)
    roles: dict[str, str] = field(init=False)
    by_value: set[str] = field(init=False)
    contract: Contract = field(init=False)

    def __post_init__(self) -> None:
        names = [name for name in self.table.header if not name.startswith("(column ")]
        frame = self.table.frame.head(_SAMPLE_ROWS)
        self.values = {name: _filled(frame[name]) for name in names if name in frame.columns}
        roles, by_value = guesses.column_roles(self.values, PRICE_SUMMARY.columns)
        self.contract = PRICE_SUMMARY
        if "average_price" not in roles:
            roles, by_value = guesses.column_roles(self.values, PRICE_EXPORT.columns)
            self.contract = PRICE_EXPORT
        self.roles, self.by_value = roles, by_value

    def text(self) -> str:
        """The draft."""
        sections = [self._top(), self._recognise(), self._reading(), self._columns(), self._constants()]
        sections += [self._condition_values(), self._colour_values(), self._numbers(), self._pack()]
        head = f"# Draft of a profile for {self.file_name}. Complete the lines marked {FILL_IN}; look at those marked check."
        return "\n\n".join([head, *("\n".join(lines) for lines in sections if lines)]) + "\n"

    def _top(self) -> list[str]:
        name = _plain_name(self.file_name)
        lines = [
            f"profile_name = {_quoted(name)}",
            f"source_code = {_quoted(name)}   # names the source in tables/code_map",
            f"table = {_quoted(self.contract.name)}",
            "use_code_map = false   # true: its part codes are its own, and tables/code_map translates them",
        ]
        if "observed_on" in self.roles:
            fitting = guesses.date_formats(self.values[self.roles["observed_on"]]) or ["%Y-%m-%d"]
            caution = f"   # {' or '.join(fitting[1:])} would fit as well: check" if fitting[1:] else ""
            lines.append(f"date_format = {_quoted(fitting[0])}{caution}")
        elif (pattern := self._date_in_file_name()) is not None:
            lines.append(f"observed_on_in_file_name = {_quoted(pattern)}   # where the file name has the date")
        return lines

    def _date_in_file_name(self) -> str | None:
        for pattern in guesses.FILE_NAME_DATES:
            try:
                day = date_in_file_name(self.file_name, pattern)
            except InputError:
                continue
            if 1990 <= day.year <= 2100:
                return pattern
        return None

    def _recognise(self) -> list[str]:
        pattern = re.sub(r"[0-9][0-9._-]*(?<=[0-9])", "*", self.file_name.removesuffix(".gz"))
        named = [_quoted(column) for column in self.values if column in self.roles.values()]
        lines = ["[recognise]", f"file_name = {_quoted(pattern)}"]
        return [*lines, f"columns = [{', '.join(named)}]"] if named else lines

    def _reading(self) -> list[str]:
        options, lines = self.layout.options, ["[reading]"]
        if options.sheet is not None:
            lines.append(f"sheet = {_quoted(options.sheet)}")
        if options.encoding is not None:
            caution = "   # a guess; if letters look wrong, correct it" if self.table.notes else ""
            lines.append(f"encoding = {_quoted(options.encoding)}{caution}")
        if options.separator is not None:
            lines.append(f"separator = {_quoted(options.separator)}")
        if options.header_line is not None:
            lines.append(f"header_line = {options.header_line}")
        lines += [f"# above the header: {title[:100]}" for title in self.layout.titles[:5]]
        return lines if len(lines) > 1 else []

    def _columns(self) -> list[str]:
        lines = ["[columns]   # our column = the file's column"]
        for name in self.contract.columns:
            if name in self.roles:
                caution = "   # guessed by its values: check" if name in self.by_value else ""
                lines.append(f"{name} = {_quoted(self.roles[name])}{caution}")
        for name in ("part_code", "colour_code", *_PRICES[:1], "quantity_available"):
            if name in self.contract.required and name not in self.roles:
                lines.append(f"{name} = {_quoted(FILL_IN)}   # which column is it?")
        ignored = [column for column in self.values if column not in self.roles.values()]
        return [*lines, f"# not used: {', '.join(ignored)}"] if ignored else lines

    def _constants(self) -> list[str]:
        lines = ["[constants]   # the same value in every row"]
        if "vendor_code" in self.contract.required and "vendor_code" not in self.roles:
            lines.append(f"vendor_code = {_quoted(FILL_IN)}   # the vendor, as in tables/vendors")
        if "currency_code" not in self.roles:
            found = guesses.currency_in_text(" ".join([*self.layout.titles, *self.table.header]))
            caution = "found beside the table: check" if found else "currency of the prices, ISO 4217"
            lines.append(f"currency_code = {_quoted(found or FILL_IN)}   # {caution}")
        if "condition" not in self.roles:
            lines.append('condition = "new"   # no column says so: check')
        if "observed_on" not in self.roles and self._date_in_file_name() is None:
            found = next(filter(None, map(guesses.date_in_text, self.layout.titles)), None)
            advice = "right for this file only; better put the date into file names, see observed_on_in_file_name"
            lines.append(f"observed_on = {_quoted(found or FILL_IN)}   # {advice}")
        if self.contract == PRICE_EXPORT and "coverage" not in self.roles:
            lines.append(
                'coverage = "partial"   # full: the file lists all the vendor sells, so what is not in it is gone'
            )
        return lines if len(lines) > 1 else []

    def _condition_values(self) -> list[str]:
        if "condition" not in self.roles:
            return []
        meanings = guesses.condition_values(self.values[self.roles["condition"]])
        if set(meanings) <= {"new", "used"}:
            return []
        lines = ["[values.condition]   # the file's value = new or used"]
        return lines + [f"{_quoted(value)} = {_quoted(ours or FILL_IN)}" for value, ours in meanings.items()]

    def _colour_values(self) -> list[str]:
        if "colour_code" not in self.roles:
            return []
        found = _filled(self.table.frame[self.roles["colour_code"]]).unique().sort().to_list()
        if not self.codes or len(found) > _SHOWN_VALUES:
            lines = [
                "# If these are not the codes of tables/colours, take away the # and write our code behind each; list all of them.",
                "# [values.colour_code]",
            ]
            lines += [f"# {_quoted(value)} = {_quoted(value)}" for value in found[:_SHOWN_VALUES]]
            return [*lines, f"# and {len(found) - _SHOWN_VALUES} more"] if len(found) > _SHOWN_VALUES else lines
        if set(found) <= set(self.codes.values()):
            return []
        lines = ["[values.colour_code]   # the file's colour = ours; rows of a colour without a line are quarantined"]
        return lines + [f"{_quoted(value)} = {_quoted(self.codes.get(value.casefold(), FILL_IN))}" for value in found]

    def _numbers(self) -> list[str]:
        columns = [self.values[self.roles[name]] for name in _NUMBERS if name in self.roles]
        if not columns:
            return []
        decimal, thousands = guesses.number_format(pl.concat(columns))
        found = any(name in self.roles for name in _PRICES)
        caution = "" if found else "   # the column of prices was not found: check how it writes decimals"
        return ["[numbers]", f"decimal = {_quoted(decimal)}{caution}", f"thousands = {_quoted(thousands)}"]

    def _pack(self) -> list[str]:
        column = guesses.pack_column([name for name in self.values if name not in self.roles.values()])
        if column is None:
            return []
        return ["# If prices are per pack, take away the #.", "# [pack]", f"# size_column = {_quoted(column)}"]


def _filled(cells: pl.Series) -> pl.Series:
    trimmed = cells.str.strip_chars(BLANKS)
    return trimmed.filter(trimmed.is_not_null() & (trimmed != ""))


def _plain_name(file_name: str) -> str:
    stem = file_name.removesuffix(".gz").rsplit(".", 1)[0].lower()
    return re.sub(r"[^a-z]+", "_", stem).strip("_") or "source"


def _quoted(text: str) -> str:
    """A TOML string; JSON writes the same escapes, but leaves one control character bare."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")
