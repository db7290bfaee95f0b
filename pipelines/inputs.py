"""The validated contents of a workspace: what intake returns and every later room takes.

They stand here because intake and the later rooms do not import each other. So does which line a decision is about: intake
writes decisions, demand uses them.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import polars as pl

if TYPE_CHECKING:
    from pipelines.settings import ModelSettings, Settings

RATE_MAXIMUM_AGE_DAYS = 7
"""An exchange rate older than this is not used; the vendor is left out and named."""


@dataclass(frozen=True, eq=False)
class Model:
    """One model: its model.toml and its validated tables (contracts PARTS_LIST, FLEXIBLE_LINES, AMENDMENTS)."""

    settings: ModelSettings
    parts_list: pl.DataFrame
    flexible_lines: pl.DataFrame
    amendments: pl.DataFrame

    @property
    def model_code(self) -> str:
        """The model's code."""
        return self.settings.model_code


@dataclass(frozen=True, eq=False)
class WorkspaceInputs:
    """Settings, every workspace table by contract name (empty where there is no file), models, and files read.

    ``input_files`` follows the contract INPUT_FILE: each file with its content hash, so that any published number can be
    traced to its inputs. ``remarks`` are sentences about what is odd in the files but not refused. Equal only to itself, so that results can be cached by it.
    """

    settings: Settings
    tables: dict[str, pl.DataFrame]
    models: tuple[Model, ...]
    input_files: pl.DataFrame
    remarks: tuple[str, ...] = ()

    def model(self, model_code: str) -> Model:
        """The model of a code, which must exist."""
        return next(model for model in self.models if model.model_code == model_code)


def exchange_rate_on(rates: pl.DataFrame, from_currency: str, to_currency: str, day: date) -> Fraction | None:
    """Units of ``to_currency`` for one of ``from_currency`` on a date: the latest rate within 7 days, or its inverse.

    Args:
        rates: the table exchange_rates.

    Returns:
        The exact rate, without any margin; None when neither direction has a rate of the last 7 days.
    """
    if from_currency == to_currency:
        return Fraction(1)
    oldest = day - timedelta(days=RATE_MAXIMUM_AGE_DAYS)
    latest: tuple[date, Fraction] | None = None
    for pair, inverted in (((from_currency, to_currency), False), ((to_currency, from_currency), True)):
        known = rates.filter(
            (rates["from_currency_code"] == pair[0])
            & (rates["to_currency_code"] == pair[1])
            & (rates["rate_on"] <= day)
            & (rates["rate_on"] >= oldest)
        ).sort("rate_on")
        if known.height:
            rate_on, rate = known["rate_on"][-1], Fraction(known["exchange_rate"][-1])
            if latest is None or rate_on > latest[0]:
                latest = (rate_on, 1 / rate if inverted else rate)
    return latest[1] if latest else None


# Which line a decision is about

Element = tuple[str, str]
"""A part and a colour; the colour is empty where an added line may have any."""

_CONTENT = (
    "portion_number", "quantity", "colour_rule", "accept_colour_codes", "refuse_colour_codes", "group_code", "near_distance",
    "accept_conditions", "is_load_bearing",
)  # fmt: skip


@dataclass(frozen=True)
class PutAside:
    """A decision that counts for no line, and why; it waits until its line is decided again."""

    line_number: int
    part_code: str
    colour_code: str
    decided_on: date
    reason: str


@dataclass(frozen=True, eq=False)
class DecidedLines:
    """The decisions of a date: the latest rows of FLEXIBLE_LINES by their lines of that date, and those put aside.

    ``line_of`` has the line of the date for each number and element that a decision was written for.
    """

    rows: pl.DataFrame
    put_aside: tuple[PutAside, ...]
    line_of: Mapping[tuple[int, Element], int]


