"""The screen of suspect prices on random markets: like every price on its own, in any pieces, whichever nights ran."""

import math
from collections.abc import Iterable, Iterator
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path
from random import Random
from typing import Any

import duckdb
import polars as pl
import pytest

from pipelines.flows.steps import price_screen
from pipelines.inputs import exchange_rate_on
from pipelines.trends.prices import suspects
from pipelines.warehouse import connect
from pipelines.warehouse.price_history import history, load, screening
from schemas.inputs.catalogue import PARTS
from schemas.inputs.price_decisions import CONFIRMED_PRICES
from schemas.inputs.vendors import EXCHANGE_RATES
from schemas.validate import empty_frame, polars_schema
from tests.builders.length import examples
from tests.builders.taken_files import NOW, taken
from tests.oracle.screen_one_by_one import STEP, suspects_one_by_one

FIRST = date(2026, 1, 1)
VENDORS = ("acorn", "birch", "cedar", "elm", "fir", "hazel", "maple")
FAMILIES = {"p1": "bricks", "p2": "bricks", "p3": "plates", "p4": ""}
"""One more part is not in the table at all."""
SEEDS = range(examples(12, 150))


def tables(rates: Iterable[tuple[date, str]] = ()) -> dict[str, pl.DataFrame]:
    """The tables the screen needs: SEK in EUR at the rates given; GBP never has one."""
    rows = [(day, "SEK", "EUR", Decimal(rate)) for day, rate in rates]
    return {
        "parts": pl.DataFrame([(part, part, family, "plain", "hard", None, None) for part, family in FAMILIES.items()],
                              schema=polars_schema(PARTS), orient="row"),
        "exchange_rates": pl.DataFrame(rows, schema=polars_schema(EXCHANGE_RATES), orient="row"),
        "confirmed_prices": empty_frame(CONFIRMED_PRICES),
    }  # fmt: skip


RATES = [(FIRST + timedelta(days=n), rate) for n, rate in ((-1, "0.09"), (3, "0.1"), (4, "0.11"))]


def random_exports(rng: Random) -> list[Any]:
    """Full and partial exports of days and vendors: elements whose prices drift, now and then far off, or that are gone."""
    elements = [(f"p{n % 5 + 1}", f"c{n % 7}", "used" if n % 9 == 0 else "new") for n in range(20)]
    usual = {element: math.exp(rng.uniform(-3, 2)) for element in elements}
    exports = []
    for day in range(rng.randint(2, 7)):
        for vendor in VENDORS:
            if rng.random() < 0.2:
                continue
            offers: list[dict[str, Any]] = []
            coverage = rng.choice(("full", "partial"))
            for element in rng.sample(elements, rng.randint(1, len(elements))):
                for listing, step in rng.choice(((("", 1),), (("", 1), ("", 10)), (("a", 5), ("a", 50), ("b", 1)))):
                    off = rng.choice((1, 1, 1, 1, 1, 1, 10, 0.1, 2.4))
                    price = usual[element] * off * rng.lognormvariate(0, rng.choice((0.02, 0.1, 0.4)))
                    offers.append({
                        "vendor_code": vendor, "observed_on": FIRST + timedelta(days=day), "coverage": coverage,
                        "part_code": element[0], "colour_code": element[1], "condition": element[2],
                        "listing_code": listing, "step_from_quantity": step,
                        "unit_price": Decimal(f"{max(price, 0.000001):.6f}"),
                        "currency_code": rng.choice(("EUR",) * 8 + ("SEK", "GBP")),
                        "quantity_available": rng.randint(0, 3), "sold_in_multiples_of": rng.choice((1, 1, 10)),
                    })  # fmt: skip
            exports.append(taken(f"{day}-{vendor}", offers))
    return exports


def take(con: duckdb.DuckDBPyConnection, *exports: Any) -> None:
    for export in exports:
        assert load.load_file(con, export, NOW) == "loaded"
    history.fold(con)


def screened(con: duckdb.DuckDBPyConnection, given: dict[str, pl.DataFrame]) -> pl.DataFrame:
    found = price_screen.screened(con, given, "EUR")
    kept = con.execute("select offer_id, step_from_quantity from suspect_price order by all").fetchall()
    assert kept == sorted(found.select("offer_id", "step_from_quantity").rows()), "markets know the same"
    return found


def screened_afresh(con: duckdb.DuckDBPyConnection, given: dict[str, pl.DataFrame]) -> pl.DataFrame:
    con.execute("delete from screened_day")
    return screened(con, given)


def flags(found: pl.DataFrame) -> dict[Any, Any]:
    """What was found of every suspect price, by step and day."""
    rows = found.select(*STEP, "price_from_on", "own_ratio", "market_ratio", "rival_vendor_count").unique().rows()
    return {row[: len(STEP) + 1]: row[len(STEP) + 1 :] for row in rows}


def seen_pieces(monkeypatch: pytest.MonkeyPatch) -> list[date]:
    """From which day on new prices are looked for, once for each piece of the history."""
    seen: list[date] = []
    usual = suspects.new_prices

    def new_prices(periods: pl.DataFrame, since: date) -> pl.DataFrame:
        seen.append(since)
        return usual(periods, since)

    monkeypatch.setattr(suspects, "new_prices", new_prices)
    return seen


@pytest.fixture
def con() -> Iterator[duckdb.DuckDBPyConnection]:
    with connect.writer(Path(":memory:")) as con:
        yield con


