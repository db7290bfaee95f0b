"""Exports that only add an end to a vendor's history: the quick way gives what a whole fold and the reference fold give."""

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from itertools import product
from pathlib import Path
from random import Random
from typing import Any

import duckdb
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.warehouse import connect
from pipelines.warehouse.price_history import append, history, load, market, repeats
from tests.builders.histories import (
    FIRST,
    Case,
    as_taken,
    compared,
    corrections_frame,
    doubt,
    everything,
    expected,
    file_of_one_export,
    random_corrections,
)
from tests.builders.length import examples
from tests.builders.taken_files import NOW, taken
from tests.oracle.reference_fold import File, latest_confirmation, reference_fold
from tests.present import present

SETTINGS = settings(max_examples=examples(5, 300), deadline=None, suppress_health_check=list(HealthCheck))


def night(rng: Random, number: int) -> File:
    """One vendor's export of a night of its own, later than all before."""
    file = file_of_one_export(rng, f"{rng.choice('abcxyz')}{number}", rng.choice(("acorn", "birch")))
    day = FIRST + timedelta(days=number)
    return replace(
        file,
        rows=tuple(replace(row, day=day) for row in file.rows),
        quarantined=tuple(replace(h, offer=h.offer and (h.offer[0], day, h.offer[2])) for h in file.quarantined),
    )


@SETTINGS
@given(st.randoms(use_true_random=False))
def test_nights_in_order_are_appended_and_give_what_the_reference_gives(rng: Any) -> None:
    files = [night(rng, number) for number in range(rng.randint(2, 7))]
    doubted = frozenset(file.file_hash for file in files if rng.random() < 0.3)
    accepted = frozenset(file.file_hash for file in files if rng.random() < 0.5)
    case = Case(tuple(files), doubted, accepted)
    with connect.writer(Path(":memory:")) as con:
        history.set_decisions(con, accepted=accepted, withdrawn=())
        for file in files:
            load.load_file(con, as_taken(file), NOW)
            doubt(con, [file], doubted)
            # Now and then a night ends between the two.
            if file == files[-1] or rng.random() < 0.8:
                history.fold(con)
        appended = everything(con)
        history.refold(con)
        refolded = everything(con)
    assert appended == refolded
    got, (_, needed) = compared(appended), expected(case)
    for name in needed:
        assert got[name] == needed[name], name


@SETTINGS
@given(st.randoms(use_true_random=False))
def test_decisions_of_any_night_hold_though_its_export_could_be_appended(rng: Any) -> None:
    files = [night(rng, number) for number in range(rng.randint(2, 6))]
    hashes = [file.file_hash for file in files]
    case = Case(
        tuple(files),
        frozenset(rng.sample(hashes, rng.randint(0, 2))),
        frozenset(rng.sample(hashes, rng.randint(0, 2))),
        frozenset(rng.sample(hashes, rng.randint(0, 2))),
        random_corrections(rng),
    )
    with connect.writer(Path(":memory:")) as con:
        for number, file in enumerate(files):
            load.load_file(con, as_taken(file), NOW)
            # One decision a night at random, and all of them at the end; a night may also take one back.
            known = case.withdrawn if number == len(files) - 1 else frozenset(rng.sample(hashes, rng.randint(0, 1)))
            allowed = case.accepted if number == len(files) - 1 else frozenset(rng.sample(hashes, rng.randint(0, 1)))
            declared = case.corrections if number == len(files) - 1 or rng.random() < 0.3 else ()
            history.set_decisions(con, accepted=allowed, withdrawn=known)
            history.set_corrections(con, corrections_frame(declared))
            doubt(con, files[: number + 1], case.doubted)
            history.fold(con)
        got, (_, needed) = compared(everything(con)), expected(case)
    for name in needed:
        assert got[name] == needed[name], name