def lines_on(model: Model, day: date) -> dict[int, Element]:
    """Every line of the date's list version and of the amendments so far, skipped sections included."""
    version = model.settings.version_on(day)
    listed = {} if version is None else _listed(model, version)
    return listed | _added(model, day)


def element_of(model: Model, line_number: int, day: date) -> Element | None:
    """What a line is on a date; a line that the date's list lacks is what a later version, else an earlier one, says."""
    return _numbered_elements(model, day).get(line_number)


def with_elements(model: Model, rows: pl.DataFrame) -> pl.DataFrame:
    """Flexible lines with part_code and colour_code filled in where a row names only its line.

    Such a row is about what its line is on the day of the decision.
    """
    bare = rows["part_code"].fill_null("") == ""
    if not bare.any():
        return rows.with_columns(pl.col("part_code", "colour_code").fill_null(""))
    known = {day: _numbered_elements(model, day) for day in rows.filter(bare)["decided_on"].unique()}
    found = [
        known[day].get(number, ("", "")) if not part else (part, colour or "")
        for number, part, colour, day in rows.select(
            "line_number", "part_code", "colour_code", "decided_on"
        ).iter_rows()
    ]
    return rows.with_columns(
        pl.Series("part_code", [part for part, _ in found], dtype=pl.String),
        pl.Series("colour_code", [colour for _, colour in found], dtype=pl.String),
    )


def decisions_on(model: Model, day: date) -> DecidedLines:
    """The latest decision about each line of a date.

    A decision counts for the line with its number if that is the same part and colour, else for the only line of the same
    part and colour that has no decision of its own. Where lines with different decisions were joined, where several lines
    could be meant, or where none is left, it is put aside.
    """
    written = with_elements(model, model.flexible_lines.filter(pl.col("decided_on") <= day))
    key = ["line_number", "part_code", "colour_code"]
    written = written.filter(pl.col("decided_on") == pl.col("decided_on").max().over(key))
    lines = lines_on(model, day)
    decided = {
        (number, (part, colour)): on for number, part, colour, on in written.select(*key, "decided_on").iter_rows()
    }
    line_of = {each: each[0] for each in decided if lines.get(each[0]) == each[1]}
    reasons: dict[tuple[int, Element], str] = {}
    left = [each for each in decided if each not in line_of]
    if left:
        content = _contents(written)
        released = max((each.released_on for each in model.settings.versions if each.released_on <= day), default=day)
        for element in dict.fromkeys(element for _, element in left):
            own = [each for each in line_of if each[1] == element]
            # Whoever decided on the new list knew it: that settles what was decided before about the same part and colour.
            settled = max((decided[each] for each in own if decided[each] >= released), default=date.min)
            waiting = [each for each in left if each[1] == element and decided[each] >= settled]
            free = [number for number, other in lines.items() if other == element and (number, element) not in line_of]
            placed, aside = _placed(waiting, own, free, content)
            line_of |= placed
            for each in aside:
                line_of.pop(each, None)
                reasons[each] = _reason(each, lines)
    put_aside = [
        PutAside(number, *element, decided[number, element], reason)
        for (number, element), reason in sorted(reasons.items())
        if not _is_settled(number, element, decided, line_of, lines) and not _is_to_come(model, number, element, day)
    ]
    numbers = [line_of.get((n, (part, colour))) for n, part, colour in written.select(key).iter_rows()]
    rows = written.with_columns(pl.Series("line_number", numbers, dtype=pl.Int64)).drop_nulls("line_number")
    return DecidedLines(rows, tuple(put_aside), line_of)


def _placed(
    waiting: list[tuple[int, Element]],
    own: list[tuple[int, Element]],
    free: list[int],
    content: Mapping[tuple[int, Element], object],
) -> tuple[dict[tuple[int, Element], int], list[tuple[int, Element]]]:
    """Where decisions of one element go whose own line is another element now, and which are put aside."""
    are_alike = len({repr(content[each]) for each in [*waiting, *own]}) <= 1
    if not waiting:
        return {}, []
    if len(waiting) == len(free) and (len(free) == 1 or len({repr(content[each]) for each in waiting}) == 1):
        return dict(zip(waiting, sorted(free), strict=True)), []
    if len(free) == 1 and not own and are_alike:
        return {waiting[0]: free[0]}, []
    if not free and own:
        # Lines were joined: the joined line may keep a decision only where all its pieces had the same.
        return {}, [] if are_alike else [*waiting, *own]
    return {}, waiting


