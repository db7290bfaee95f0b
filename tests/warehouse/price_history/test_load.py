"""Loading one file: once, whole, and with every row accounted for."""

from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any

import duckdb
import polars as pl
import pytest

from pipelines.errors import InputError, UnreadableFileError
from pipelines.warehouse.price_history import history, load, market, tables
from schemas.published.intake import INTAKE_FILE, QUARANTINED_ROW
from schemas.validate import validate_typed
from tests.builders.taken_files import NOW, OFFER, Taken, failures_of, parents_of, quarantined_keys_of, summaries, taken

TABLES = ("received_file", "price_observation", "summary_observation", "quarantined_failure", "quarantined_key", "corrected_record",
          "file_to_fold")  # fmt: skip


def contents(con: duckdb.DuckDBPyConnection) -> Any:
    return {name: sorted(map(str, con.execute(f"from {name}").fetchall())) for name in TABLES}


def accounts(con: duckdb.DuckDBPyConnection) -> dict[str, dict[str, Any]]:
    frame = validate_typed(INTAKE_FILE, tables.intake_tables(con)["intake_file"], where="test")
    for row in frame.to_dicts():
        counts = [row[name] for name in row if name.endswith("_row_count") and name != "read_row_count"]
        assert sum(counts) == row["read_row_count"], row
    return {row["file_hash"]: row for row in frame.to_dicts()}


def test_a_known_hash_changes_nothing_but_is_counted(con: duckdb.DuckDBPyConnection) -> None:
    first = taken("aa", [{}], failures=failures_of(2), quarantined_keys=quarantined_keys_of({2: {}}), read_row_count=2)
    assert load.load_file(con, first, NOW) == "loaded"
    history.fold(con)
    before, mark = contents(con), history.fingerprint(con)
    for _ in range(2):
        assert load.load_file(con, replace(first, file_name="renamed.csv"), NOW.replace(hour=9)) == "duplicate"
    assert history.fold(con) == 0
    assert history.fingerprint(con) == mark
    after = contents(con)
    assert [row.replace(", 2)", ", 0)") for row in after.pop("received_file")] == before.pop("received_file")
    assert after == before
    assert con.execute("select file_name, received_at, repeat_drop_count from received_file").fetchall() == [
        ("prices.csv", NOW, 2)
    ]


def test_every_column_arrives_as_it_was(con: duckdb.DuckDBPyConnection) -> None:
    odd = {
        "part_code": "00501", "listing_code": "a'b\"c", "assortment_code": "é;|\t", "unit_price": Decimal("99999.999999"),
        "maximum_per_order": 7, "quantity_available": 100_000_000, "form_certainty": "open", "revision_number": 3,
    }  # fmt: skip
    load.load_file(con, taken("aa", [odd]), NOW)
    got = con.sql("select * exclude (file_hash) from price_observation").pl().to_dicts()
    assert got == [{**OFFER, **odd, "record_number": 1, "source_line_number": 2}]


def test_a_failed_load_leaves_nothing(con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch) -> None:
    before = contents(con)
    monkeypatch.setitem(load._TABLES, "price_export", "no_such_table")
    with pytest.raises(Exception, match="no_such_table"):
        load.load_file(con, taken("aa", [{}]), NOW)
    assert contents(con) == before
    monkeypatch.undo()
    assert load.load_file(con, taken("aa", [{}]), NOW) == "loaded"


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"read_row_count": 3}, "3 rows were read, but 1 were accepted"),
        ({"duplicate_row_count": 1}, "1 rows were read"),
        ({"contract": None}, "without a contract"),
        ({"rows": taken("x", [{}]).rows.with_columns(pl.col("unit_price").cast(pl.Float64))}, "not typed"),
        ({"rows": taken("x", [{}]).rows.drop("condition")}, "not typed"),
        ({"rows": taken("x", [{}, {"unit_price": Decimal(2)}]).rows, "read_row_count": 2}, "repeat a key"),
    ],
)
def test_rows_that_do_not_add_up_are_refused(
    con: duckdb.DuckDBPyConnection, changes: dict[str, Any], message: str
) -> None:
    before = contents(con)
    with pytest.raises(InputError, match=message):
        load.load_file(con, replace(taken("aa", [{}]), **changes), NOW)
    assert contents(con) == before


