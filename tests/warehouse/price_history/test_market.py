"""Prices as of a date: what the macros promise, by hand-worked examples; the random sets are compared elsewhere."""

from datetime import date
from decimal import Decimal
from typing import Any

import duckdb
import pytest

from pipelines.warehouse.price_history import history, load, market
from schemas.published.price_history import PRICE_HISTORY
from schemas.validate import polars_schema
from tests.builders.taken_files import NOW, failures_of, parents_of, quarantined_keys_of, taken

OTHERS = [{"part_code": f"other{n}"} for n in range(4)]


def on(day: int, *offers: dict[str, Any], **common: Any) -> list[dict[str, Any]]:
    return [{**offer, "observed_on": date(2026, 1, day), **common} for offer in offers]


def seen(
    con: duckdb.DuckDBPyConnection, day: date, stale_after_days: int = 30, part: str = "00501"
) -> list[tuple[Any, ...]]:
    frame = market.market_on(con, day, stale_after_days)
    mine = frame.filter(frame["part_code"] == part)
    return mine.select("vendor_code", "step_from_quantity", "unit_price", "last_confirmed_on").rows()


def take(con: duckdb.DuckDBPyConnection, file_hash: Any, offers: Any, **changes: Any) -> None:
    load.load_file(con, taken(file_hash, offers, **changes), NOW)
    history.fold(con)


def test_the_frame_is_the_price_history_with_one_more_column(con: duckdb.DuckDBPyConnection) -> None:
    take(con, "a", on(10, {}))
    for frame in (market.market_on(con, date(2026, 1, 10), 30), market.last_seen_prices(con, date(2026, 1, 10))):
        assert frame.height == 1
        # When a run of confirmations began is no part of a day: later runs are not known then.
        schema = {name: kind for name, kind in polars_schema(PRICE_HISTORY).items() if name != "confirmed_from_on"}
        assert frame.columns == [*schema, "is_suspect"]
        assert all(frame.schema[name] == dtype for name, dtype in schema.items())
        assert frame["is_suspect"].to_list() == [False]


def test_an_offer_is_on_the_market_from_its_first_day_until_it_goes_stale(con: duckdb.DuckDBPyConnection) -> None:
    take(con, "a", on(10, {}))
    assert seen(con, date(2026, 1, 9)) == []
    needed = [("acorn", 1, Decimal("0.1"), date(2026, 1, 10))]
    assert seen(con, date(2026, 1, 10), 0) == needed
    assert seen(con, date(2026, 2, 9)) == needed  # 30 days later
    assert seen(con, date(2026, 2, 10)) == []  # 31 days later
    last = market.last_seen_prices(con, date(2026, 3, 1))
    assert last.select("unit_price", "valid_to_on", "last_confirmed_on").rows() == [
        (Decimal("0.1"), None, date(2026, 1, 10))
    ]
    assert market.last_seen_prices(con, date(2026, 1, 9)).is_empty()


def test_a_full_export_closes_on_its_own_date_what_it_leaves_out(con: duckdb.DuckDBPyConnection) -> None:
    take(con, "a", on(10, {}, *OTHERS))
    take(con, "b", on(12, *OTHERS))
    assert len(seen(con, date(2026, 1, 11))) == 1
    assert seen(con, date(2026, 1, 12)) == []
    last = market.last_seen_prices(con, date(2026, 1, 12)).filter(part_code="00501")
    assert last["valid_to_on"].to_list() == [date(2026, 1, 12)]
    # what became known later is not shown for an earlier day
    assert market.last_seen_prices(con, date(2026, 1, 11)).filter(part_code="00501")["valid_to_on"].to_list() == [None]


def test_a_partial_export_closes_nothing_and_confirms_what_it_lists(con: duckdb.DuckDBPyConnection) -> None:
    take(con, "a", on(10, {}, *OTHERS))
    take(con, "b", on(12, *OTHERS, coverage="partial"))
    assert seen(con, date(2026, 1, 12)) == [("acorn", 1, Decimal("0.1"), date(2026, 1, 10))]
    assert seen(con, date(2026, 1, 12), part="other1")[0][3] == date(2026, 1, 12)
    assert seen(con, date(2026, 1, 11), part="other1")[0][3] == date(2026, 1, 10)


