"""A parts list as its designer delivers it, as lines of ours: columns found by names and values, every row kept or reported."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path

from pipelines.errors import InputError
from pipelines.intake.profiles.guesses import WORDS, is_named
from pipelines.intake.reading.readers import open_source
from pipelines.intake.single_files import list_cells
from pipelines.intake.single_files.list_cells import CutFile, Row

ROLES = ("part", "colour", "quantity", "section")
_WORDS = {
    "part": WORDS["part_code"],
    "colour": WORDS["colour_code"],
    "quantity": WORDS["quantity_available"] + " needed need pcs count stück styck amount",
    "section": "section bag step assembly abschnitt baugruppe sektion sous-ensemble",
}
_NAME_WORDS = "name description bezeichnung beschreibung benämning omschrijving nom title text"
_POSITION_WORDS = "line pos position zeile rad # row lfd"
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

    columns: for each of ROLES found, the file's column and how sure that is. notes: what was read in a way worth a look.
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


@dataclass(frozen=True)
class KnownCodes:
    """What the workspace knows: a colour's code by its code or name in lower case; parts; a source's part codes as ours."""

    colours: Mapping[str, str]
    parts: Sequence[str] = ()
    part_map: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class _Header:
    cells: CutFile
    names: list[str]
    first: int  # index of the first row below it
    height: int
    roles: dict[str, int]
    sure: dict[str, str]
    doubtful: dict[str, list[int]]
    wide: list[int]

    @property
    def rows(self) -> list[Row]:
        width = len(self.names)
        return [(line, [*cells, *[""] * (width - len(cells))]) for line, cells in self.cells.rows[self.first :]]


def read_list(path: Path, known: KnownCodes, columns: Mapping[str, str] | None = None) -> ListTable:
    """Read a parts list of any usual layout.

    Args:
        path: CSV of any separator, TSV, XLSX, ODS or JSON lines; titles, two header lines and totals are recognised; one row per
            part and colour, or one column per colour.
        known: codes of the workspace.
        columns: the file's column for some of ROLES, as the user states it.

    Raises:
        InputError: the file can't be read, holds no table, or lacks a stated column.
    """
    stated = dict(columns or {})
    found = [
        header
        for cells in list_cells.ways_to_cut(open_source(path))
        for at in range(min(30, len(cells.rows) - 1))
        for height in (1, 2)
        if (header := _header(cells, at, height, known, stated)) is not None
    ]
    if not found:
        lacking = f" with the columns {', '.join(map(repr, stated.values()))}" if stated else ""
        raise InputError(
            f"no table of parts{lacking} was found in the file",
            where=path.name,
            state="nothing was written",
            next_step="name the columns in a header line above the rows, or correct --part, --colour, --quantity",
        )
    return _Reading(max(found, key=_goodness), known).table


def _goodness(header: _Header) -> tuple[int, ...]:
    sample = header.rows[:200]
    quantity = header.roles.get("quantity")
    fitting = sum(
        any(list_cells.looks_like_quantity(cells[n]) for n in ([quantity] if quantity is not None else header.wide))
        and bool(cells[header.roles["part"]] if "part" in header.roles else True)
        for _, cells in sample
    )
    is_complete = "part" in header.roles and (
        "quantity" in header.roles and "colour" in header.roles or bool(header.wide)
    )
    named = sum(how == "by its name" for how in header.sure.values())
    above = sum(1 for name in header.names if list_cells.looks_like_quantity(name))
    return (
        is_complete,
        named + len(header.wide) - above,
        -len(header.doubtful),
        fitting - len(sample),
        -header.height,
        -header.first,
    )


def _header(cells: CutFile, at: int, height: int, known: KnownCodes, stated: Mapping[str, str]) -> _Header | None:
    rows = [row for _, row in cells.rows[at : at + height]]
    if len(rows) < height or len(cells.rows) <= at + height:
        return None
    width = max(len(row) for _, row in cells.rows[at : at + 50])
    padded = [[*row, *[""] * (width - len(row))] for row in rows]
    if height == 2:
        if sum(map(bool, padded[0])) < 2:
            return None  # A title, not a header.
        # A title over several columns stands in the first of them; the cells that it covers are empty.
        above, last = [], ""
        for name, below in zip(*padded, strict=True):
            last = name or (last if below else "")
            above.append(last)
        if any(list_cells.looks_like_quantity(cell) for row in padded for cell in row) or not all(
            padded[1][n] or padded[0][n] for n in range(width)
        ):
            return None
        names = [
            " ".join(filter(None, pair)) if pair[0] != pair[1] else pair[0]
            for pair in zip(above, padded[1], strict=True)
        ]
    else:
        names = padded[0]
    filled = [name for name in names if name]
    if len(filled) < 2 or len(set(filled)) < len(filled):
        return None
    if any(name not in names for name in stated.values()):
        return None
    return _with_roles(cells, names, at, height, known, stated)


def _with_roles(
    cells: CutFile, names: list[str], at: int, height: int, known: KnownCodes, stated: Mapping[str, str]
) -> _Header | None:
    width, first = len(names), at + height
    body = [row for _, row in cells.rows[first:] if not list_cells.is_total(row)]
    values = [[row[n] for row in body if n < len(row) and row[n]] for n in range(width)]
    if not body:
        return None
    colours = {n for n in range(width) if names[n].casefold() in known.colours}
    numbers = {n for n in range(width) if values[n] and _share(values[n], list_cells.looks_like_quantity) >= 0.5}
    positions = {
        n
        for n in numbers
        if is_named(names[n], _POSITION_WORDS) >= 10
        or values[n] == [str(k) for k in range(1, len(values[n]) + 1)]
        and len(values[n]) > 2
    }
    roles = {role: names.index(name) for role, name in stated.items()}
    sure, doubtful = dict.fromkeys(roles, "as stated"), dict[str, list[int]]()
    wide = sorted(colours & (numbers | {n for n in range(width) if not values[n]})) if "colour" not in stated else []
    if len(wide) >= 2 and "colour" not in roles:
        taken = set(wide)
        plain = [
            n
            for n in sorted(numbers - taken - positions)
            if not list_cells.is_total_name(names[n]) and min(wide) < n < max(wide) + 2
        ]
        wide = sorted({*wide, *(n for n in plain if not any(is_named(names[n], w) for w in _WORDS.values()))})
    else:
        wide = []
    # Names first, for every role; then values, part codes last, because many other texts look like them.
    for role, is_by_name in [
        *((role, True) for role in ROLES),
        ("colour", False),
        ("quantity", False),
        ("part", False),
    ]:
        if role in roles or role in doubtful or (wide and role in ("colour", "quantity")):
            continue
        free = [n for n in range(width) if n not in roles.values() and n not in wide and values[n]]
        free = [n for n in free if _may_be(role, n, names, values, numbers, positions, known)]
        if is_by_name:
            named = {n: is_named(names[n], _WORDS[role]) for n in free}
            best = [n for n in free if named[n] and named[n] == max(named.values())]
        else:
            best = [n for n in free if _looks(role, n, values, numbers, known)]
        if len(best) > 1 and role == "colour":
            shares = {n: _share(values[n], lambda text: text.casefold() in known.colours) for n in best}
            best = [max(best, key=lambda n: shares[n])]
        if len(best) == 1:
            roles[role], sure[role] = best[0], "by its name" if is_by_name else "by its values"
        elif best:
            doubtful[role] = best
    return _Header(cells, names, first, height, roles, sure, doubtful, wide)


def _may_be(
    role: str,
    n: int,
    names: list[str],
    values: list[list[str]],
    numbers: set[int],
    positions: set[int],
    known: KnownCodes,
) -> bool:
    if n in positions or (role != "quantity" and list_cells.is_total_name(names[n])):
        return False
    if role == "quantity":
        return n in numbers
    if role == "part":
        return is_named(names[n], _NAME_WORDS) < 10 and is_named(names[n], _WORDS["colour"]) < 10
    if role == "colour":
        return n not in numbers or _share(values[n], lambda text: text.casefold() in known.colours) > 0.5
    return True


def _looks(role: str, n: int, values: list[list[str]], numbers: set[int], known: KnownCodes) -> bool:
    if role == "quantity":
        return _share(values[n], list_cells.looks_like_quantity) >= 0.9
    if role == "colour":
        return _share(values[n], lambda text: text.casefold() in known.colours) >= 0.6
    if known.parts or known.part_map:
        return _share(values[n], lambda text: text in known.parts or text in known.part_map) >= 0.6
    return n not in numbers and all(" " not in text for text in values[n])


def _share(values: Sequence[str], fits: object) -> float:
    return sum(map(fits, values)) / len(values) if values else 0.0  # type: ignore[call-overload]


class _Reading:
    """Turns the rows below a header into lines, and says what becomes of every row."""

    def __init__(self, header: _Header, known: KnownCodes) -> None:
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
