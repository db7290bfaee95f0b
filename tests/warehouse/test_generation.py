"""Generations: what is written, and that readers see a whole one or the one before."""

import csv
import json
import shutil
from decimal import Decimal
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest

from pipelines.errors import CheckFailedError, InputError, KitfareError
from pipelines.warehouse import connect
from pipelines.warehouse.publishing import checks, generation
from pipelines.warehouse.publishing.query import run_query
from pipelines.workspace import Workspace
from schemas.all_columns import COLUMNS
from schemas.all_tables import ALL_PUBLISHED, WORKSPACE_TABLES
from schemas.published.plans import MODEL_COST
from schemas.published.runs import CHECK_RESULT, REFRESH_RUN
from schemas.validate import polars_schema
from tests.builders.published.small_night import published_tables, run_row, typed


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("built") / "generation"
    generation.build(folder, published_tables())
    return folder


@pytest.fixture
def workspace(tmp_path: Path) -> Any:
    (tmp_path / "kitfare.toml").write_text("")
    (tmp_path / "generations").mkdir()
    return Workspace(tmp_path)


def built_in(workspace: Any, name: Any, tables: Any = None) -> Path:
    folder = workspace.generations / name
    generation.build(folder, tables or {"refresh_run": typed(REFRESH_RUN, run_row(name))})
    found: Path = folder
    return found


def rows_of(path: Path) -> list[list[str]]:
    with path.open(newline="", encoding="utf-8") as handle:
        return list(csv.reader(handle))


def seen_by_readers(workspace: Any) -> str:
    found: str = run_query(workspace.published / "private/kitfare.duckdb", "select refresh_id from refresh_run").item()
    return found


def test_every_table_is_in_the_database_and_in_both_kinds_of_file(built: Any) -> None:
    names = {contract.name for contract in (*ALL_PUBLISHED, *WORKSPACE_TABLES)}
    found = run_query(built / "private/kitfare.duckdb", "select table_name from duckdb_tables()")["table_name"]
    assert set(found) == names
    assert {path.name for path in (built / "private/tables").iterdir()} == {
        f"{n}.{e}" for n in names for e in ("csv", "parquet")
    }
    # no .wal: it was checkpointed
    assert sorted(path.name for path in (built / "private").iterdir()) == ["kitfare.duckdb", "tables"]


def test_every_table_column_view_and_macro_says_what_it_means(built: Any) -> None:
    database = built / "private/kitfare.duckdb"
    for what, listing in {
        "table_name": "duckdb_tables()",
        "view_name": "duckdb_views() where not internal",
        "function_name": "duckdb_functions() where not internal",
    }.items():
        found = run_query(database, f"select {what} as name, comment from {listing}").rows()
        assert found and all(comment for _, comment in found), found
    columns = run_query(database, "select table_name, column_name, comment from duckdb_columns() where not internal")
    assert columns.filter(pl.col("comment").is_null()).is_empty()
    meant = {(row["table_name"], row["column_name"]): row["comment"] for row in columns.to_dicts()}
    for contract in generation.CONTRACTS.values():
        for name in contract.columns:
            assert COLUMNS[name].meaning in meant[contract.name, name]
    assert "unit: currency of the buyer" in meant["model_cost", "landed_cost"]


def test_types_are_those_of_the_contracts_and_amounts_have_their_currencys_digits(built: Any) -> None:
    columns = run_query(built / "private/kitfare.duckdb", "from duckdb_columns() where not internal", max_rows=None)
    types = {(row["table_name"], row["column_name"]): row["data_type"] for row in columns.to_dicts()}
    for contract in generation.CONTRACTS.values():
        for name in contract.columns:
            needed = "DECIMAL(18,2)" if COLUMNS[name].kind == "amount" else COLUMNS[name].duckdb_type
            assert types[contract.name, name] == needed, (contract.name, name)