def test_the_market_of_any_day_of_a_long_history_is_what_the_reference_says(con: duckdb.DuckDBPyConnection) -> None:
    """Ninety nights of full and partial exports with quarantined and missing rows: many runs of confirmations are interrupted."""
    rng = Random(11)
    files = [night(rng, number) for number in range(90)]
    for file in files:
        load.load_file(con, as_taken(file), NOW)
    history.fold(con)
    price_periods = reference_fold(files, set(), set(), ()).price_periods
    sizes = set()
    for day in (FIRST + timedelta(days=number) for number in range(0, 95, 2)):
        confirmed = {
            (s.vendor, *s.key, step, content[0], latest_confirmation(s, day))
            for s in price_periods
            for step, content in s.steps.items()
            if s.valid_from_on <= day and (s.valid_to_on is None or s.valid_to_on > day) and content[2] > 0
        }
        names = ("vendor_code", "part_code", "colour_code", "condition", "listing_code", "step_from_quantity",
                 "unit_price", "last_confirmed_on")  # fmt: skip
        found = market.market_on(con, day, 3).select(names).rows()
        assert len(found) == len(set(found))
        assert set(found) == {row for row in confirmed if (day - present(row[-1])).days <= 3}, day
        sizes.add(len(found))
    assert len(sizes) > 5
    assert con.execute("select count(*) from earlier_confirmation").fetchall()[0][0] > 20


def folded(con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch, *files: Any) -> list[int]:
    """How many vendors each fold appended."""
    counts: list[int] = []
    whole = append.append_exports

    def counted(con: duckdb.DuckDBPyConnection) -> int:
        counts.append(whole(con))
        return counts[-1]

    monkeypatch.setattr(history, "append_exports", counted)
    for file in files:
        load.load_file(con, file, NOW)
        history.fold(con)
    return counts


def at(day: int, *offers: dict[str, Any], **common: Any) -> list[dict[str, Any]]:
    return [{**offer, "observed_on": FIRST + timedelta(days=day), **common} for offer in offers]


