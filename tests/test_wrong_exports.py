"""Each wrong export differs from the right one in the way its name says, and in no other."""

from collections import Counter
from collections.abc import Callable
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import pytest

from pipelines.intake.take_in import take_in
from schemas.inputs.catalogue import CODE_MAP
from schemas.validate import empty_frame
from tests.builders.wrong_exports import KINDS, NO_RATE, Export, export_of, possible_kinds, right_export, wrong_export

DAY = date(2026, 10, 9)
SEEDS = range(3)
KEY = ("vendor_code", "observed_on", "part_code", "colour_code", "condition", "listing_code", "step_from_quantity")


def column(export: Export, name: str) -> list[str]:
    return [row[name] for row in export.rows]


def prices(export: Export) -> list[Decimal]:
    return [Decimal(price) for price in column(export, "unit_price")]


def elements(export: Export) -> set[tuple[str, str]]:
    return {(row["part_code"], row["colour_code"]) for row in export.rows}


def changed_columns(right: Export, wrong: Export) -> set[str]:
    """Columns with other cells, row by row; the exports have equally many rows."""
    return {name for name in right.header if column(right, name) != column(wrong, name)}


def ratios(right: Export, wrong: Export) -> list[float]:
    return [round(float(after / before), 2) for before, after in zip(prices(right), prices(wrong), strict=True)]


def dated(right: Export, wrong: Export) -> int:
    """Days from the right date to the wrong one, where all else is right."""
    assert changed_columns(right, wrong) == {"observed_on"} and len(set(column(wrong, "observed_on"))) == 1
    return (wrong.observed_on - right.observed_on).days


def kept_share(right: Export, wrong: Export) -> float:
    """Share of the offers that are there; what is there is right."""
    assert all(row in right.rows for row in wrong.rows)

    def offers(export: Export) -> int:
        return len({tuple(row[name] for name in KEY[:-1]) for row in export.rows})

    return offers(wrong) / offers(right)


def is_one_row_down(before: list[str], after: list[str]) -> bool:
    return after == [before[-1], *before[:-1]]


def changed_share(right: Export, wrong: Export, name: str) -> float:
    before, after = column(right, name), column(wrong, name)
    assert changed_columns(right, wrong) == {name}
    return sum(old != new for old, new in zip(before, after, strict=True)) / len(before)


def is_reversed(right: Export, wrong: Export) -> bool:
    both = list(zip(right.rows, wrong.rows, strict=True))
    dearer = [new for old, new in both if old != new and new["step_from_quantity"] != "1"]
    firsts = {tuple(row[name] for name in KEY[:-1]): Decimal(row["unit_price"])
              for row in wrong.rows if row["step_from_quantity"] == "1"}  # fmt: skip
    return len(dearer) > 5 and all(
        Decimal(row["unit_price"]) > firsts[tuple(row[name] for name in KEY[:-1])] for row in dearer
    )