@pytest.mark.parametrize(("currency", "digits"), [("JPY", 0), ("EUR", 2), ("KWD", 3)])
def test_digits_follow_the_currency(tmp_path: Path, currency: str, digits: int) -> None:
    whole = pl.col(pl.Decimal(18, 4)).cast(pl.Int64).cast(pl.Decimal(18, 4))
    tables = published_tables()
    cost = tables["model_cost"].with_columns(whole, currency_code=pl.lit(currency))
    saving = tables["colour_flex_saving"].with_columns(whole)
    generation.build(tmp_path / "g", {"model_cost": cost, "colour_flex_saving": saving})
    for table, column in (("model_cost", "landed_cost"), ("colour_flex_saving", "saving")):
        found = run_query(tmp_path / "g/private/kitfare.duckdb", f"select {column} from {table}")
        assert found.schema[column] == pl.Decimal(18, digits)
        header, row, *_ = rows_of(tmp_path / f"g/private/tables/{table}.csv")
        assert len(row[header.index(column)].partition(".")[2]) == digits


def test_a_table_of_two_currencies_gets_the_most_digits(tmp_path: Path) -> None:
    vendors = published_tables()["plan_vendor"]
    mixed = vendors.with_columns(vendor_currency_code=pl.Series(["JPY", "KWD"]))
    generation.build(tmp_path / "g", {"plan_vendor": mixed})
    found = pl.read_parquet(tmp_path / "g/private/tables/plan_vendor.parquet")
    assert found.schema["vendor_total"] == pl.Decimal(18, 3)


def test_an_amount_with_too_many_digits_is_not_rounded_in_silence(tmp_path: Path) -> None:
    cost = published_tables()["model_cost"].with_columns(goods=pl.lit("1.1001").cast(pl.Decimal(18, 4)))
    with pytest.raises(CheckFailedError, match=r"model_cost\.goods has amounts with more than 2 digits") as caught:
        generation.build(tmp_path / "g", {"model_cost": cost})
    assert "mill" in caught.value.where
    assert not (tmp_path / "g").exists()


def test_a_table_that_breaks_its_contract_is_not_written(tmp_path: Path) -> None:
    cost = published_tables()["model_cost"]
    for broken in (
        pl.concat([cost, cost]),
        cost.with_columns(plan_status=pl.lit("fine")),
        cost.drop("landed_cost"),
        cost.with_columns(pl.col("landed_cost").cast(pl.Float64)),
    ):
        with pytest.raises(InputError):
            generation.build(tmp_path / "g", {"model_cost": broken})
    with pytest.raises(KitfareError, match="no_such_table"):
        generation.build(tmp_path / "g", {"no_such_table": cost})
    assert not (tmp_path / "g").exists()


@pytest.mark.parametrize("contract", generation.CONTRACTS.values(), ids=lambda contract: contract.name)
def test_no_table_is_written_without_what_its_contract_asks_for(tmp_path: Path, contract: Any) -> None:
    empty_row = pl.DataFrame({name: [None] for name in contract.columns}, schema=polars_schema(contract))
    with pytest.raises(InputError, match=contract.key[0]):
        generation.build(tmp_path / "g", {contract.name: empty_row})
    with pytest.raises(InputError, match=contract.columns[-1]):
        generation.build(tmp_path / "g", {contract.name: empty_row.clear().drop(contract.columns[-1])})
    assert not (tmp_path / "g").exists()


def test_the_three_forms_of_a_table_hold_the_same_rows_in_order_of_the_key(built: Any) -> None:
    for name, contract in generation.CONTRACTS.items():
        order = ", ".join(contract.key)
        from_database = run_query(built / "private/kitfare.duckdb", f"from {name} order by {order}", max_rows=None)
        from_parquet = pl.read_parquet(built / f"private/tables/{name}.parquet")
        assert from_parquet.equals(from_database.cast(from_parquet.schema)), name
        assert from_parquet.equals(from_parquet.sort(contract.key))
        header, *rows = rows_of(built / f"private/tables/{name}.csv")
        assert header == list(contract.columns)
        assert len(rows) == from_parquet.height


