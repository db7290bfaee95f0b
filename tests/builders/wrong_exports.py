"""Wrong price exports, each made from a right one by one mistake that people and programs make; the same for the same seed.

    right = right_export("v02", date(2026, 10, 30), seed=1)
    wrong = wrong_export("prices_times_100", right, seed=1)
    (inbox / "v02.csv").write_text(wrong.text, encoding="utf-8")

A row is a dict of text cells, as they stand in a file. ``KINDS`` has every mistake.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from decimal import ROUND_HALF_UP, Decimal
from random import Random

from schemas.inputs.price_files import PRICE_EXPORT

Row = dict[str, str]
Rows = list[Row]

COLOURS = ("red", "blue", "black", "white", "tan", "lime")
LOOKALIKES = {"0": "O", "O": "0", "o": "0", "1": "l", "l": "1", "I": "1", "5": "S", "S": "5", "8": "B", "B": "8"}
NO_RATE = "ISK"
LEAST, MOST = Decimal("0.000001"), Decimal(100_000)


@dataclass(frozen=True)
class Export:
    """One price export as text: its rows, all with the columns ``header``, and the day it arrives."""

    header: tuple[str, ...]
    rows: tuple[Row, ...]
    arrives_on: date
    others_rows: tuple[Row, ...] = ()
    """What another vendor lists, for the mistake that takes its list; an invented one if empty."""

    @property
    def text(self) -> str:
        """The CSV file."""
        out = io.StringIO()
        writer = csv.DictWriter(out, self.header, lineterminator="\n")
        writer.writeheader()
        writer.writerows(self.rows)
        return out.getvalue()

    @property
    def vendor_code(self) -> str:
        """The vendor's code in the first row."""
        return self.rows[0]["vendor_code"]

    @property
    def observed_on(self) -> date:
        """The date in the first row."""
        return date.fromisoformat(self.rows[0]["observed_on"])


@dataclass(frozen=True)
class Kind:
    """A mistake: in words, how it is made, and whether it waits, is quarantined or is named in a message, unless it is harmless.

    ``make`` gets copies of the right rows, the export, and a source of chance; it raises ``ValueError`` where the mistake can't be
    made from this export.
    """

    words: str
    make: Callable[[Rows, Export, Random], Rows]
    is_noticed: bool = True