DIFFERS: dict[str, Callable[[Export, Export], Any]] = {
    "year_back": lambda r, w: -5000 < dated(r, w) < -360 and (w.observed_on.month, w.observed_on.day) == (10, 9),
    "year_ahead": lambda r, w: dated(r, w) > 360 and (w.observed_on.month, w.observed_on.day) == (10, 9),
    "month_and_day_swapped": lambda r, w: dated(r, w) and w.observed_on == date(2026, 9, 10),
    "after_arrival": lambda r, w: 3 <= dated(r, w) < 60 and w.observed_on > r.arrives_on + timedelta(days=1),
    "decades_back": lambda r, w: dated(r, w) < -7000,
    "end_of_time": lambda r, w: dated(r, w) and w.observed_on == date.max,
    "one_old_row": lambda r, w: (
        len(w.rows) == 1
        and (w.rows[0]["observed_on"], w.rows[0]["coverage"]) == ("2016-10-09", "partial")
        and {**w.rows[0], "observed_on": "2026-10-09", "coverage": "full"} in r.rows
    ),
    "prices_times_100": lambda r, w: changed_columns(r, w) == {"unit_price"} and set(ratios(r, w)) == {100.0},
    "prices_by_100": lambda r, w: changed_columns(r, w) == {"unit_price"} and set(ratios(r, w)) == {0.01},
    "prices_times_10": lambda r, w: changed_columns(r, w) == {"unit_price"} and set(ratios(r, w)) == {10.0},
    "decimal_shift": lambda r, w: (
        changed_share(r, w, "unit_price") == len(r.rows) // 10 / len(r.rows)
        and set(ratios(r, w)) in ({1.0, 10.0}, {1.0, 0.1})
    ),
    "prices_times_1_6": lambda r, w: changed_columns(r, w) == {"unit_price"} and set(ratios(r, w)) == {1.6},
    "much_dearer": lambda r, w: (
        changed_columns(r, w) == {"unit_price"}
        and max(ratios(r, w)) - min(ratios(r, w)) <= 0.02
        and 1.69 <= min(ratios(r, w)) <= 3.01
    ),
    "currency_swapped": lambda r, w: (
        changed_columns(r, w) == {"currency_code"} and set(column(w, "currency_code")) == {"USD"}
    ),
    "currency_without_rate": lambda r, w: (
        changed_columns(r, w) == {"currency_code"} and set(column(w, "currency_code")) == {NO_RATE}
    ),
    "truncated": lambda r, w: 0.25 < kept_share(r, w) < 0.5 and w.rows == r.rows[: len(w.rows)],
    "just_under_half_gone": lambda r, w: 0.5 < kept_share(r, w) < 0.55 and w.rows != r.rows[: len(w.rows)],
    "empty": lambda r, w: not w.rows and w.text == ",".join(r.header) + "\n",
    "others_list": lambda r, w: (
        set(column(w, "vendor_code")) == {r.vendor_code}
        and set(column(w, "observed_on")) == {"2026-10-09"}
        and len(w.rows) > 20
        and len(elements(w) & elements(r)) < len(elements(w)) / 2
        and column(w, "unit_price") != column(r, "unit_price")
    ),
    "vendor_mistyped": lambda r, w: changed_columns(r, w) == {"vendor_code"} and set(column(w, "vendor_code")) == {"vO2"},
    "colour_mistyped": lambda r, w: 1 / len(r.rows) < changed_share(r, w, "colour_code") < 0.5
    and len(set(column(w, "colour_code")) - set(column(r, "colour_code"))) == 1,
    "one_colour_mistyped": lambda r, w: (
        changed_columns(r, w) == {"colour_code"}
        and sum(old != new for old, new in zip(r.rows, w.rows, strict=True)) == 1
    ),
    "parts_mistyped": lambda r, w: 0 < changed_share(r, w, "part_code") < 0.25
    and not set(column(r, "part_code")) >= set(column(w, "part_code")),
    "parts_renamed": lambda r, w: (
        changed_columns(r, w) == {"part_code"}
        and column(w, "part_code") == [f"x{code}" for code in column(r, "part_code")]
    ),
    "parts_slipped": lambda r, w: changed_columns(r, w) == {"part_code"}
    and is_one_row_down(column(r, "part_code"), column(w, "part_code")),
    "prices_slipped": lambda r, w: changed_share(r, w, "unit_price") > 0.9
    and is_one_row_down(column(r, "unit_price"), column(w, "unit_price")),
    "columns_swapped": lambda r, w: (
        changed_columns(r, w) == {"unit_price", "quantity_available"}
        and column(r, "unit_price") == column(w, "quantity_available")
        and column(r, "quantity_available") == column(w, "unit_price")
    ),
    "stale_copy": lambda r, w: dated(r, w) == 1 and w.observed_on == w.arrives_on,
    "used_as_new": lambda r, w: (
        set(column(w, "condition")) == {"new"}
        and [{**row, "condition": "used"} for row in w.rows] == [row for row in r.rows if row["condition"] == "used"]
    ),
    "steps_reversed": lambda r, w: changed_columns(r, w) == {"unit_price"} and is_reversed(r, w),
}  # fmt: skip


def test_every_kind_is_checked() -> None:
    assert DIFFERS.keys() == KINDS.keys()


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("kind", KINDS)
def test_a_wrong_export_is_wrong_in_its_own_way_only(kind: str, seed: int) -> None:
    right = right_export("v02", DAY, seed)
    wrong = wrong_export(kind, right, seed)
    assert wrong.text != right.text and wrong.text == wrong_export(kind, right, seed).text
    assert DIFFERS[kind](right, wrong)
    own_way = [name for name, differs in DIFFERS.items() if name != kind and _holds(differs, right, wrong)]
    assert not own_way, "two kinds are the same mistake"
    assert export_of(right.text, right.arrives_on) == right


def _holds(differs: Callable[[Export, Export], Any], right: Export, wrong: Export) -> bool:
    try:
        return bool(differs(right, wrong))
    except (AssertionError, ValueError, IndexError, KeyError, ArithmeticError):
        return False


def test_chance_depends_on_the_seed() -> None:
    right = right_export("v02", DAY, 1)
    assert len({wrong_export("decimal_shift", right, seed).text for seed in range(5)}) == 5


def test_a_mistake_that_changes_nothing_is_refused() -> None:
    assert possible_kinds(right_export("v02", DAY, 1)) == list(KINDS)
    late = right_export("v02", date(2026, 10, 30), 1)
    assert set(KINDS) - set(possible_kinds(late)) == {"month_and_day_swapped"}
    plain = [row for row in late.rows if row["condition"] == "new" and row["step_from_quantity"] == "1"][:1]
    alone = Export(late.header, tuple(plain), late.arrives_on)
    assert {"used_as_new", "steps_reversed", "prices_slipped"} <= set(KINDS) - set(possible_kinds(alone))


@pytest.mark.parametrize("seed", SEEDS)
def test_the_right_export_is_accepted_whole(tmp_path: Any, seed: int) -> None:
    """And is much like the vendor's one of another date, but not like another vendor's."""
    right = right_export("v02", DAY, seed)
    path = tmp_path / "right.csv"
    path.write_text(right.text, encoding="utf-8")
    taken = take_in(path, [], empty_frame(CODE_MAP), tmp_path / "archive")
    assert taken.error is None and taken.rows.height == len(right.rows) and taken.failures.is_empty()
    assert not [
        key for key, count in Counter(tuple(row[name] for name in KEY) for row in right.rows).items() if count > 1
    ]
    before, other = right_export("v02", DAY - timedelta(days=7), seed), right_export("v03", DAY, seed)
    far = [ratio for ratio in ratios(before, right) if ratio != 1]
    assert 0 < len(far) < len(right.rows) / 3 and all(0.8 < ratio < 1.25 for ratio in far)
    assert sum(row in other.rows for row in right.rows) < 5
