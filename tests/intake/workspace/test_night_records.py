"""Which records of nights stand: rules one by one, and that nothing depends on the order of decisions."""

from collections.abc import Mapping
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.intake.archiving import journal
from pipelines.intake.archiving.night_entries import NightEntry, PricedNight
from pipelines.intake.workspace import night_records
from tests.builders.length import examples

START = datetime(2026, 11, 1, 2, 30)
FILES = ("a", "b", "c")
READINGS = {"a": 0, "b": 1, "c": 2}
FIRST_DATES = {"a": date(2026, 10, 1), "b": date(2026, 11, 2), "c": date(2027, 6, 30)}


def at(number: int) -> datetime:
    return START + timedelta(days=number)


def entry(number: int = 3, day: date = date(2026, 11, 3), **more: Any) -> NightEntry:
    stands_for = (PricedNight(at(number), number, day, True),)
    made = {"records": (f"night_costs/{day}.csv",), "stands_for": stands_for, **more}
    return NightEntry(f"{day}-abc", day, at(number), number, **made)


def due(*entries: NightEntry, withdrawn: str = "", first: Mapping[str, date] = FIRST_DATES) -> night_records.Due:
    return night_records.due(entries, set(withdrawn), READINGS, first)


@pytest.mark.parametrize(
    ("withdrawn", "recorded", "is_due"),
    [
        ("a", {}, True),
        ("b", {}, True),
        ("c", {}, False),  # dated after what the night priced
        ("x", {}, False),  # never received
        ("", {}, False),
        ("b", {"number": 1}, False),  # received later
        ("b", {"day": date(2026, 11, 1)}, False),
        ("b", {"waiting": frozenset("b")}, False),
        ("ab", {"waiting": frozenset("b")}, True),
        ("b", {"withdrawn": frozenset("b")}, False),
        ("", {"withdrawn": frozenset("b")}, True),  # taken back
        ("a", {"withdrawn": frozenset("b")}, True),
    ],
)
def test_a_record_stands_while_its_files_are_those_of_now(withdrawn: str, recorded: Any, is_due: bool) -> None:
    night = entry(**recorded)
    found = due(night, withdrawn=withdrawn)
    assert found == (night_records.Due(night.records, night.stands_for) if is_due else night_records.Due())


def test_the_last_entry_of_a_path_and_of_a_night_counts() -> None:
    first = entry()
    again = entry(4, withdrawn=frozenset("a"), stands_for=first.stands_for)
    assert due(first, again, withdrawn="a") == night_records.Due()
    assert due(again, first, withdrawn="a").days == [date(2026, 11, 3)]
    later = entry(2, records=("index_vintages/2026-11-01-aa.csv",))
    assert due(first, later, withdrawn="b").days == [date(2026, 11, 1), date(2026, 11, 3)]


def test_a_file_whose_dates_are_not_known_counts_where_it_may_have() -> None:
    assert due(entry(), withdrawn="c", first={"c": date.min}).nights
    assert not due(entry(), withdrawn="c", first={}).nights, "it has no row at all"


hashes = st.frozensets(st.sampled_from(FILES))


@st.composite
def entries(draw: Any) -> NightEntry:
    number, day = draw(st.integers(0, 9)), draw(st.dates(date(2026, 1, 1), date(2027, 12, 31)))
    paths = draw(st.lists(st.sampled_from(["night_costs/a.csv", "index_vintages/ü.csv"]), unique=True))
    nights = draw(st.lists(st.builds(PricedNight, st.datetimes(), st.integers(0, 9), st.dates(), st.booleans())))
    return NightEntry(draw(st.text()), day, at(number), number, tuple(paths), tuple(nights), draw(hashes), draw(hashes))


@given(st.lists(st.lists(entries(), max_size=3), max_size=3))
@settings(max_examples=examples(30, 1000))
def test_the_journal_gives_back_what_it_was_given(tmp_path_factory: Any, written: Any) -> None:
    folder = tmp_path_factory.mktemp("archive")
    journal.note_inputs(folder, {"kitfare.toml": "0" * 64})
    for page in written:
        journal.note_nights(folder, page)
    book = journal.read_journal(folder)
    assert book.nights == tuple(each for page in written for each in page)
    assert book.page_count == 1 + sum(1 for page in written if page)


def test_files_withdrawn_are_written_once_while_they_stay_the_same(tmp_path: Path) -> None:
    many = frozenset(f"{n:064d}" for n in range(100))
    journal.note_nights(tmp_path, [entry(n, withdrawn=many) for n in range(50)])
    (page,) = journal.pages(tmp_path)
    assert page.read_text().count(f"{7:064d}") == 1
    assert all(each.withdrawn == many for each in journal.read_journal(tmp_path).nights)


@given(st.lists(entries(), max_size=6), hashes, st.lists(hashes, max_size=4))
@settings(max_examples=examples(60, 3000))
def test_nothing_is_due_once_all_due_nights_are_recorded_again(recorded: Any, first: Any, later: Any) -> None:
    """Whatever was decided, in whatever steps: each time the nights that are due are recorded, and then none is."""
    every = list(recorded)
    for withdrawn in (first, *later, first):
        found = due(*every, withdrawn="".join(withdrawn))
        every += [entry(9, records=found.paths, stands_for=found.nights, withdrawn=withdrawn)]
        assert due(*every, withdrawn="".join(withdrawn)) == night_records.Due()