def test_a_file_quarantined_whole_is_listed_and_can_be_taken_again(con: duckdb.DuckDBPyConnection) -> None:
    error = UnreadableFileError("no profile fits the columns", where="x.csv", next_step="write a profile")
    broken = Taken("aa", contract=None, error=error, failures=pl.DataFrame(), quarantined_keys=pl.DataFrame())
    assert load.load_file(con, broken, NOW) == "quarantined"
    assert load.load_file(con, broken, NOW) == "quarantined"
    assert history.fold(con) == 0
    row = accounts(con)["aa"]
    assert (row["file_status"], row["read_row_count"], row["table_name"]) == ("quarantined", 0, "")
    quarantined = validate_typed(QUARANTINED_ROW, tables.intake_tables(con)["quarantined_row"], where="test").to_dicts()
    assert [(r["record_number"], r["quarantined_rule"], r["what_to_do"]) for r in quarantined] == [
        (0, "no profile fits the columns", "write a profile")
    ]
    assert load.load_file(con, taken("aa", [{}]), NOW) == "loaded"
    history.fold(con)
    assert accounts(con)["aa"]["accepted_row_count"] == 1
    assert tables.intake_tables(con)["quarantined_row"].is_empty()
    assert load.load_file(con, broken, NOW) == "duplicate"
    assert accounts(con)["aa"]["file_status"] == "loaded"


def test_the_same_bytes_read_in_another_way_replace_what_they_gave(con: duckdb.DuckDBPyConnection) -> None:
    failures = {"failures": failures_of(3), "quarantined_keys": quarantined_keys_of({3: {}}), "read_row_count": 3}
    wrong = taken("aa", [{"vendor_code": "wrong"}, {"part_code": "kept"}], **failures)
    assert load.load_file(con, wrong, NOW) == "loaded"
    history.fold(con)
    right = taken("aa", [{"unit_price": Decimal("0.20")}, {"part_code": "kept"}, {"part_code": "3"}])
    assert load.load_file(con, right, NOW) == "reread"
    assert history.fold(con) == 2, "the vendor it no longer names is remade as well"
    found = tables.intake_tables(con)
    assert found["price_history"].select("vendor_code", "part_code", "unit_price").sort("part_code").rows() == [
        ("acorn", "00501", Decimal("0.20")), ("acorn", "3", Decimal("0.10")), ("acorn", "kept", Decimal("0.10")),
    ]  # fmt: skip
    assert found["quarantined_row"].is_empty() and set(found["vendor_export"]["vendor_code"]) == {"acorn"}
    assert accounts(con)["aa"]["accepted_row_count"] == 3
    before, mark = contents(con), history.fingerprint(con)
    assert load.load_file(con, right, NOW) == "duplicate"
    assert history.fold(con) == 0 and history.fingerprint(con) == mark
    assert {**contents(con), "received_file": 0} == {**before, "received_file": 0}


def test_prices_that_turn_out_to_be_a_summary_leave_the_history(con: duckdb.DuckDBPyConnection) -> None:
    load.load_file(con, taken("aa", [{}]), NOW)
    load.load_file(con, taken("bb", [{"vendor_code": "birch"}]), NOW)
    history.fold(con)
    assert load.load_file(con, summaries("aa", [{}]), NOW) == "reread"
    assert history.fold(con) == 1
    assert tables.intake_tables(con)["price_history"]["vendor_code"].to_list() == ["birch"]
    assert market.summary_prices(con, date(2026, 12, 1)).height == 1


def test_a_reading_that_differs_in_a_failure_alone_is_another(con: duckdb.DuckDBPyConnection) -> None:
    load.load_file(con, taken("aa", [{}], failures=failures_of(2), read_row_count=2), NOW)
    reworded = failures_of(2).with_columns(quarantined_rule=pl.lit("is not among the values the profile names"))
    assert load.load_file(con, taken("aa", [{}], failures=reworded, read_row_count=2), NOW) == "reread"