def right_export(vendor_code: str, observed_on: date, seed: int, offer_count: int = 60, **cells: str) -> Export:
    """A full export like an earlier one of the same vendor and seed: on other dates a few prices are others.

    It has a third of the elements that there are. A third of the offers have a lower price from 25 pieces on; a fifth are used. Prices are around a usual price of the element that
    all vendors share.

    Args:
        vendor_code: the vendor.
        observed_on: its date; it arrives on the next day.
        seed: what the vendor offers.
        offer_count: offers; rows are a third more.
        cells: other cells for all rows, such as ``currency_code``.
    """
    rows: Rows = []
    vendor = Random(f"{vendor_code} {seed}")
    for number in sorted(vendor.sample(range(3 * offer_count), offer_count)):
        part, colour = f"{3000 + number // 3}", COLOURS[number % 3 + number // 3 % 4]
        usual = Random(f"{part} {colour}").lognormvariate(-2.5, 1.0)
        is_used, has_steps = vendor.random() < 0.2, vendor.random() < 1 / 3
        price = usual * vendor.lognormvariate(0.0, 0.2) * (0.5 if is_used else 1)
        today = Random(f"{vendor_code} {seed} {number} {observed_on}")
        price *= 1 + (today.random() < 0.05) * today.uniform(-0.1, 0.1)
        for step, share in (("1", 1.0), ("25", 0.85))[: 1 + has_steps]:
            rows.append({
                "vendor_code": vendor_code, "part_code": part, "colour_code": colour,
                "condition": "used" if is_used else "new", "unit_price": _text(Decimal(f"{price * share:.4f}")),
                "currency_code": "EUR", "quantity_available": str(vendor.randint(2, 400)),
                "observed_on": observed_on.isoformat(), "listing_code": "", "step_from_quantity": step, "coverage": "full",
                **cells,
            })  # fmt: skip
        if has_steps:
            rows[-1]["quantity_available"] = rows[-2]["quantity_available"]
    header = tuple(name for name in PRICE_EXPORT.columns if name in rows[0])
    return Export(header, tuple(rows), observed_on + timedelta(days=1))


def export_of(text: str, arrives_on: date) -> Export:
    """An export from the text of its CSV file, which has the columns of PRICE_EXPORT."""
    reader = csv.DictReader(io.StringIO(text))
    rows = tuple(reader)
    return Export(tuple(reader.fieldnames or ()), rows, arrives_on)


def wrong_export(kind: str, right: Export, seed: int) -> Export:
    """The export with one mistake of ``KINDS``.

    Raises:
        ValueError: the mistake can't be made from this export, for example because no date has another meaning with month and day
            swapped.
    """
    rng = Random(f"{kind} {seed}")
    rows = KINDS[kind].make([dict(row) for row in right.rows], right, rng)
    return replace(right, rows=tuple(rows))


def possible_kinds(right: Export) -> list[str]:
    """The mistakes that can be made from an export."""
    found = []
    for kind in KINDS:
        try:
            wrong_export(kind, right, 0)
        except ValueError:
            continue
        found.append(kind)
    return found


def _text(price: Decimal) -> str:
    rounded = min(max(price, LEAST), MOST).quantize(LEAST, ROUND_HALF_UP).normalize()
    return f"{rounded:f}"


def _dated(day: date) -> Callable[[Rows], Rows]:
    return lambda rows: [{**row, "observed_on": day.isoformat()} for row in rows]


def _other_year(day: date, years: int) -> date:
    return day.replace(year=day.year + years, day=min(day.day, 28) if day.month == 2 else day.day)


def _year_back(rows: Rows, right: Export, rng: Random) -> Rows:
    return _dated(_other_year(right.observed_on, -rng.choice((1, 2, 10))))(rows)


def _year_ahead(rows: Rows, right: Export, rng: Random) -> Rows:
    return _dated(_other_year(right.observed_on, rng.choice((1, 2, 10))))(rows)


def _month_and_day_swapped(rows: Rows, right: Export, _rng: Random) -> Rows:
    day = right.observed_on
    if day.day > 12 or day.day == day.month:
        raise ValueError(f"{day} has no other meaning with month and day swapped")
    return _dated(date(day.year, day.day, day.month))(rows)


def _after_arrival(rows: Rows, right: Export, rng: Random) -> Rows:
    return _dated(right.arrives_on + timedelta(days=rng.randint(2, 40)))(rows)


def _decades_back(rows: Rows, right: Export, rng: Random) -> Rows:
    return _dated(_other_year(right.observed_on, -rng.choice((20, 30, 36, 100))))(rows)


def _one_old_row(rows: Rows, right: Export, rng: Random) -> Rows:
    row = rng.choice(rows)
    return [{**row, "observed_on": _other_year(right.observed_on, -10).isoformat(), "coverage": "partial"}]


def _end_of_time(rows: Rows, _right: Export, _rng: Random) -> Rows:
    return _dated(date.max)(rows)


def _times(factor: str) -> Callable[[Rows, Export, Random], Rows]:
    def make(rows: Rows, _right: Export, _rng: Random) -> Rows:
        return [_at(row, Decimal(row["unit_price"]) * Decimal(factor)) for row in rows]

    return make


def _much_dearer(rows: Rows, _right: Export, rng: Random) -> Rows:
    factor = Decimal(f"{rng.uniform(1.7, 3):.2f}")
    return [_at(row, Decimal(row["unit_price"]) * factor) for row in rows]


def _at(row: Row, price: Decimal) -> Row:
    return {**row, "unit_price": _text(price)}


def _decimal_shift(rows: Rows, _right: Export, rng: Random) -> Rows:
    factor = Decimal(rng.choice(("10", "0.1")))
    chosen = set(rng.sample(range(len(rows)), max(1, len(rows) // 10)))
    return [_at(row, Decimal(row["unit_price"]) * factor) if n in chosen else row for n, row in enumerate(rows)]


def _currency(code: str) -> Callable[[Rows, Export, Random], Rows]:
    def make(rows: Rows, _right: Export, _rng: Random) -> Rows:
        return [{**row, "currency_code": code if row["currency_code"] != code else "EUR"} for row in rows]

    return make


def _offer(row: Row) -> tuple[str, ...]:
    return tuple(row.get(name, "") for name in ("part_code", "colour_code", "condition", "listing_code"))


def _kept(rows: Rows, offers: Sequence[tuple[str, ...]]) -> Rows:
    return [row for row in rows if _offer(row) in set(offers)]


def _truncated(rows: Rows, _right: Export, rng: Random) -> Rows:
    offers = list(dict.fromkeys(map(_offer, rows)))
    return _kept(rows, offers[: round(len(offers) * rng.uniform(0.3, 0.48))])


def _just_under_half_gone(rows: Rows, _right: Export, rng: Random) -> Rows:
    offers = list(dict.fromkeys(map(_offer, rows)))
    return _kept(rows, rng.sample(offers, len(offers) - int(len(offers) * 0.48)))


def _empty(_rows: Rows, _right: Export, _rng: Random) -> Rows:
    return []


def _others_list(_rows: Rows, right: Export, rng: Random) -> Rows:
    listed: Sequence[Row] = right.others_rows
    if not listed:
        size = max(20, len(right.rows))
        other = right_export(f"other{rng.randrange(1000)}", right.observed_on, rng.randrange(1000), size)
        listed = [row for row in other.rows if rng.random() < 0.7]
    first = right.rows[0]
    return [
        {**{name: row.get(name, "") for name in right.header}, "vendor_code": right.vendor_code,
         "currency_code": first["currency_code"]}
        for row in listed
    ]  # fmt: skip


def _mistyped(code: str, rng: Random) -> str:
    """Two neighbouring letters exchanged; where all are alike, the last one doubled."""
    places = [n for n in range(len(code) - 1) if code[n] != code[n + 1]]
    if not places:
        return code + code[-1]
    place = rng.choice(places)
    return code[:place] + code[place + 1] + code[place] + code[place + 2 :]


def _vendor_mistyped(rows: Rows, right: Export, rng: Random) -> Rows:
    code = right.vendor_code
    places = [n for n, letter in enumerate(code) if letter in LOOKALIKES]
    if places:
        place = rng.choice(places)
        wrong = code[:place] + LOOKALIKES[code[place]] + code[place + 1 :]
    else:
        wrong = _mistyped(code, rng)
    return [{**row, "vendor_code": wrong} for row in rows]


def _colours_mistyped(rows: Rows, _right: Export, rng: Random) -> Rows:
    code = rng.choice(sorted({row["colour_code"] for row in rows}))
    wrong = _mistyped(code, rng)
    return [{**row, "colour_code": wrong} if row["colour_code"] == code else row for row in rows]


def _parts_mistyped(rows: Rows, _right: Export, rng: Random) -> Rows:
    codes = sorted({row["part_code"] for row in rows})
    wrong = {code: f"{_mistyped(code, rng)}x" for code in rng.sample(codes, max(1, len(codes) // 10))}
    return [{**row, "part_code": wrong.get(row["part_code"], row["part_code"])} for row in rows]


def _one_colour_mistyped(rows: Rows, _right: Export, rng: Random) -> Rows:
    number = rng.randrange(len(rows))
    wrong = _mistyped(rows[number]["colour_code"], rng)
    return [{**row, "colour_code": wrong} if n == number else row for n, row in enumerate(rows)]


def _parts_renamed(rows: Rows, _right: Export, _rng: Random) -> Rows:
    return [{**row, "part_code": f"x{row['part_code']}"} for row in rows]


def _slipped(name: str) -> Callable[[Rows, Export, Random], Rows]:
    """Cells of a column one row down; the last one comes first."""

    def make(rows: Rows, _right: Export, _rng: Random) -> Rows:
        cells = [row[name] for row in rows]
        if len(set(cells)) == 1:
            raise ValueError(f"all cells of {name} are the same")
        return [{**row, name: cell} for row, cell in zip(rows, [cells[-1], *cells[:-1]], strict=True)]

    return make


def _columns_swapped(rows: Rows, _right: Export, _rng: Random) -> Rows:
    return [{**row, "unit_price": row["quantity_available"], "quantity_available": row["unit_price"]} for row in rows]


def _stale_copy(rows: Rows, right: Export, _rng: Random) -> Rows:
    return _dated(right.arrives_on)(rows)


def _used_as_new(rows: Rows, _right: Export, _rng: Random) -> Rows:
    used = [row for row in rows if row["condition"] == "used"]
    if not used:
        raise ValueError("nothing is used")
    return [{**row, "condition": "new"} for row in used]


def _steps_reversed(rows: Rows, _right: Export, _rng: Random) -> Rows:
    steps: dict[tuple[str, ...], list[str]] = {}
    for row in rows:
        steps.setdefault(_offer(row), []).append(row["unit_price"])
    if all(len(set(prices)) == 1 for prices in steps.values()):
        raise ValueError("no offer has several prices")
    return [{**row, "unit_price": steps[_offer(row)].pop()} for row in rows]


KINDS: dict[str, Kind] = {
    "year_back": Kind("the year is one, two or ten too early", _year_back),
    "year_ahead": Kind("the year is one, two or ten too late", _year_ahead),
    "month_and_day_swapped": Kind("month and day stand in each other's place", _month_and_day_swapped),
    "after_arrival": Kind("dated days after it arrives", _after_arrival),
    "decades_back": Kind("dated decades back", _decades_back),
    "end_of_time": Kind("dated on the last day that there is", _end_of_time),
    "one_old_row": Kind("a partial export of one row, dated ten years back", _one_old_row),
    "prices_times_100": Kind("cents for units", _times("100")),
    "prices_by_100": Kind("units for cents", _times("0.01")),
    "prices_times_10": Kind("the decimal point of every price is one place off", _times("10")),
    "decimal_shift": Kind("a tenth of the prices are ten times too high, or too low", _decimal_shift),
    "prices_times_1_6": Kind("all prices are 1.6 times what they were", _times("1.6")),
    "much_dearer": Kind("all prices are about twice what they were", _much_dearer),
    "currency_swapped": Kind("another currency, prices not converted", _currency("USD")),
    "currency_without_rate": Kind("a currency that has no rate", _currency(NO_RATE)),
    "truncated": Kind("more than half of the offers are missing at the end", _truncated),
    "just_under_half_gone": Kind("48 % of the offers are missing", _just_under_half_gone),
    "empty": Kind("a header and no row", _empty),
    "others_list": Kind("the list of another vendor under this vendor's code", _others_list),
    "vendor_mistyped": Kind("a letter of the vendor's code is one that looks like it", _vendor_mistyped),
    "colour_mistyped": Kind("one colour's code is mistyped", _colours_mistyped),
    "one_colour_mistyped": Kind("the colour of one row is mistyped", _one_colour_mistyped),
    "parts_mistyped": Kind("a tenth of the parts' codes are mistyped", _parts_mistyped),
    "parts_renamed": Kind("every part's code has a letter before it", _parts_renamed),
    "parts_slipped": Kind("the parts' codes stand one row too low", _slipped("part_code")),
    "prices_slipped": Kind("the prices stand one row too low", _slipped("unit_price")),
    "columns_swapped": Kind("prices and quantities stand in each other's column", _columns_swapped),
    "stale_copy": Kind("the same list again under the date on which it arrives", _stale_copy, is_noticed=False),
    "used_as_new": Kind("the list of used parts as if they were new", _used_as_new),
    "steps_reversed": Kind("more pieces cost more each", _steps_reversed),
}
"""Every mistake by name."""
