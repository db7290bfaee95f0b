"""Queries by readers: answered, limited, and sealed from everything but the database."""

import shutil
import time
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipelines.errors import KitfareError, UsageError
from pipelines.warehouse import connect
from pipelines.warehouse.publishing import generation, query
from pipelines.warehouse.publishing.query import asking, run_query
from pipelines.workspace import DATABASE
from tests.builders.published.small_night import published_tables


@pytest.fixture(scope="module")
def database(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("published")
    generation.build(folder, published_tables())
    (folder / "other.csv").write_text("a,b\n1,2\n")
    return folder / DATABASE


def test_a_query_is_answered_as_a_frame(database: Any) -> None:
    found = run_query(database, "select model_code, landed_cost from model_cost")
    assert found.rows()[0][0] == "mill"
    assert found.schema["landed_cost"] == pl.Decimal(18, 2)
    assert run_query(database, "select 1; select 2 as two")["two"].to_list() == [2]
    assert run_query(database, "describe model_cost").height == 28
    assert run_query(database, "from market_on(date '2026-01-20', 30)").height == 3
    assert run_query(database, "from last_seen_prices(date '2026-01-20')").height == 3


def test_rows_are_limited(database: Any) -> None:
    many = "select unnest(range(20000)) as n"
    assert run_query(database, many).height == 10_000
    assert run_query(database, many, max_rows=7)["n"].to_list() == list(range(7))
    assert run_query(database, many, max_rows=None).height == 20_000


REFUSED = [
    "select * from '{folder}/other.csv'",
    "select * from read_csv('{folder}/other.csv')",
    "select * from read_text('{folder}/other.csv')",
    "select * from read_parquet('{folder}/private/tables/model_cost.parquet')",
    "select * from glob('*')",
    "select * from sniff_csv('{folder}/other.csv')",
    "select * from parquet_metadata('{folder}/private/tables/model_cost.parquet')",
    "select * from query('select * from read_text(''{folder}/other.csv'')')",
    "from json_execute_serialized_sql(json_serialize_sql('select * from read_text(''{folder}/other.csv'')'))",
    "call enable_logging(storage = 'file', storage_config = {{'path': '{folder}/log'}})",
    "set profiling_output = '{folder}/profile.json'",
    "from duckdb_secrets()",
    "attach ':memory:' as beside",
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
def test_what_reaches_beyond_the_tables_is_refused(database: Any, sql: Any) -> None:
    before = sorted(path.name for path in database.parent.iterdir())
    bytes_before = database.read_bytes()
    with pytest.raises(UsageError, match="cannot be answered"):
        run_query(database, sql.format(folder=database.parent, database=database))
    assert sorted(path.name for path in database.parent.iterdir()) == before
    assert database.read_bytes() == bytes_before


def test_python_variables_are_out_of_reach(database: Any) -> None:
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
def test_mistakes_are_reported_in_the_words_of_the_database(database: Any, sql: str, message: str) -> None:
    with pytest.raises(UsageError, match=message) as caught:
        run_query(database, sql)
    assert caught.value.exit_code == 2


def test_a_query_that_takes_too_long_is_stopped(database: Any) -> None:
    began = time.monotonic()
    with pytest.raises(UsageError, match=r"longer than 0\.3 seconds"):
        run_query(database, "select count(*) from range(1000000) a, range(1000000) b", timeout_seconds=0.3)
    assert time.monotonic() - began < 5
    assert run_query(database, "select 1 as one").height == 1


def test_a_query_that_needs_too_much_memory_is_stopped(database: Any) -> None:
    with pytest.raises(UsageError, match="Out of Memory"):
        run_query(database, "select string_agg(range::varchar) from range(50000000)", memory_limit_mb=100)


def test_an_answer_that_takes_too_much_memory_is_stopped(database: Any) -> None:
    """What was handed over no longer counts against the database's own limit."""
    with pytest.raises(UsageError, match="the answer takes more than 20 MB"):
        run_query(database, "from range(30000000)", max_rows=None, memory_limit_mb=20)


def test_several_questions_are_answered_from_one_generation_whatever_is_published_meanwhile(
    database: Any, tmp_path: Path
) -> None:
    for name in ("g1", "g2"):
        (tmp_path / name).mkdir()
        shutil.copy(database, tmp_path / name)
    link = tmp_path / "published"
    link.symlink_to("g1")
    with asking(link / database.name) as ask:
        first = ask("pragma database_list")[0]["file"]
        (tmp_path / "new").symlink_to("g2")
        (tmp_path / "new").replace(link)
        shutil.rmtree(tmp_path / "g1")
        assert ask("select count(*) as n from price_history") == [{"n": 3}]
        assert ask("pragma database_list")[0]["file"] == first and "g1" in first
    assert run_query(link / database.name, "pragma database_list")["file"][0].split("/")[-2] == "g2"


def test_a_generation_that_goes_between_following_the_link_and_opening_it_is_not_an_error(
    database: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("g1", "g2"):
        (tmp_path / name).mkdir()
        shutil.copy(database, tmp_path / name)
    link = tmp_path / "published"
    link.symlink_to("g1")
    opened = connect.open_database

    def late(path: Any, **named: Any) -> Any:
        if "g1" in str(path):
            shutil.rmtree(tmp_path / "g1")
            link.unlink()
            link.symlink_to("g2")
        return opened(path, **named)

    monkeypatch.setattr(query, "open_database", late)
    assert run_query(link / database.name, "select 1 as one").height == 1


def test_nothing_published_yet(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="nothing is published yet"):
        run_query(tmp_path / "published" / "kitfare.duckdb", "select 1")


def test_a_database_that_cannot_be_read(tmp_path: Path) -> None:
    (tmp_path / "kitfare.duckdb").write_bytes(b"x" * 50_000)
    with pytest.raises(KitfareError, match="cannot be opened"):
        run_query(tmp_path / "kitfare.duckdb", "select 1")