def test_a_loaded_file_that_cannot_be_read_any_more_stays(con: duckdb.DuckDBPyConnection) -> None:
    load.load_file(con, taken("aa", [{}]), NOW)
    history.fold(con)
    mark = history.fingerprint(con)
    broken = Taken("aa", contract=None, error=UnreadableFileError("no profile fits"))
    assert load.load_file(con, broken, NOW) == "duplicate"
    assert history.fold(con) == 0 and history.fingerprint(con) == mark


def test_of_rows_that_contradict_each_other_all_are_corrected_with_the_one_that_is_kept(
    con: duckdb.DuckDBPyConnection,
) -> None:
    both = failures_of(1, 2).with_columns(quarantined_column=pl.lit(""), quarantined_value=pl.lit("acorn / 00501"))
    other = failures_of(3, 4).with_columns(quarantined_column=pl.lit(""), quarantined_value=pl.lit("acorn / 00502"))
    load.load_file(con, taken("pp", [], failures=pl.concat([both, other]), read_row_count=4), NOW)
    load.load_file(con, taken("mm", [{}], parents=parents_of({1: ("pp", 2)})), NOW)
    history.fold(con)
    quarantined = tables.intake_tables(con)["quarantined_row"].select("record_number", "is_corrected").rows()
    assert quarantined == [(1, True), (2, True), (3, False), (4, False)]


def test_a_file_that_could_not_be_copied_is_not_recorded(con: duckdb.DuckDBPyConnection) -> None:
    before = contents(con)
    gone = Taken("", contract=None, error=UnreadableFileError("cannot be read"))
    assert load.load_file(con, gone, NOW) == "quarantined"
    assert load.load_file(con, gone, NOW) == "quarantined"
    assert contents(con) == before


def test_a_corrected_row_rejoins_its_export_and_is_counted_where_it_came_in(con: duckdb.DuckDBPyConnection) -> None:
    parent = taken("pp", [{}], failures=failures_of(2, 3), quarantined_keys=quarantined_keys_of({2: {"colour_code": "8"}}),
                   unreadable_key_count=1, read_row_count=3)  # fmt: skip
    corrected = taken(
        "mm", [{"colour_code": "8", "coverage": "partial", "revision_number": 5}], failures=failures_of(2),
        parents=parents_of({1: ("pp", 2), 2: ("pp", 3)}), read_row_count=2,
    )  # fmt: skip
    load.load_file(con, parent, NOW)
    load.load_file(con, corrected, NOW)
    history.fold(con)
    found = tables.intake_tables(con)
    assert found["vendor_export"].rows() == [("pp", "acorn", date(2026, 1, 10), "full", 0, "winner", 2)]
    counts = {hash_: (row["accepted_row_count"], row["quarantined_row_count"]) for hash_, row in accounts(con).items()}
    assert counts == {"pp": (1, 2), "mm": (1, 1)}
    quarantined = found["quarantined_row"].select("file_hash", "record_number", "is_corrected").rows()
    assert quarantined == [("mm", 2, False), ("pp", 2, True), ("pp", 3, False)]


def test_a_row_that_failed_again_is_corrected_by_another_copy_but_not_by_the_one_it_should_correct(
    con: duckdb.DuckDBPyConnection,
) -> None:
    load.load_file(con, taken("pp", [], failures=failures_of(1), unreadable_key_count=1, read_row_count=1), NOW)
    again = {"failures": failures_of(1), "read_row_count": 1}
    load.load_file(con, taken("m1", [], parents=parents_of({1: ("pp", 1)}), **again), NOW)
    load.load_file(con, taken("m2", [{}], parents=parents_of({1: ("pp", 1)})), NOW)
    load.load_file(con, taken("m3", [], parents=parents_of({1: ("m2", 1)}), **again), NOW)
    history.fold(con)
    quarantined = tables.intake_tables(con)["quarantined_row"].select("file_hash", "is_corrected").rows()
    assert quarantined == [("m1", True), ("m3", False), ("pp", True)]


