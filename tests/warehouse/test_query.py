"""Queries by readers: answered, limited, and sealed from everything but the database."""

import time

import polars as pl
import pytest
from published_case import published_tables

from pipelines.errors import KitfareError, UsageError
from pipelines.warehouse import generation
from pipelines.warehouse.query import run_query


@pytest.fixture(scope="module")
def database(tmp_path_factory):
    folder = tmp_path_factory.mktemp("published")
    generation.build(folder, published_tables())
    (folder / "other.csv").write_text("a,b\n1,2\n")
    return folder / generation.DATABASE_NAME


def test_a_query_is_answered_as_a_frame(database):
    found = run_query(database, "select model_code, landed_cost from model_cost")
    assert found.rows()[0][0] == "mill"
    assert found.schema["landed_cost"] == pl.Decimal(18, 2)
    assert run_query(database, "select 1; select 2 as two")["two"].to_list() == [2]
    assert run_query(database, "describe model_cost").height == 28
    assert run_query(database, "from market_on(date '2026-01-20', 30)").height == 3
    assert run_query(database, "from last_seen_prices(date '2026-01-20')").height == 3


def test_rows_are_limited(database):
    many = "select unnest(range(20000)) as n"
    assert run_query(database, many).height == 10_000
    assert run_query(database, many, max_rows=7)["n"].to_list() == list(range(7))
    assert run_query(database, many, max_rows=None).height == 20_000


REFUSED = [
    "select * from '{folder}/other.csv'",
    "select * from read_csv('{folder}/other.csv')",
    "select * from read_text('{folder}/other.csv')",
    "select * from read_parquet('{folder}/tables/model_cost.parquet')",
    "select * from glob('*')",
    "copy model_cost to '{folder}/out.csv'",
    "copy (select 1) to '/dev/stdout'",
    "export database '{folder}/out'",
    "import database '{folder}'",
    "attach '{folder}/out.db'",
    "attach '{database}' as again; insert into again.check_result values ('a', 1)",
    "attach '{database}' as again (read_write)",
    "install httpfs",
    "load httpfs",
    "select * from 'https://example.invalid/x.csv'",
    "create secret s (type s3)",
    "set memory_limit = '9GB'",
    "set enable_external_access = true",
    "set lock_configuration = false",
    "reset memory_limit",
    "pragma threads = 8",
    "set temp_directory = '{folder}'",
    "insert into model_cost select * from model_cost",
    "update model_cost set landed_cost = 0",
    "delete from model_cost",
    "drop table model_cost",
    "create table t (i integer)",
    "create or replace view current_cost as select 1",
    "comment on table model_cost is 'x'",
    "alter table model_cost add column x integer",
]


@pytest.mark.parametrize("sql", REFUSED)
def test_what_reaches_beyond_the_tables_is_refused(database, sql):
    before = sorted(path.name for path in database.parent.iterdir())
    bytes_before = database.read_bytes()
    with pytest.raises(UsageError, match="cannot be answered"):
        run_query(database, sql.format(folder=database.parent, database=database))
    assert sorted(path.name for path in database.parent.iterdir()) == before
    assert database.read_bytes() == bytes_before


def test_python_variables_are_out_of_reach(database):
    secret = pl.DataFrame({"a": [1]})
    with pytest.raises(UsageError, match="secret does not exist"):
        run_query(database, "select * from secret")
    assert secret.height == 1


@pytest.mark.parametrize(
    ("sql", "message"),
    [
        ("selec 1", "Parser Error"),
        ("select no_such from model_cost", "no_such"),
        ("select error('wrong')", "wrong"),
        ("select cast('x' as integer)", "Could not convert"),
        ("select interval 1 day as i", "interval"),
    ],
)
def test_mistakes_are_told_in_the_words_of_the_database(database, sql, message):
    with pytest.raises(UsageError, match=message) as caught:
        run_query(database, sql)
    assert caught.value.exit_code == 2


def test_a_query_that_takes_too_long_is_stopped(database):
    began = time.monotonic()
    with pytest.raises(UsageError, match=r"longer than 0\.3 seconds"):
        run_query(database, "select count(*) from range(1000000) a, range(1000000) b", timeout_seconds=0.3)
    assert time.monotonic() - began < 5
    assert run_query(database, "select 1 as one").height == 1


def test_a_query_that_needs_too_much_memory_is_stopped(database):
    with pytest.raises(UsageError, match="Out of Memory"):
        run_query(database, "select string_agg(range::varchar) from range(50000000)", memory_limit_mb=100)


def test_nothing_published_yet(tmp_path):
    with pytest.raises(UsageError, match="nothing is published yet"):
        run_query(tmp_path / "published" / "kitfare.duckdb", "select 1")


def test_a_database_that_cannot_be_read(tmp_path):
    (tmp_path / "kitfare.duckdb").write_bytes(b"x" * 50_000)
    with pytest.raises(KitfareError, match="cannot be opened"):
        run_query(tmp_path / "kitfare.duckdb", "select 1")