def test_csv_is_written_plainly_and_safely(built: Any) -> None:
    header, *rows = rows_of(built / "private/tables/plan_vendor.csv")
    first = dict(zip(header, rows[0], strict=True))
    assert first["vendor_name"] == "'=Acorn"
    assert dict(zip(header, rows[1], strict=True))["vendor_name"] == "Birch, the 2nd"
    assert (first["landed_cost"], first["exchange_rate_used"]) == ("4.50", "1.000000000000")
    _, line = rows_of(built / "private/tables/unfilled_line.csv")
    assert line[-1] == "'-1 would do"
    raw = (built / "private/tables/plan_line.csv").read_bytes()
    assert b"\r" not in raw and raw.endswith(b"\n")
    assert b'""' not in raw  # empty text and nothing are both an empty cell
    runs = rows_of(built / "private/tables/refresh_run.csv")
    assert dict(zip(*runs, strict=True))["started_at"] == "2026-01-20T02:30:00.000000"
    # the database and the Parquet file keep the text as it is
    assert pl.read_parquet(built / "private/tables/plan_vendor.parquet")["vendor_name"].to_list()[0] == "=Acorn"


def test_text_that_a_spreadsheet_would_run_is_quoted_and_numbers_are_not(tmp_path: Path) -> None:
    texts = ["=1+1", "+1", "-1", "@x", "\tx", "\rx", "\nx", "a=1", "'=1"]
    tables = published_tables()
    rows = tables["model_cost"].join(pl.DataFrame({"model_title": texts}), how="cross", suffix="_new")
    cost = rows.with_columns(
        scenario_code=pl.int_range(pl.len()).cast(pl.String),
        model_title=pl.col("model_title_new"),
        goods=pl.lit("-1.10").cast(pl.Decimal(18, 4)),
        gap_pct=pl.lit(-0.5),
    )
    generation.build(tmp_path / "g", {"model_cost": cost})
    header, *lines = rows_of(tmp_path / "g/private/tables/model_cost.csv")
    found = [dict(zip(header, line, strict=True)) for line in lines]
    assert [row["model_title"] for row in found] == [*(f"'{text}" for text in texts[:7]), "a=1", "'=1"]
    assert {(row["goods"], row["gap_pct"]) for row in found} == {("-1.10", "-0.5")}


def test_the_same_tables_give_the_same_files_byte_for_byte(built: Any, tmp_path: Path) -> None:
    tables = {name: frame.sample(fraction=1, shuffle=True, seed=3) for name, frame in published_tables().items()}
    generation.build(tmp_path / "again", tables)
    for path in (built / "private/tables").iterdir():
        assert path.read_bytes() == (tmp_path / "again/private/tables" / path.name).read_bytes(), path.name


def test_views_answer_the_usual_questions(built: Any) -> None:
    database = built / "private/kitfare.duckdb"

    def ask(sql: Any) -> Any:
        return run_query(database, sql).rows()

    assert ask("select scenario_code, complete_cost from current_cost") == [("flexible", Decimal("7.40"))]
    assert ask("select scenario_code, complete_cost from cheapest_scenario") == [("flexible", Decimal("7.40"))]
    assert ask("select line_number, flexible_kind, saving from flexible_lines_that_pay") == [
        (1, "colour", Decimal("1.50"))
    ]
    assert ask("select look_rank, line_number, look_saving_so_far from lines_to_look_at") == [
        (1, 2, Decimal("0.80")), (2, 3, Decimal("1.00")),
    ]  # fmt: skip
    assert ask("select vendor_code, step_from_quantity from open_offers") == [("acorn", 1), ("acorn", 50), ("birch", 1)]
    assert ask("select complete_cost, complete_cost_change from cost_history") == [(Decimal("7.40"), None)]