def test_a_quarantined_row_keeps_its_offer_but_does_not_confirm_it(con: duckdb.DuckDBPyConnection) -> None:
    take(con, "a", on(10, {}, *OTHERS))
    quarantined = quarantined_keys_of({5: {"observed_on": date(2026, 1, 12)}})
    take(con, "b", on(12, *OTHERS), failures=failures_of(5), quarantined_keys=quarantined, read_row_count=5)
    take(con, "c", on(14, {}, *OTHERS))
    for day, confirmed in ((11, 10), (12, 10), (13, 10), (14, 14)):
        assert seen(con, date(2026, 1, day)) == [("acorn", 1, Decimal("0.1"), date(2026, 1, confirmed))]
        assert seen(con, date(2026, 1, day), part="other2")[0][3] == date(2026, 1, day - day % 2)
    runs = con.execute("select count(*) from offer_confirmation").fetchall()
    assert runs == [(6,)]  # one run each of four offers, two of the one that was quarantined in between


def test_many_confirmations_by_full_exports_take_one_row(con: duckdb.DuckDBPyConnection) -> None:
    for day in range(1, 29):
        load.load_file(con, taken(f"f{day}", on(day, {}, *OTHERS)), NOW)
    history.fold(con)
    assert con.execute("select count(*) from offer_confirmation").fetchall() == [(5,)]
    for day in (1, 2, 17, 28):
        assert seen(con, date(2026, 1, day))[0][3] == date(2026, 1, day)
    assert seen(con, date(2026, 2, 20))[0][3] == date(2026, 1, 28)


@pytest.mark.parametrize(
    "change",
    [
        {"unit_price": Decimal("0.100001")}, {"currency_code": "USD"}, {"quantity_available": 99},
        {"sold_in_multiples_of": 2}, {"assortment_code": "x"}, {"maximum_per_order": 9}, {"form_certainty": "open"},
    ],
)  # fmt: skip
def test_any_change_of_content_opens_a_new_price_period(con: duckdb.DuckDBPyConnection, change: dict[str, Any]) -> None:
    take(con, "a", on(10, {}, {"step_from_quantity": 10}))
    take(con, "b", on(12, {}, {"step_from_quantity": 10, **change}))
    price_periods = con.execute(
        "select step_from_quantity, valid_from_on, valid_to_on from price_history order by all"
    ).fetchall()
    first, second = date(2026, 1, 10), date(2026, 1, 12)
    assert price_periods == [(1, first, second), (1, second, None), (10, first, second), (10, second, None)]


def test_a_change_of_the_steps_opens_a_new_price_period(con: duckdb.DuckDBPyConnection) -> None:
    take(con, "a", on(10, {}))
    take(con, "b", on(12, {}, {"step_from_quantity": 10, "unit_price": Decimal("0.05")}))
    assert [row[1] for row in seen(con, date(2026, 1, 11))] == [1]
    assert [row[1] for row in seen(con, date(2026, 1, 12))] == [1, 10]
    take(con, "c", on(14, {}))
    assert [row[1] for row in seen(con, date(2026, 1, 14))] == [1]


def test_sold_out_offers_are_known_but_not_on_the_market(con: duckdb.DuckDBPyConnection) -> None:
    take(con, "a", on(10, {"quantity_available": 0}))
    assert seen(con, date(2026, 1, 10)) == []
    assert market.last_seen_prices(con, date(2026, 1, 10)).height == 1


def test_rows_of_one_file_may_be_of_several_vendors_and_dates(con: duckdb.DuckDBPyConnection) -> None:
    offers = [*on(10, {}, {"vendor_code": "birch"}), *on(12, {"unit_price": Decimal(2)})]
    take(con, "a", offers)
    assert [row[:3] for row in seen(con, date(2026, 1, 12))] == [
        ("acorn", 1, Decimal(2)),
        ("birch", 1, Decimal("0.1")),
    ]


def test_the_market_comes_sorted_by_key(con: duckdb.DuckDBPyConnection) -> None:
    take(con, "a", on(10, *({"part_code": p, "colour_code": c} for p in ("b", "a", "10", "2") for c in ("z", "y"))))
    keys = market.market_on(con, date(2026, 1, 10), 30).select("part_code", "colour_code").rows()
    assert keys == sorted(keys) and len(keys) == 8


def gap_at_twelve(con: duckdb.DuckDBPyConnection, **changes: Any) -> Any:
    """The offer is listed on the 10th, left out on the 12th: gone, unless something keeps it."""
    take(con, "a", on(10, {}, *OTHERS))
    take(con, "b", on(12, *OTHERS), **changes)
    return bool(seen(con, date(2026, 1, 12)))


def quarantined_at_twelve(*records: int) -> dict[str, Any]:
    return {
        "failures": failures_of(*records),
        "quarantined_keys": quarantined_keys_of({record: {"observed_on": date(2026, 1, 12)} for record in records}),
    }