@pytest.mark.parametrize("seed", SEEDS)
def test_every_price_is_as_if_screened_on_its_own(seed: int) -> None:
    given = tables(RATES)
    with connect.writer(Path(":memory:")) as con:
        take(con, *random_exports(Random(seed)))
        found = screened(con, given)
        rows = connect.frame_of(con, "from price_history").to_dicts()
    rates = {
        (FIRST + timedelta(days=day), code): float(rate)
        for day in range(10)
        for code in ("EUR", "SEK", "GBP")
        if (rate := exchange_rate_on(given["exchange_rates"], code, "EUR", FIRST + timedelta(days=day)))
    }
    expected = suspects_one_by_one(rows, FAMILIES, rates)
    names = ("own_ratio", "market_ratio", "rival_vendor_count")
    assert flags(found) == {
        key: tuple(row[name] and pytest.approx(row[name], rel=1e-9) for name in names) for key, row in expected.items()
    }
    assert found.height, "a market without suspects shows nothing"


@pytest.mark.parametrize("seed", SEEDS)
def test_pieces_of_any_size_find_the_same(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    with connect.writer(Path(":memory:")) as con:
        take(con, *random_exports(Random(seed)))
        whole = screened(con, tables(RATES))
        monkeypatch.setattr(screening, "PIECE", 7)
        monkeypatch.setattr(screening, "BATCH", 5)
        pieces = seen_pieces(monkeypatch)
        assert screened_afresh(con, tables(RATES)).equals(whole)
    assert len(pieces) > 10


@pytest.mark.parametrize("seed", range(examples(4, 60)))
def test_screening_what_changed_finds_what_screening_all_finds(seed: int) -> None:
    """In whatever order files come in, are withdrawn and come back, and whatever rates are added and corrected."""
    rng = Random(seed)
    exports = random_exports(rng)
    if rng.random() < 0.7:
        rng.shuffle(exports)
    rates = list(RATES)
    with connect.writer(Path(":memory:")) as con:
        while exports:
            count = rng.randint(3, 12)
            now, exports = exports[:count], exports[count:]
            if rng.random() < 0.3:
                history.set_decisions(con, accepted=(), withdrawn=rng.sample([file.file_hash for file in now], 1))
            take(con, *now)
            if rng.random() < 0.2:
                rates[rng.randrange(len(rates))] = (FIRST + timedelta(days=rng.randint(-3, 6)), rng.choice("123"))
            one = screened(con, tables(dict(rates).items()))
            again = screened(con, tables(dict(rates).items()))
            every = screened_afresh(con, tables(dict(rates).items()))
            assert one.equals(every) and again.equals(every)


def test_only_days_from_the_first_change_on_are_screened_again(
    con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen = seen_pieces(monkeypatch)
    offer = {"vendor_code": "acorn", "coverage": "partial"}
    take(con, taken("a", [{**offer, "observed_on": FIRST}]))

    def days(given: dict[str, pl.DataFrame], currency_code: str = "EUR") -> list[date]:
        seen.clear()
        price_screen.screened(con, given, currency_code)
        return sorted(set(seen))

    everything = [date(1, 1, 1)]
    assert days(tables(RATES)) == everything
    assert days(tables(RATES)) == [], "nothing changed"
    later = FIRST + timedelta(days=5)
    take(con, taken("b", [{**offer, "observed_on": later, "unit_price": Decimal("0.2")}]))
    assert days(tables(RATES)) == [later]
    before = FIRST + timedelta(days=2)
    take(con, taken("c", [{**offer, "observed_on": before, "unit_price": Decimal("0.3")}]))
    assert days(tables(RATES)) == [before], "a late file"
    assert days(tables(RATES[:-1])) == [RATES[-1][0]], "a rate"
    assert days(tables(RATES[:-1]), "SEK") == everything, "the common currency"
    other = tables(RATES[:-1]) | {"parts": empty_frame(PARTS)}
    assert days(other, "SEK") == everything, "families"
    monkeypatch.setattr(price_screen, "software_digest", lambda: "other rules")
    assert days(other, "SEK") == everything
    history.set_decisions(con, accepted=(), withdrawn=["b"])
    history.fold(con)
    assert days(other, "SEK") == [later], "a withdrawal"


def test_an_offer_that_turns_out_to_have_ended_is_no_rival(con: duckdb.DuckDBPyConnection) -> None:
    """A late full export adds no price and only ends an offer: a first price of a later day then has too few to compare with."""
    own = {"coverage": "full", "observed_on": FIRST}
    other = {"colour_code": "8"}
    take(con, taken("a", [{**own, "vendor_code": "acorn"}, {**own, "vendor_code": "acorn", **other}]))
    take(con, taken("b", [{**own, "vendor_code": "birch"}, {**own, "vendor_code": "cedar"}]))
    later = FIRST + timedelta(days=5)
    take(
        con, taken("c", [{"vendor_code": "elm", "observed_on": later, "unit_price": Decimal(1), "coverage": "partial"}])
    )
    assert screened(con, tables())["vendor_code"].to_list() == ["elm"]
    take(con, taken("d", [{**own, "vendor_code": "acorn", "observed_on": FIRST + timedelta(days=2), **other}]))
    assert con.execute("select count(*) from price_period where valid_to_on is not null").fetchall() == [(1,)]
    assert screened(con, tables()).is_empty()
    assert screened_afresh(con, tables()).is_empty()
