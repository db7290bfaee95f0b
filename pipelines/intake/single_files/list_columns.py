"""Where the columns of a parts list are: all headers a file could have, and the one whose columns are complete and named best."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from pipelines.intake.profiles.guesses import WORDS, is_named
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


@dataclass(frozen=True)
class KnownCodes:
    """What the workspace knows: a colour's code by its code or name in lower case; parts; a source's part codes as ours."""

    colours: Mapping[str, str]
    parts: Sequence[str] = ()
    part_map: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class ListHeader:
    """A header, what its columns are, how that is known, and the columns that could be several things."""

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
        """The rows below it, each as wide as it is, with their lines."""
        width = len(self.names)
        return [(line, [*cells, *[""] * (width - len(cells))]) for line, cells in self.cells.rows[self.first :]]


def find_header(ways: Sequence[CutFile], known: KnownCodes, stated: Mapping[str, str]) -> ListHeader | None:
    """The header that fits best, of all ways to cut a file into rows; None where nothing is like a table of parts."""
    found = [
        header
        for cells in ways
        for at in range(min(30, len(cells.rows) - 1))
        for height in (1, 2)
        if (header := _header(cells, at, height, known, stated)) is not None
    ]
    return max(found, key=_goodness, default=None)


def _goodness(header: ListHeader) -> tuple[int, ...]:
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


def _header(cells: CutFile, at: int, height: int, known: KnownCodes, stated: Mapping[str, str]) -> ListHeader | None:
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
) -> ListHeader | None:
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
            if not list_cells.is_total_name(names[n]) and min(wide) - 2 < n < max(wide) + 2
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
    return ListHeader(cells, names, first, height, roles, sure, doubtful, wide)


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
        return all(is_named(names[n], words) < 10 for words in (_NAME_WORDS, _WORDS["colour"], _WORDS["section"]))
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
