"""Exports that only add an end to a vendor's history: the quick way gives what a whole fold and the reference fold give."""

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from pathlib import Path
from random import Random

import pytest
from history_cases import (
    FIRST,
    Case,
    as_taken,
    compared,
    corrections_frame,
    everything,
    expected,
    file_of_one_export,
    random_corrections,
)
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from warehouse_kit import NOW, taken

from pipelines.warehouse import append, connect, history, load
from tests.length import examples

SETTINGS = settings(max_examples=examples(5, 300), deadline=None, suppress_health_check=list(HealthCheck))


def night(rng: Random, number: int):
    """One vendor's export of a night of its own, later than all before."""
    file = file_of_one_export(rng, f"{rng.choice('abcxyz')}{number}", rng.choice(("acorn", "birch")))
    day = FIRST + timedelta(days=number)
    return replace(
        file,
        rows=tuple(replace(row, day=day) for row in file.rows),
        held=tuple(replace(h, offer=h.offer and (h.offer[0], day, h.offer[2])) for h in file.held),
    )


@SETTINGS
@given(st.randoms(use_true_random=False))
def test_nights_in_order_are_appended_and_give_what_the_reference_gives(rng):
    files = [night(rng, number) for number in range(rng.randint(2, 7))]
    accepted = frozenset(file.file_hash for file in files if rng.random() < 0.5)
    case = Case(tuple(files), accepted)
    with connect.writer(Path(":memory:")) as con:
        history.set_decisions(con, accepted=accepted, withdrawn=())
        for file in files:
            load.load_file(con, as_taken(file), NOW)
            history.fold(con)
        appended = everything(con)
        history.refold(con)
        refolded = everything(con)
    assert appended == refolded
    got, (_, wanted) = compared(appended), expected(case)
    for name in wanted:
        assert got[name] == wanted[name], name


@SETTINGS
@given(st.randoms(use_true_random=False))
def test_decisions_of_any_night_hold_though_its_export_could_be_appended(rng):
    files = [night(rng, number) for number in range(rng.randint(2, 6))]
    hashes = [file.file_hash for file in files]
    case = Case(
        tuple(files),
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
            history.fold(con)
        got, (_, wanted) = compared(everything(con)), expected(case)
    for name in wanted:
        assert got[name] == wanted[name], name


def folded(con, monkeypatch, *files) -> list[int]:
    """How many vendors each fold appended."""
    counts = []
    whole = append.append_exports
    monkeypatch.setattr(history, "append_exports", lambda con: counts.append(whole(con)) or counts[-1])
    for file in files:
        load.load_file(con, file, NOW)
        history.fold(con)
    return counts


def at(day: int, *offers: dict, **common) -> list[dict]:
    return [{**offer, "observed_on": FIRST + timedelta(days=day), **common} for offer in offers]


def test_the_usual_night_is_appended_and_everything_else_is_not(con, monkeypatch):
    three = [{"part_code": part} for part in ("p1", "p2", "p3")]
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
    # The late one, the one with two dates, the second of a date, and the one that closes too much, which then waits.
    assert folded(con, monkeypatch, *files) == [1, 1, 1, 0, 0, 1, 0, 0, 0]


def test_a_file_withdrawn_on_the_night_of_the_next_export_is_gone(con):
    three = [{"part_code": part} for part in ("p1", "p2", "p3")]
    for file in (taken("a", at(3, *three)), taken("b", at(4, *three, unit_price=Decimal(9)))):
        load.load_file(con, file, NOW)
        history.fold(con)
    load.load_file(con, taken("c", at(5, *three)), NOW)
    history.set_decisions(con, accepted=(), withdrawn=["b"])
    history.fold(con)
    assert con.execute("select distinct unit_price, valid_from_on, valid_to_on from price_history").fetchall() == [
        (Decimal("0.1"), FIRST + timedelta(days=3), None)
    ]


def test_several_vendors_of_one_file_are_each_judged_alone(con, monkeypatch):
    monkeypatch.setattr(append, "BATCH_ROW_COUNT", 1)
    both = [{"vendor_code": "acorn"}, {"vendor_code": "birch"}, {"vendor_code": "cedar"}]
    files = [taken("a", at(3, *both)), taken("b", at(5, both[1])), taken("c", at(4, *both))]
    assert folded(con, monkeypatch, *files) == [3, 1, 2]
    before = everything(con)
    history.refold(con)
    assert everything(con) == before


def test_a_killed_append_is_as_if_it_never_began(con, monkeypatch):
    load.load_file(con, taken("aa", [{}]), NOW)
    monkeypatch.setattr(append, "_BATCH", ("append_change", "append_waiting", "append_spell", "no_such_step"))
    with pytest.raises(FileNotFoundError):
        history.fold(con)
    assert con.execute("select count(*) from price_history").fetchall() == [(0,)] and history.is_pending(con)
    monkeypatch.undo()
    assert history.fold(con) == 1
    assert con.execute("select count(*) from price_history").fetchall() == [(1,)]