def test_views_take_the_latest_date_and_compare_at_equal_fill(tmp_path: Path) -> None:
    cost = published_tables()["model_cost"]

    def plan(scenario: Any, day: Any, complete: Any, status: str = "proven", without_estimate: int = 0) -> Any:
        return cost.with_columns(
            scenario_code=pl.lit(scenario), priced_on=pl.lit(day).str.to_date(), plan_status=pl.lit(status),
            complete_cost=pl.lit(complete).cast(pl.Decimal(18, 4)), unfilled_estimate_count=pl.lit(without_estimate, pl.Int64),
        )  # fmt: skip

    plans = [
        plan("listed", "2025-12-31", "1.00"), plan("listed", "2026-01-20", "9.00"), plan("flexible", "2026-01-20", "8.00"),
        plan("cheapest", "2026-01-20", "3.00", "partial", 2), plan("maker_first", "2026-01-20", "2.00", "refused"),
    ]  # fmt: skip
    generation.build(tmp_path / "g", {"model_cost": pl.concat(plans)})
    database = tmp_path / "g/private/kitfare.duckdb"
    assert run_query(database, "select scenario_code from cheapest_scenario").rows() == [("flexible",)]
    assert run_query(database, "select count(*) from current_cost").item() == 4
    changes = run_query(database, "select complete_cost_change from cost_history where scenario_code = 'listed'")
    assert changes.rows() == [(None,), (Decimal("8.00"),)]


def test_the_market_of_the_published_database_is_that_of_the_warehouse(built: Any) -> None:
    prices = run_query(built / "private/kitfare.duckdb", "from market_on(date '2026-01-14', 30)")
    confirmed = prices.select("vendor_code", "last_confirmed_on").rows()
    assert [(vendor, day.isoformat()) for vendor, day in confirmed] == [
        ("acorn", "2026-01-10"), ("acorn", "2026-01-10"), ("birch", "2026-01-10"),
    ]  # fmt: skip
    later = run_query(built / "private/kitfare.duckdb", "from market_on(date '2026-01-20', 5)")
    assert later["vendor_code"].to_list() == ["acorn", "acorn"]


def test_one_table_can_be_replaced_before_publishing(tmp_path: Path) -> None:
    tables = published_tables()
    generation.build(tmp_path / "g", tables)
    results = checks.run_checks(tmp_path / "g/private/kitfare.duckdb")
    for _ in range(2):
        generation.replace_table(tmp_path / "g", CHECK_RESULT, results)
    generation.build(tmp_path / "whole", {**tables, "check_result": results})
    for path in (tmp_path / "whole/private/tables").iterdir():
        assert path.read_bytes() == (tmp_path / "g/private/tables" / path.name).read_bytes(), path.name
    for folder in ("g", "whole"):
        found = run_query(tmp_path / folder / "private/kitfare.duckdb", "from check_result order by check_name")
        assert found.equals(results.sort("check_name"))
    with pytest.raises(ValueError, match="digits"):
        generation.replace_table(tmp_path / "g", MODEL_COST, tables["model_cost"])


def test_nothing_of_a_generation_depends_on_its_workspace(built: Any, tmp_path: Path) -> None:
    shutil.copytree(built, tmp_path / "elsewhere")
    checks.run_checks(tmp_path / "elsewhere/private/kitfare.duckdb")


def test_publishing_swaps_a_relative_link(workspace: Any) -> None:
    generation.publish(workspace, built_in(workspace, "one"), keep=3)
    assert workspace.published.readlink() == Path("generations/one")
    assert seen_by_readers(workspace) == "one"
    generation.publish(workspace, built_in(workspace, "two"), keep=3)
    assert seen_by_readers(workspace) == "two"
    moved = workspace.root.rename(workspace.root.with_name("moved"))
    assert seen_by_readers(Workspace(moved)) == "two"


def test_an_open_reader_keeps_what_it_reads(workspace: Any) -> None:
    generation.publish(workspace, built_in(workspace, "one"), keep=1)
    with connect.reader(workspace.published / "private/kitfare.duckdb") as con:
        generation.publish(workspace, built_in(workspace, "two"), keep=1)
        assert not (workspace.generations / "one").exists()
        assert con.execute("select refresh_id from refresh_run").fetchall() == [("one",)]