def _contents(rows: pl.DataFrame) -> dict[tuple[int, Element], list[tuple[Any, ...]]]:
    found: dict[tuple[int, Element], list[tuple[Any, ...]]] = defaultdict(list)
    columns = ["line_number", "part_code", "colour_code", *_CONTENT]
    for number, part, colour, *cells in rows.sort("portion_number").select(columns).iter_rows():
        found[number, (part, colour)].append(tuple(cells))
    return found


def _reason(decision: tuple[int, Element], lines: Mapping[int, Element]) -> str:
    number, element = decision
    same = sorted(each for each, other in lines.items() if other == element)
    if len(same) == 1:
        return f"lines with different decisions were joined in line {same[0]}"
    if same:
        return f"{_spoken(element)} is in lines {', '.join(map(str, same))} now, and any of them could be meant"
    if number in lines:
        return f"line {number} is {_spoken(lines[number])} now, and no line is {_spoken(element)}"
    return f"no line is {_spoken(element)} now"


def _spoken(element: Element) -> str:
    part, colour = element
    return f"{part} in {colour}" if colour else part or "unknown"


def _is_settled(
    number: int,
    element: Element,
    decided: Mapping[tuple[int, Element], date],
    line_of: Mapping[tuple[int, Element], int],
    lines: Mapping[int, Element],
) -> bool:
    """Whether it was decided again, on the same day or later, about what the line or the element is now."""
    on = decided[number, element]
    same = [each for each, other in lines.items() if other == element]
    if not same and number in lines:
        # Of another element now: a decision made about that settles the old one; one that came from another line does not.
        return any(line_of.get(each) == each[0] == number and decided[each] >= on for each in decided)
    return bool(same) and all(
        any(line_of.get(each) == line and decided[each] > on for each in decided) for line in same
    )


def _is_to_come(model: Model, number: int, element: Element, day: date) -> bool:
    """Whether a later version or amendment has the line that the decision is about."""
    later = [each.released_on for each in model.settings.versions if each.released_on > day]
    later += [each for each in model.amendments["valid_from_on"].to_list() if each > day]
    return any(lines_on(model, each).get(number) == element for each in later)


def _listed(model: Model, version: int) -> dict[int, Element]:
    rows = model.parts_list.filter(pl.col("list_version") == version)
    return _elements(rows.select("line_number", "part_code", "colour_code").iter_rows())


def _added(model: Model, day: date | None) -> dict[int, Element]:
    rows = model.amendments.filter(pl.col("amendment_action") == "add").sort("valid_from_on")
    rows = rows if day is None else rows.filter(pl.col("valid_from_on") <= day)
    return _elements(rows.select("line_number", "part_code", "colour_code").iter_rows())


def _elements(rows: Iterable[tuple[Any, ...]]) -> dict[int, Element]:
    return {number: (part or "", colour or "") for number, part, colour in rows}


def _numbered_elements(model: Model, day: date) -> dict[int, Element]:
    """The element of every number there ever is, as near as possible to the date."""
    now = model.settings.version_on(day)
    versions = sorted(model.settings.versions, key=lambda version: version.released_on)
    later = [each.list_version for each in versions if each.released_on > day]
    earlier = [each.list_version for each in reversed(versions) if each.released_on <= day and each.list_version != now]
    found = _added(model, None) | _added(model, day)
    for version in reversed([*([] if now is None else [now]), *later, *earlier]):
        found |= _listed(model, version)
    return found
