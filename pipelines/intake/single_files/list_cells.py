"""The cells of a parts list as its designer delivers it: rows with their lines, quantities as people write them, words of totals."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass

from pipelines.errors import UnreadableFileError
from pipelines.intake.profiles.guesses import is_named
from pipelines.intake.reading import text_files
from pipelines.intake.reading.readers import ReadOptions, Source
from pipelines.intake.reading.tabular import BLANKS

Row = tuple[int, list[str]]
"""A row's line in the file (spreadsheet: its row), and its cells without blanks around them."""

_SEPARATORS = (*dict.fromkeys((*text_files.SEPARATORS, "|")),)
_TOTAL = "total totals sum summe gesamt gesamtzahl insgesamt totalt summa somme suma totaal razem pieces"
_UNIT = r"(?:x|×|pcs?|pieces|stk|stück|st|szt|ks)?\.?"
_GROUPED = re.compile(r"[0-9]{1,3}(?:[.,'’ \u00a0\u202f][0-9]{3})+")
_NO_PIECES = ("", "-", "–", "—")


@dataclass(frozen=True)
class CutFile:
    """One way to cut a file into rows: a separator or a sheet. ``has_formulas``: of a spreadsheet."""

    name: str
    rows: list[Row]
    has_formulas: bool = False


def ways_to_cut(source: Source) -> list[CutFile]:
    """A file's rows by each separator or sheet it could have.

    Raises:
        UnreadableFileError: the file cannot be read.
    """
    if source.kind == "spreadsheet":
        names, first = source.sheet()
        has_formulas = _has_formulas(source.data)
        sheets = [(name, first if number == 0 else source.sheet(name)[1]) for number, name in enumerate(names[:10])]
        return [CutFile(f"sheet {name}", _trimmed(enumerate(rows, start=1)), has_formulas) for name, rows in sheets]
    if source.kind != "csv":
        table = source.read(ReadOptions())
        if table.problems.height:
            line, rule = table.problems.select("source_line_number", "quarantined_rule").row(0)
            raise UnreadableFileError(f"line {line} {rule}", where=source.name, next_step="correct the line")
        rows = [(row[0], ["" if cell is None else str(cell) for cell in row[2:]]) for row in table.frame.iter_rows()]
        return [CutFile("records", _trimmed([(0, list(table.header)), *rows]))]
    text, _ = source.text()
    found = []
    for separator in _SEPARATORS:
        try:
            rows = _trimmed(text_files.csv_rows(text, separator, 1, source.name))
        except UnreadableFileError:
            continue
        found.append(CutFile(f"separator {separator!r}", rows))
    if not found:
        raise UnreadableFileError(
            "its quotes do not close", where=source.name, next_step="correct the line, or save it anew"
        )
    return found


def _trimmed(rows: object) -> list[Row]:
    return [(line, [cell.strip(BLANKS + "\ufeff") for cell in cells]) for line, cells in rows if any(cells)]  # type: ignore[attr-defined]


def _has_formulas(data: bytes) -> bool:
    with zipfile.ZipFile(io.BytesIO(data)) as packed:
        names = [n for n in packed.namelist() if n.startswith("xl/worksheets/") or n == "content.xml"]
        return any(re.search(rb"<f[ >]|table:formula=", packed.read(name)) for name in names)


def is_total(cells: Sequence[str]) -> bool:
    """Whether a row is a total: its first filled cell is a word for it, with no other text beside it."""
    texts = [cell for cell in cells if cell and not re.search(r"[0-9]", cell)]
    return bool(texts) and len(texts) <= 2 and is_named(texts[0], _TOTAL) >= 10


def is_total_name(name: str) -> bool:
    """Whether a column is called a total."""
    return is_named(name, _TOTAL) >= 10


def says_no_pieces(text: str) -> bool:
    """Whether a cell of a list with a column per colour says that the part is not needed in it."""
    return text in _NO_PIECES or bool(re.fullmatch(r"0+(?:[.,]0+)?", text))


def looks_like_quantity(text: str) -> bool:
    """Whether a cell is a number as a quantity might be written, right or wrong."""
    return bool(
        re.fullmatch(rf"[x×]?\s*[+-]?[0-9][0-9.,'’ \u00a0\u202f]*\s*{_UNIT}", text, re.IGNORECASE)
    ) or text.startswith("=")


def quantity_of(text: str, decimal_signs: str = "") -> int | str:
    """The pieces that a cell states, or what is wrong with it.

    Args:
        text: the cell, without blanks around it.
        decimal_signs: signs that stand before decimals elsewhere in the column, so that they do not part thousands.
    """
    if not text:
        return "the quantity is missing"
    if text.startswith("="):
        return f"{text} is a formula, not its value"
    found = re.fullmatch(rf"[x×]?\s*(-?)\+?([0-9][0-9.,'’ \u00a0\u202f]*?)\s*{_UNIT}", text, re.IGNORECASE)
    if found is None:
        return f"{text} is not a number of pieces"
    sign, number = found.groups()
    if sign:
        return f"{text} is negative"
    if re.fullmatch(r"[0-9]{1,9}", number):
        return int(number)
    if _GROUPED.fullmatch(number):
        signs = set(re.sub(r"[0-9]", "", number))
        if len(signs) > 1 or len(number) > 12:
            return f"{text} is not a number of pieces"
        if signs & {".", ","} and (set(decimal_signs) & signs or re.fullmatch(r"[0-9]+[.,]000", number)):
            whole = re.split(r"[.,]", number)[0]
            return f"{text} could be {whole} or {re.sub(r'[^0-9]', '', number)}"
        return int(re.sub(r"[^0-9]", "", number))
    if re.fullmatch(r"[0-9]{1,9}[.,]0+", number):
        return int(re.split(r"[.,]", number)[0])
    if re.fullmatch(r"[0-9]+[.,][0-9]+", number):
        return f"{text} is not a whole number"
    return f"{text} is not a number of pieces"


def decimal_signs(cells: Sequence[str]) -> str:
    """The signs before decimals in a column: followed by other than three digits."""
    found = {m[1] for cell in cells if (m := re.fullmatch(r"-?[0-9]+([.,])(?:[0-9]{1,2}|[0-9]{4,})", cell))}
    return "".join(sorted(found))