def test_a_file_with_nothing_but_quarantined_rows_keeps_offers_open_too(con: duckdb.DuckDBPyConnection) -> None:
    assert not gap_at_twelve(con)
    load.load_file(con, taken("h", [], **quarantined_at_twelve(1), read_row_count=1), NOW)
    assert history.fold(con) == 1
    assert seen(con, date(2026, 1, 12)) == [("acorn", 1, Decimal("0.1"), date(2026, 1, 10))]
    history.set_decisions(con, accepted=[], withdrawn=["h"])
    assert history.fold(con) == 1
    assert seen(con, date(2026, 1, 12)) == []


def test_quarantined_rows_corrected_into_another_offer_keep_the_first_open_no_longer(
    con: duckdb.DuckDBPyConnection,
) -> None:
    assert gap_at_twelve(con, **quarantined_at_twelve(5), read_row_count=5)
    take(con, "m", on(12, {"part_code": "9"}), parents=parents_of({1: ("b", 5)}))
    assert seen(con, date(2026, 1, 12)) == []
    assert len(seen(con, date(2026, 1, 12), part="9")) == 1
    history.set_decisions(con, accepted=[], withdrawn=["m"])
    history.fold(con)
    assert len(seen(con, date(2026, 1, 12))) == 1
    assert seen(con, date(2026, 1, 12), part="9") == []


def test_a_row_quarantined_again_in_a_file_of_a_withdrawn_parent_keeps_nothing_open(
    con: duckdb.DuckDBPyConnection,
) -> None:
    assert not gap_at_twelve(
        con, failures=failures_of(5), unreadable_key_count=1, read_row_count=100, duplicate_row_count=95
    )
    again = {**quarantined_at_twelve(1), "parents": parents_of({1: ("b", 5)}), "read_row_count": 1}
    take(con, "m", [], **again)
    assert len(seen(con, date(2026, 1, 12))) == 1
    take(con, "c", on(12, *OTHERS))
    history.set_decisions(con, accepted=[], withdrawn=["b"])
    history.fold(con)
    assert seen(con, date(2026, 1, 12)) == []


@pytest.mark.parametrize(("read_row_count", "stays"), [(100, False), (99, True)])
def test_over_one_percent_of_rows_without_a_key_closes_nothing_until_corrected(
    con: duckdb.DuckDBPyConnection, read_row_count: int, stays: bool
) -> None:
    keyless = {"failures": failures_of(5), "unreadable_key_count": 1, "read_row_count": read_row_count}
    assert gap_at_twelve(con, **keyless, duplicate_row_count=read_row_count - 5) is stays
    take(con, "m", on(12, {"part_code": "9"}), parents=parents_of({1: ("b", 5)}))
    assert seen(con, date(2026, 1, 12)) == []


def test_rows_whose_cells_slipped_count_as_without_a_key_though_one_can_be_read(con: duckdb.DuckDBPyConnection) -> None:
    slipped = {
        "failures": failures_of(5), "quarantined_keys": quarantined_keys_of({5: {"part_code": "slipped"}}), "unreadable_key_count": 1,
    }  # fmt: skip
    assert gap_at_twelve(con, **slipped, read_row_count=5)


def test_an_offer_that_comes_back_unchanged_has_two_price_periods(con: duckdb.DuckDBPyConnection) -> None:
    gap_at_twelve(con)
    take(con, "c", on(14, {}, *OTHERS))
    price_periods = con.execute(
        "select valid_from_on, valid_to_on from price_history where part_code = '00501' order by all"
    ).fetchall()
    assert price_periods == [(date(2026, 1, 10), date(2026, 1, 12)), (date(2026, 1, 14), None)]


def test_an_export_with_a_finding_waits_until_it_is_accepted(con: duckdb.DuckDBPyConnection) -> None:
    take(con, "a", on(10, {}, *OTHERS))
    con.execute(
        "insert into export_finding values ('b', 'acorn', $1, 'offers_gone', 'waits', 60, 50, '', null, '')",
        [date(2026, 1, 12)],
    )
    take(con, "b", on(12, *OTHERS[:2]))
    assert len(seen(con, date(2026, 1, 12))) == 1
    standing = "select export_standing from vendor_export where file_hash = 'b'"
    assert con.execute(standing).fetchall() == [("waiting",)]
    assert con.execute("select file_status, accepted_row_count, quarantined_row_count from intake_file() where file_hash = 'b'").fetchall() == [("waiting", 0, 2)]  # fmt: skip
    history.set_decisions(con, accepted=["b"], withdrawn=[])
    history.fold(con)
    assert seen(con, date(2026, 1, 12)) == []
    assert con.execute(standing).fetchall() == [("winner",)]