def test_old_generations_go_and_the_published_one_never_does(workspace: Any) -> None:
    for name in ("d", "c", "b", "a"):  # by time, not by name
        generation.publish(workspace, built_in(workspace, name), keep=3)
    assert sorted(path.name for path in workspace.generations.iterdir()) == ["a", "b", "c"]
    generation.publish(workspace, workspace.generations / "c", keep=2)
    assert seen_by_readers(workspace) == "c"
    assert sorted(path.name for path in workspace.generations.iterdir()) == ["a", "c"]
    generation.publish(workspace, workspace.generations / "c", keep=0)
    assert sorted(path.name for path in workspace.generations.iterdir()) == ["c"]


def test_only_a_generation_in_its_folder_can_be_published(workspace: Any, tmp_path: Path) -> None:
    generation.build(tmp_path / "outside", {})
    with pytest.raises(KitfareError, match="generations"):
        generation.publish(workspace, tmp_path / "outside", keep=3)
    assert not workspace.published.exists()


def test_a_folder_in_the_place_of_the_link_is_not_touched(workspace: Any) -> None:
    workspace.published.mkdir()
    (workspace.published / "mine.txt").write_text("keep")
    with pytest.raises(KitfareError, match="not the symbolic link"):
        generation.publish(workspace, built_in(workspace, "one"), keep=3)
    assert (workspace.published / "mine.txt").read_text() == "keep"


def test_leftovers_of_killed_refreshes_are_cleaned(workspace: Any) -> None:
    generation.publish(workspace, built_in(workspace, "one"), keep=3)
    built_in(workspace, "two.building")
    built_in(workspace, "zero.removing")
    (workspace.root / ".published.new").symlink_to("generations/two.building")
    generation.clean_leftovers(workspace)
    assert [path.name for path in workspace.generations.iterdir()] == ["one"]
    assert not (workspace.root / ".published.new").is_symlink()
    assert seen_by_readers(workspace) == "one"
    shutil.rmtree(workspace.generations)
    generation.clean_leftovers(workspace)


@pytest.mark.parametrize("step", ["_sync_tree", "prune", "symlink_to", "replace"])
def test_a_crash_at_any_step_leaves_a_whole_generation(
    workspace: Any, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    generation.publish(workspace, built_in(workspace, "one"), keep=3)
    folder = built_in(workspace, "two")

    def crash(*_args: Any, **_kwargs: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(Path if step in ("symlink_to", "replace") else generation, step, crash)
    with pytest.raises(KeyboardInterrupt):
        generation.publish(workspace, folder, keep=3)
    monkeypatch.undo()
    assert seen_by_readers(workspace) == ("two" if step == "prune" else "one")
    generation.clean_leftovers(workspace)
    generation.publish(workspace, folder, keep=3)
    assert seen_by_readers(workspace) == "two"


def test_a_build_over_a_half_built_folder_is_whole(tmp_path: Path) -> None:
    folder = tmp_path / "g"
    (folder / "private/tables").mkdir(parents=True)
    (folder / "private/kitfare.duckdb").write_bytes(b"half")
    (folder / "private/kitfare.duckdb.wal").write_bytes(b"half")
    (folder / "private/tables" / "model_cost.csv").write_bytes(b"half")
    generation.build(folder, published_tables())
    checks.run_checks(folder / "private/kitfare.duckdb")
    assert len(rows_of(folder / "private/tables/model_cost.csv")) == 2


def test_the_database_needs_nothing_but_duckdb(built: Any) -> None:
    con = duckdb.connect(str(built / "private/kitfare.duckdb"), read_only=True)
    assert con.execute("select count(*) from market_on(date '2026-01-20', 30)").fetchall() == [(3,)]
    described = con.execute("select to_json(model_cost)::varchar from model_cost").fetchall()
    assert json.loads(described[0][0])["landed_cost"] == 7.0
    con.close()