def test_the_usual_night_is_appended_and_everything_else_is_not(
    con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    three: list[dict[str, Any]] = [{"part_code": part} for part in ("p1", "p2", "p3")]
    files = [
        taken("a", at(3, *three)),
        taken("b", at(4, *three)),
        taken("c", at(5, *three, coverage="partial")),
        taken("late", at(2, *three)),
        taken("d", [*at(6, *three), *at(7, *three)]),
        taken("e", at(8, *three, vendor_code="birch")),
        taken("same", at(8, *three, vendor_code="birch", coverage="partial")),
        taken("f", at(9, three[0])),
        taken("g", at(10, *three)),
    ]
    # The late one, the one with two dates, the second of a date, and the one that waits, and what comes after it.
    assert folded(con, monkeypatch, *files[:7]) == [1, 1, 1, 0, 0, 1, 0]
    con.execute(
        "insert into export_finding values ('f', 'acorn', $1, 'offers_gone', 'waits', 67, 50, '', null, '')",
        [FIRST + timedelta(days=9)],
    )
    assert folded(con, monkeypatch, *files[7:]) == [0, 0]


def test_a_file_withdrawn_on_the_night_of_the_next_export_is_gone(con: duckdb.DuckDBPyConnection) -> None:
    three: list[dict[str, Any]] = [{"part_code": part} for part in ("p1", "p2", "p3")]
    for file in (taken("a", at(3, *three)), taken("b", at(4, *three, unit_price=Decimal(9)))):
        load.load_file(con, file, NOW)
        history.fold(con)
    load.load_file(con, taken("c", at(5, *three)), NOW)
    history.set_decisions(con, accepted=(), withdrawn=["b"])
    history.fold(con)
    assert con.execute("select distinct unit_price, valid_from_on, valid_to_on from price_history").fetchall() == [
        (Decimal("0.1"), FIRST + timedelta(days=3), None)
    ]


def test_a_withdrawal_taken_back_on_the_night_of_the_next_export_brings_the_file_back(
    con: duckdb.DuckDBPyConnection,
) -> None:
    """While it is withdrawn the file has no export in the history, so only its rows say whose history it changes."""
    three: list[dict[str, Any]] = [{"part_code": part} for part in ("p1", "p2", "p3")]
    load.load_file(con, taken("a", at(3, *three)), NOW)
    history.set_decisions(con, accepted=(), withdrawn=["a"])
    history.fold(con)
    load.load_file(con, taken("b", at(4, *three)), NOW)
    history.set_decisions(con, accepted=(), withdrawn=())
    history.fold(con)
    assert con.execute("select distinct valid_from_on, last_confirmed_on from price_history").fetchall() == [
        (FIRST + timedelta(days=3), FIRST + timedelta(days=4))
    ]


def test_several_vendors_of_one_file_are_each_decided_alone(
    con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(append, "BATCH_ROW_COUNT", 1)
    both = [{"vendor_code": "acorn"}, {"vendor_code": "birch"}, {"vendor_code": "cedar"}]
    files = [taken("a", at(3, *both)), taken("b", at(5, both[1])), taken("c", at(4, *both))]
    assert folded(con, monkeypatch, *files) == [3, 1, 2]
    before = everything(con)
    history.refold(con)
    assert everything(con) == before


def kept(con: duckdb.DuckDBPyConnection) -> tuple[int, ...]:
    tables = ("observed_row", "price_period", "earlier_confirmation", "repeated_row")
    return tuple(con.execute(f"select count(*) from {name}").fetchall()[0][0] for name in tables)


def test_a_night_adds_what_it_changes_and_references_for_the_rest(con: duckdb.DuckDBPyConnection) -> None:
    three: list[dict[str, Any]] = [
        {"part_code": part, "step_from_quantity": step} for part in ("p1", "p2", "p3") for step in (1, 10)
    ]
    dearer: list[dict[str, Any]] = [{**three[0], "unit_price": Decimal(9)}, *three[1:]]
    nights: list[tuple[list[dict[str, Any]], tuple[int, ...]]] = [
        (three, (6, 6, 0, 0)),
        (three, (6, 6, 0, 6)),
        (three, (6, 6, 0, 12)),
        # Both steps of an offer begin anew where one changes; the content of the other is known.
        (dearer, (7, 8, 0, 17)),
        (dearer, (7, 8, 0, 23)),
    ]
    for day, (offers, counts) in enumerate(nights):
        load.load_file(con, taken(f"{day}", at(day, *offers)), NOW)
        assert (kept(con)[0], kept(con)[3]) == (counts[0], counts[3])
        history.fold(con)
        assert kept(con) == counts
    assert con.execute("select distinct last_confirmed_on from price_history where valid_to_on is null").fetchall() == [
        (FIRST + timedelta(days=4),)
    ]
    history.refold(con)
    assert kept(con) == (7, 8, 0, 23)


def test_rows_whose_content_is_gone_count_as_lost(con: duckdb.DuckDBPyConnection) -> None:
    for day, name in enumerate("ab"):
        load.load_file(con, taken(name, at(day, {}), file_name=name), NOW)
        history.fold(con)
    assert history.unaccounted_files(con) == []
    con.execute("delete from observed_row")
    assert history.unaccounted_files(con) == ["a", "b"]


def test_a_file_that_others_refer_to_may_be_read_again(con: duckdb.DuckDBPyConnection) -> None:
    three: list[dict[str, Any]] = [{"part_code": part} for part in ("p1", "p2", "p3")]
    nights = [taken(name, at(day, *three)) for day, name in enumerate("abcd")]
    again = taken("a", at(0, *three[:2], unit_price=Decimal(7)))
    for file in nights:
        load.load_file(con, file, NOW)
        history.fold(con)
    rows = "select * from price_observation where file_hash <> 'a' order by all"
    before = con.execute(rows).fetchall()
    assert load.load_file(con, again, NOW) == "reread"
    assert con.execute(rows).fetchall() == before and len(before) == 9
    history.fold(con)
    found = everything(con)
    with connect.writer(Path(":memory:")) as other:
        for file in (again, *nights[1:]):
            load.load_file(other, file, NOW)
        history.fold(other)
        assert everything(other) == found


def test_a_file_like_one_that_was_read_again_on_the_same_night_keeps_its_content(
    con: duckdb.DuckDBPyConnection,
) -> None:
    three: list[dict[str, Any]] = [{"part_code": part} for part in ("p1", "p2", "p3")]
    again, after = taken("a", at(0, *three[:2], unit_price=Decimal(7))), taken("c", at(2, *three))
    for file in (taken("a", at(0, *three)), taken("b", at(1, *three))):
        load.load_file(con, file, NOW)
        history.fold(con)
    # The price periods' content goes with the first reading of a, before any fold; c must not refer to it.
    for file in (again, after):
        load.load_file(con, file, NOW)
    assert con.execute("select count(*) from price_observation where file_hash = 'c'").fetchall() == [(3,)]
    history.fold(con)
    found = everything(con)
    with connect.writer(Path(":memory:")) as other:
        for file in (again, taken("b", at(1, *three)), after):
            load.load_file(other, file, NOW)
        history.fold(other)
        assert everything(other) == found


def test_references_that_no_open_price_period_has_are_left_to_the_whole_fold(
    con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    three: list[dict[str, Any]] = [{"part_code": part} for part in ("p1", "p2", "p3")]
    load.load_file(con, taken("a", at(3, *three)), NOW)
    history.fold(con)
    load.load_file(con, taken("b", at(4, *three)), NOW)
    con.execute("update price_period set stored_number = 0 where part_code = 'p2'")
    assert folded(con, monkeypatch, taken("other", at(4, {"vendor_code": "birch"}))) == [1]
    before = everything(con)
    history.refold(con)
    assert everything(con) == before


def test_a_file_of_one_row_may_repeat_an_open_price_period(con: duckdb.DuckDBPyConnection) -> None:
    for day, part in enumerate(("p1", "p2", "p2")):
        load.load_file(con, taken(str(day), at(day, {"part_code": part}, coverage="partial")), NOW)
        history.fold(con)
    assert con.execute("select count(*) from repeated_row").fetchall() == [(1,)]
    assert con.execute("select valid_from_on, valid_to_on from price_history where part_code = 'p2'").fetchall() == [
        (FIRST + timedelta(days=1), None)
    ]


def test_rows_are_referred_to_wherever_they_stand_in_the_file(
    con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Vendors in turn, in several slices: each slice's vendors are looked up once, and columns may be alike in it or not."""
    monkeypatch.setattr(repeats, "ROWS_AT_ONCE", 3)
    rng = Random(3)
    offers = [
        {"vendor_code": vendor, "part_code": part, "unit_price": Decimal(price), "maximum_per_order": most}
        for vendor, part, price, most in product(("acorn", "birch"), ("p1", "p2", "p3", "p4"), (1,), (None, 2))
        if (part > "p2") == (most is None)
    ]
    for day in range(6):
        rng.shuffle(offers)
        changed = [
            {**offer, "unit_price": Decimal(day + 2)} if n == 0 and day % 2 else offer for n, offer in enumerate(offers)
        ]
        load.load_file(con, taken(f"{day}", at(day, *changed)), NOW)
        stored = con.execute(
            "select part_code, vendor_code, unit_price, record_number, source_line_number from price_observation "
            f"where file_hash = '{day}' order by record_number"
        ).fetchall()
        assert stored == [
            (o["part_code"], o["vendor_code"], o["unit_price"], n, n + 1) for n, o in enumerate(changed, 1)
        ]
        history.fold(con)
    assert con.execute("select count(*) from repeated_row").fetchall()[0][0] > 30
    before = everything(con)
    history.refold(con)
    assert everything(con) == before


def test_a_killed_append_is_as_if_it_never_began(
    con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    load.load_file(con, taken("aa", [{}]), NOW)
    monkeypatch.setattr(append, "_WRITE", (*append._WRITE[:-1], "no_such_step"))
    with pytest.raises(KeyError):
        history.fold(con)
    assert con.execute("select count(*) from price_history").fetchall() == [(0,)] and history.is_pending(con)
    monkeypatch.undo()
    assert history.fold(con) == 1
    assert con.execute("select count(*) from price_history").fetchall() == [(1,)]
