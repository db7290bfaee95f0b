"""A parts list as its designer delivers it, as lines of ours: columns found by names and values, every row kept or reported."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path

from pipelines.errors import InputError
from pipelines.intake.reading.readers import open_source
from pipelines.intake.single_files import list_cells
from pipelines.intake.single_files.list_columns import KnownCodes, ListHeader, find_header

_MOST_PIECES = 1_000_000


@dataclass(frozen=True)
class ListLine:
    """One line of a list: where the file has it, and what it needs."""

    source_line: int
    part_code: str
    colour_code: str
    quantity: int
    section_code: str = ""


@dataclass
class ListTable:
    """What a file holds. With ``problems`` or ``questions`` it must not be used as it is.

    columns: for part, colour, quantity and section as far as found, the file's column and how sure that is. notes: what was read in a way worth a look.
    problems: rows or totals that are wrong, with their line. questions: what the file does not show, with the option that answers.
    """

    lines: list[ListLine] = field(default_factory=list)
    columns: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    questions: list[str] = field(default_factory=list)

    @property
    def piece_count(self) -> int:
        """Pieces of all lines."""
        return sum(line.quantity for line in self.lines)


def read_list(path: Path, known: KnownCodes, columns: Mapping[str, str] | None = None) -> ListTable:
    """Read a parts list of any usual layout.

    Args:
        path: CSV of any separator, TSV, XLSX, ODS or JSON lines; titles, two header lines and totals are recognised; one row per
            part and colour, or one column per colour.
        known: codes of the workspace.
        columns: the file's column for part, colour, quantity or section, as the user states it.

    Raises:
        InputError: the file can't be read, holds no table, or lacks a stated column.
    """
    stated = dict(columns or {})
    source = open_source(path)
    ways = list_cells.ways_to_cut(source)
    best = find_header(ways, known, stated)
    if best is None:
        lacking = f" with the columns {', '.join(map(repr, stated.values()))}" if stated else ""
        raise InputError(
            f"no table of parts{lacking} was found in the file",
            where=path.name,
            state="nothing was written",
            next_step="name the columns in a header line above the rows, or correct --part, --colour, --quantity",
        )
    table = _Reading(best, known).table
    others = [cells.name for cells in ways if cells is not best.cells and cells.rows and source.kind == "spreadsheet"]
    unused = [
        name
        for n, name in enumerate(best.names)
        if name and n not in best.roles.values() and n not in best.wide and any(cells[n] for _, cells in best.rows)
    ]
    above = [str(line) for line, _ in best.cells.rows[: best.first - best.height]]
    for what, names in (("columns", unused), ("lines above the header", above), ("other sheets", others)):
        if names:
            table.notes.append(f"{what} not used: {', '.join(names)}")
    return table


class _Reading:
    """Turns the rows below a header into lines, and says what becomes of every row."""

    def __init__(self, header: ListHeader, known: KnownCodes) -> None:
        self.header, self.known, self.table = header, known, ListTable()
        names = header.names
        self.table.columns = {role: f"{names[n]!r} ({header.sure[role]})" for role, n in header.roles.items()}
        if header.wide:
            self.table.columns["colour"] = f"a column per colour: {', '.join(names[n] for n in header.wide)}"
        for role in ("part", "colour", "quantity"):
            if role not in header.roles and not (header.wide and role != "part"):
                could = [names[n] for n in header.doubtful.get(role, [])] or [name for name in names if name]
                self.table.questions.append(f"which column has the {role}? --{role} NAME, one of: {', '.join(could)}")
        if self.table.questions:
            return
        columns = header.wide or [header.roles["quantity"]]
        self.signs = list_cells.decimal_signs([cells[n] for _, cells in header.rows for n in columns])
        self.part = ""
        self.totals: list[tuple[int, list[str]]] = []
        for line, cells in header.rows:
            self._row(line, cells)
        self._check_totals(columns)
        self._note_repeats()
        if not self.table.lines and not self.table.problems:
            self.table.problems.append("the list has no lines")

    def _row(self, line: int, cells: list[str]) -> None:
        roles = self.header.roles
        if cells == self.header.names:
            self.table.notes.append(f"line {line} repeats the header and was left out")
            return
        if list_cells.is_total(cells):
            self.totals.append((line, cells))
            return
        part = cells[roles["part"]]
        section = cells[roles["section"]] if "section" in roles else ""
        amounts = [(self.header.names[n], cells[n]) for n in self.header.wide]
        if not self.header.wide:
            amounts = [(cells[roles["colour"]], cells[roles["quantity"]])]
        if not part:
            filled = [cell for cell in cells if cell]
            if self.part and all(colour and quantity for colour, quantity in amounts) and not self.header.wide:
                part = self.part
                self.table.notes.append(f"line {line} names no part and takes {part} from above (merged cells): check")
            else:
                self.table.problems.append(f"line {line} has no part: {' '.join(filled)[:60]}")
                return
        self.part = part
        if self.header.wide:
            amounts = [pair for pair in amounts if not list_cells.says_no_pieces(pair[1])]
            if not amounts:
                self.table.problems.append(f"line {line}: {part} has no quantity in any colour{self._formula_word()}")
            self._check_row_total(line, cells, [text for _, text in amounts])
        for colour, quantity in amounts:
            self._line(line, part, colour, quantity, section)

    def _line(self, line: int, part: str, colour: str, text: str, section: str) -> None:
        pieces = list_cells.quantity_of(text, self.signs)
        if pieces == 0 and not self.header.cells.has_formulas:
            self.table.notes.append(f"line {line}: {part} in {colour} needs 0 pieces and was left out")
            return
        if pieces == 0:
            pieces = "the quantity is 0"
        if isinstance(pieces, int) and pieces > _MOST_PIECES:
            pieces = f"{text} is more than {_MOST_PIECES:,}"
        if isinstance(pieces, str):
            self.table.problems.append(f"line {line}: {pieces}{self._formula_word()}")
            return
        if not text.isdecimal():
            self.table.notes.append(f"line {line}: {text} was read as {pieces} pieces")
        code = self.known.colours.get(colour.casefold())
        if code is None:
            named = f"colour {colour} is not in tables/colours" if colour else "the colour is missing"
            self.table.problems.append(f"line {line}: {named}{_near(colour.casefold(), list(self.known.colours))}")
            return
        if self.known.part_map and part not in self.known.part_map:
            self.table.problems.append(
                f"line {line}: part {part} is not in the code map{_near(part, list(self.known.part_map))}"
            )
            return
        part = self.known.part_map.get(part, part)
        if self.known.parts and part not in self.known.parts:
            self.table.notes.append(
                f"line {line}: part {part} is not in tables/parts{_near(part, list(self.known.parts))}"
            )
        self.table.lines.append(ListLine(line, part, code, pieces, section))

    def _check_row_total(self, line: int, cells: list[str], amounts: list[str]) -> None:
        pieces = [each for text in amounts if isinstance(each := list_cells.quantity_of(text, self.signs), int)]
        for name, text in zip(self.header.names, cells, strict=False):
            if text and list_cells.is_total_name(name) and list_cells.quantity_of(text, self.signs) != sum(pieces):
                self.table.problems.append(f"line {line}: {name} is {text}, but its colours have {sum(pieces)} pieces")

    def _formula_word(self) -> str:
        return (
            "; the sheet has formulas: open it and save it with their values" if self.header.cells.has_formulas else ""
        )

    def _check_totals(self, columns: list[int]) -> None:
        for line, cells in self.totals:
            stated = [
                list_cells.quantity_of(cells[n])
                for n in range(len(cells))
                if cells[n] and list_cells.looks_like_quantity(cells[n])
            ]
            numbers = [each for each in stated if isinstance(each, int)]
            pieces, count = self.table.piece_count, len(self.table.lines)
            if len(columns) > 1 and len(numbers) > 1:
                by_colour = Counter[str]()
                for each in self.table.lines:
                    by_colour[each.colour_code] += each.quantity
                own = [list_cells.quantity_of(cells[n]) for n in columns if cells[n]]
                sums = [
                    by_colour[self.known.colours.get(self.header.names[n].casefold(), "")] for n in columns if cells[n]
                ]
                is_right = own == sums and set(numbers) <= {*sums, pieces, count}
            else:
                is_right = bool(numbers) and pieces in numbers and set(numbers) <= {pieces, count}
            if is_right:
                self.table.notes.append(f"the total on line {line} agrees: {pieces} pieces")
            elif not self.table.problems:
                shown = ", ".join(cell for cell in cells if cell)
                self.table.problems.append(
                    f"line {line}: the total ({shown}) is not that of the lines: {count} lines, {pieces} pieces"
                )

    def _note_repeats(self) -> None:
        places: dict[tuple[str, str, str], list[int]] = {}
        for each in self.table.lines:
            places.setdefault((each.part_code, each.colour_code, each.section_code), []).append(each.source_line)
        for (part, colour, _), lines in places.items():
            if len(lines) > 1:
                self.table.notes.append(
                    f"lines {', '.join(map(str, lines))} are all {part} in {colour}; each stays a line of its own"
                )


def _near(text: str, known: Sequence[str]) -> str:
    found = get_close_matches(text, known, 3, 0.6) if text else []
    return f"; nearest: {', '.join(found)}" if found else ""