def test_a_row_added_to_a_corrected_file_cannot_pass_for_a_full_export(con: duckdb.DuckDBPyConnection) -> None:
    load.load_file(con, taken("pp", [{"part_code": f"{n}"} for n in range(3)], failures=failures_of(4),
                              quarantined_keys=quarantined_keys_of({4: {}}), read_row_count=4), NOW)  # fmt: skip
    load.load_file(con, taken("zz", [{}, {"part_code": "new"}], parents=parents_of({1: ("pp", 4)})), NOW)
    history.fold(con)
    assert set(
        tables.intake_tables(con)["vendor_export"].select("file_hash", "coverage", "export_standing").rows()
    ) == {
        ("pp", "full", "winner"),
        ("zz", "partial", "overlay"),
    }


def test_summaries_the_latest_per_source_and_element(con: duckdb.DuckDBPyConnection) -> None:
    load.load_file(con, summaries("aa", [{"average_price": Decimal("0.30")}, {"part_code": "2"}]), NOW)
    load.load_file(con, summaries("bb", [{"average_price": Decimal("0.40")}]), NOW)
    load.load_file(con, summaries("cc", [{"observed_on": date(2026, 1, 12), "average_price": Decimal("0.50")}]), NOW)
    history.fold(con)
    prices = market.summary_prices(con, date(2026, 1, 11)).select("part_code", "average_price").rows()
    assert prices == [("00501", Decimal("0.40")), ("2", Decimal("0.12"))]
    assert market.summary_prices(con, date(2026, 1, 12))["average_price"].to_list()[0] == Decimal("0.50")
    assert market.summary_prices(con, date(2026, 1, 9)).is_empty()
    counts = {h: (r["accepted_row_count"], r["superseded_row_count"]) for h, r in accounts(con).items()}
    assert counts == {"aa": (1, 1), "bb": (1, 0), "cc": (1, 0)}
    mark = history.fingerprint(con)
    history.set_decisions(con, accepted=[], withdrawn=["bb"])
    history.fold(con)
    assert history.fingerprint(con) != mark
    assert market.summary_prices(con, date(2026, 1, 11))["average_price"].to_list()[0] == Decimal("0.30")
    assert accounts(con)["bb"]["withdrawn_row_count"] == 1


def test_a_withdrawal_can_be_taken_back(con: duckdb.DuckDBPyConnection) -> None:
    load.load_file(con, taken("aa", [{}]), NOW)
    history.fold(con)
    mark = history.fingerprint(con)
    history.set_decisions(con, accepted=[], withdrawn=["aa"])
    assert history.fold(con) == 1
    assert tables.intake_tables(con)["price_history"].is_empty()
    assert history.observed_dates(con) == (None, None)
    assert accounts(con)["aa"]["file_status"] == "withdrawn"
    history.set_decisions(con, accepted=[], withdrawn=[])
    history.set_decisions(con, accepted=[], withdrawn=[])
    assert history.fold(con) == 1
    assert history.fingerprint(con) == mark
    assert history.observed_dates(con) == (date(2026, 1, 10), date(2026, 1, 10))


def test_rows_never_folded_do_not_pass_the_accounting(con: duckdb.DuckDBPyConnection) -> None:
    load.load_file(con, taken("aa", [{}]), NOW)
    row = tables.intake_tables(con)["intake_file"].to_dicts()[0]
    assert row["read_row_count"] == 1 and row["accepted_row_count"] == 0


def test_a_fold_touches_only_vendors_with_news(con: duckdb.DuckDBPyConnection) -> None:
    for number in range(5):
        load.load_file(con, taken(f"{number}", [{"vendor_code": f"v{number}"}]), NOW)
    assert history.fold(con) == 5
    load.load_file(con, taken("x", [{"vendor_code": "v3", "observed_on": date(2026, 2, 1)}]), NOW)
    assert history.fold(con) == 1
    assert history.fold(con) == 0


def test_a_killed_fold_is_as_if_it_never_began(con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch) -> None:
    load.load_file(con, taken("aa", [{}]), NOW)
    monkeypatch.setattr(history, "append_exports", lambda con: 0)
    before = contents(con)
    monkeypatch.setattr(history, "_WRITE", ("listing_run", "price_period", "no_such_step"))
    with pytest.raises(Exception):  # noqa: B017
        history.fold(con)
    assert contents(con) == before
    assert tables.intake_tables(con)["price_history"].is_empty()
    monkeypatch.undo()
    assert history.fold(con) == 1
