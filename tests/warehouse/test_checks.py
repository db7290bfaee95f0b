"""Every check passes where its promise holds and fails where it is broken, naming the rows."""

from pathlib import Path
from typing import Any

import pytest

from pipelines.errors import CheckFailedError
from pipelines.resources import leading_comment
from pipelines.warehouse import connect
from pipelines.warehouse.publishing import checks, generation
from pipelines.workspace import DATABASE
from schemas.published.runs import CHECK_RESULT
from schemas.validate import validate_typed
from tests.builders.published.small_night import published_tables

# One way to break each promise, and what its report must then name.
BREAKAGES = {
    "availability_adds_up": ("update element_availability set buyable_piece_count = 5 where part_code = '00777'", "mill"),
    "forecasts_are_earned": ("update forecast_trial set is_forecast_shown = false", "2026-02"),
    "price_change_shares_add_up": ("update price_change_distribution set risen_share = 0.3", "risen_share=0.3"),
    "bought_offers_stand": ("update price_history set valid_to_on = '2026-01-18' where part_code = '00777'", "birch"),
    "cost_changes_add_up": ("insert into cost_change values ('2026-01-20', 'mill', 'flexible', 'home', '2025-12-31', "
                            "'prices', 1, 1, 1, false)", "mill"),
    "exports_hold_accepted_rows": ("update vendor_export set row_count = 5 where file_hash = 'bb'", "export_row_count=9"),
    "quarantined_rows_are_listed": ("delete from quarantined_row", "bb"),
    "index_contributions_add_up": ("insert into index_contribution values ('mill', 'home', '2026-01', 1, 'part_family', "
                                   "'bricks', 0.5, 1)", "part_family"),
    "lower_bound_holds": ("update model_cost set lower_bound = 7.01", "7.01"),
    "combinations_are_whole": ("update plan_line set quantity = 5 where part_code = '00777'", "00777"),
    "model_cost_adds_up": ("update model_cost set goods = goods + 0.01", "mill"),
    "offer_ids_name_one_price_period": ("update price_history set offer_id = 'same'", "same"),
    "one_winner_a_day": ("update vendor_export set observed_on = '2026-01-10' where vendor_code = 'acorn'", "acorn"),
    "pieces_add_up": ("update model_cost set piece_count = 12", "12"),
    "plans_avoid_suspects": ("update suspect_price set cleared_from_on = '2026-01-21'", "birch"),
    "purchases_cover_use": ("update plan_purchase set used_piece_count = 6 where vendor_code = 'acorn'", "used_piece_count=6"),
    "purchases_keep_to_offers": ("update price_history set quantity_available = 5 where part_code = '00777'", "0.05"),
    "purchases_sum_to_vendor": ("update plan_vendor set bought_piece_count = 7 where vendor_code = 'birch'", "birch"),
    "purchases_have_a_source": ("delete from intake_file where file_hash = 'aa'", "aa"),
    "row_accounting": ("update intake_file set read_row_count = 9 where file_hash = 'bb'", "bb"),
    "price_periods_are_confirmed": ("update offer_confirmation set confirmed_to_on = '2026-01-12' where vendor_code = 'acorn'",
                             "2026-01-12"),
    "price_periods_do_not_overlap": ("insert into price_history select * replace (date '2026-01-12' as valid_from_on, 'x' as "
                              "offer_id) from price_history where part_code = '00777'", "00777"),
    "price_periods_run_forward": ("update price_history set last_confirmed_on = '2026-01-01' where part_code = '00777'", "00777"),
    "status_fits_plan": ("update model_cost set plan_status = 'proven'", "proven"),
    "suspects_are_offered": ("update suspect_price set offer_id = 'unknown'", "unknown"),
    "unfilled_lines_sum_to_model": ("update unfilled_line set unfilled_estimate = 0.41", "0.41"),
    "fair_shares_add_up": ("update substitute_saving set saving = 0.31", "1.51"),
    "more_flexibility_never_costs_more": ("update flexibility_cost set complete_cost = 7.30 where flexibility_allowed = 'colour'", "7.3"),
    "savings_lie_in_their_ranges": ("update colour_flex_saving set saving_low = 0 where saving_view = 'alone'", "alone"),
    "look_first_adds_up": ("update look_first set added_saving = 0.30 where look_rank = 2", "1.10"),
    "copy_costs_add_up": ("update copy_cost set complete_cost = 7.50 where copies = 1", "copies=1"),
    "sensitivity_adds_up": ("update sensitivity set sensitivity_amount = 1.31 where sensitivity_side = 'up'", "1.31"),
    "maker_left_to_go": ("update maker_threshold set left_to_go = 3.79", "3.79"),
    "joint_no_dearer_than_sequence": ("update joint_sequence set complete_cost = 3.20 where sequence_position = 1", "both"),
    "joint_pieces_add_up": ("update joint_plan set quantity = 3 where model_code = 'barn'", "acorn"),
    "joint_shares_sum_to_order": ("update joint_share set joint_share = 4.61 where model_code = 'mill'", "7.41"),
    "joint_vendors_sum_to_order": ("update joint_vendor set shipping = 2.51 where order_number = 2", "both"),
    "line_costs_sum_to_model": ("update line_cost set line_cost = 0.41 where line_number = 3", "7.41"),
    "whole_cost_adds_up": ("update whole_cost set whole_cost = 20", "mill"),
    "vendor_cost_adds_up": ("update plan_vendor set tax = 0 where vendor_code = 'birch'", "birch"),
    "vendors_sum_to_model": ("delete from plan_vendor where vendor_code = 'birch'", "mill"),
}  # fmt: skip

# Further ways, for promises with several parts.
MORE_BREAKAGES = [
    ("purchases_have_a_source", "delete from offer_source where file_hash = 'cc' or step_from_quantity = 50"),
    ("purchases_have_a_source", "insert into offer_source values ('no such price_period', 1, 'aa', 2, 1)"),
    ("row_accounting", "update intake_file set dropped_row_count = 1 where file_hash = 'aa'"),
    ("availability_adds_up", "delete from element_availability"),
    ("availability_adds_up", "update model_availability set buildable_copy_count = 1"),
    ("availability_adds_up", "update model_availability set fillable_share = 0.8"),
    ("availability_adds_up", "update element_availability set market_vendor_count = 2"),
    ("forecasts_are_earned", "delete from forecast_trial"),
    ("forecasts_are_earned", "update forecast_trial set naive_error_pct = 1.0"),
    ("forecasts_are_earned", "update forecast_trial set drift_error_pct = 1.0"),
    ("forecasts_are_earned", "update forecast_trial set seasonal_naive_error_pct = 1.0"),
    ("forecasts_are_earned", "update forecast_trial set corrected_p_value = 0.06"),
    ("forecasts_are_earned", "update forecast_trial set corrected_p_value = null"),
    ("forecasts_are_earned", "update forecast_trial set origin_count = 23"),
    ("forecasts_are_earned", "update price_forecast set forecast_high = 100.5"),
    ("forecasts_are_earned", "update price_forecast set month = '2026-01'"),
    ("price_change_shares_add_up", "update price_change_distribution set change_p75_pct = -1.5"),
    ("bought_offers_stand", "update price_history set valid_from_on = '2026-01-21' where part_code = '00777'"),
    ("bought_offers_stand", "update plan_purchase set offer_id = 'unknown' where vendor_code = 'birch'"),
    ("bought_offers_stand", "update offer_confirmation set confirmed_from_on = '2025-12-01', confirmed_to_on = "
                            "'2025-12-20' where vendor_code = 'birch'"),
    ("fair_shares_add_up", "delete from flexibility_cost where flexibility_allowed = 'both'"),
    ("more_flexibility_never_costs_more", "update flexibility_cost set complete_cost = 7.50 where flexibility_allowed = 'both'"),
    ("savings_lie_in_their_ranges", "update flexibility_cost set saving_high = 1.29 where flexibility_allowed = 'colour'"),
    ("savings_lie_in_their_ranges", "update substitute_saving set is_distinct = true"),
    ("savings_lie_in_their_ranges", "update substitute_saving set saving_basis = 'planned'"),
    ("look_first_adds_up", "update look_first set best_look_saving = 0.90 where look_rank = 2"),
    ("quarantined_rows_are_listed", "update intake_file set file_status = 'quarantined' where file_hash = 'aa'"),
    ("combinations_are_whole", "delete from plan_line where part_code = '00777'"),
    ("combinations_are_whole", "delete from combinations where component_part_code = '00777'"),
    ("model_cost_adds_up", "update model_cost set unfilled_estimate = 0"),
    ("offer_ids_name_one_price_period", "update price_history set last_confirmed_on = '2026-01-11' where step_from_quantity = 50"),
    ("pieces_add_up", "update plan_line set quantity = 3 where offer_id = ''"),
    ("pieces_add_up", "update unfilled_line set unfilled_piece_count = 1"),
    ("pieces_add_up", "update model_cost set on_hand_piece_count = 1"),
    ("purchases_cover_use", "update plan_purchase set bought_piece_count = 6 where vendor_code = 'acorn'"),
    ("purchases_cover_use", "update plan_purchase set spare_piece_count = -1, bought_piece_count = 6 "
                            "where vendor_code = 'acorn'"),
    ("purchases_cover_use", "delete from plan_purchase where vendor_code = 'birch'"),
    ("purchases_keep_to_offers", "update plan_purchase set unit_price = 0.04 where vendor_code = 'birch'"),
    ("purchases_keep_to_offers", "update price_history set step_from_quantity = 8 where step_from_quantity = 50"),
    ("purchases_keep_to_offers", "update price_history set sold_in_multiples_of = 4 where part_code = '00777'"),
    ("purchases_keep_to_offers", "update price_history set maximum_per_order = 5 where part_code = '00777'"),
    ("purchases_sum_to_vendor", "update plan_vendor set element_count = 2 where vendor_code = 'birch'"),
    ("row_accounting", "update intake_file set accepted_row_count = -1, quarantined_row_count = quarantined_row_count + 3 "
                       "where file_hash = 'aa'"),
    ("price_periods_are_confirmed", "delete from offer_confirmation where vendor_code = 'birch'"),
    ("price_periods_are_confirmed", "insert into offer_confirmation select * replace (date '2026-01-12' as confirmed_from_on) "
                             "from offer_confirmation where vendor_code = 'acorn'"),
    ("price_periods_run_forward", "update price_history set valid_to_on = valid_from_on where part_code = '00777'"),
    ("status_fits_plan", "update model_cost set plan_status = 'refused'"),
    ("status_fits_plan", "update model_cost set unfilled_piece_count = 0"),
    ("plans_avoid_suspects", "update suspect_price set cleared_from_on = null"),
    ("suspects_are_offered", "update suspect_price set unit_price = 0.06"),
    ("suspects_are_offered", "update suspect_price set price_from_on = '2026-01-11'"),
    ("suspects_are_offered", "update suspect_price set own_ratio = null"),
    ("unfilled_lines_sum_to_model", "update unfilled_line set estimated_unit_price = null"),
    ("copy_costs_add_up", "update copy_cost set landed_cost = 11.01 where copies = 2"),
    ("sensitivity_adds_up", "update sensitivity set complete_cost = 8.73 where sensitivity_side = 'up'"),
    ("sensitivity_adds_up", "update sensitivity set sensitivity_low = null where sensitivity_side = 'down'"),
    ("sensitivity_adds_up", "update sensitivity set sensitivity_high = -1.26 where sensitivity_side = 'down'"),
    ("maker_left_to_go", "update maker_threshold set spent_value = 6"),
    ("joint_no_dearer_than_sequence", "update joint_sequence set unfilled_piece_count = 1 where sequence_position = 1"),
    ("joint_pieces_add_up", "update joint_order set spare_piece_count = 0"),
    ("joint_pieces_add_up", "delete from joint_plan where order_number = 2"),
    ("joint_shares_sum_to_order", "update joint_share set separate_cost = 4.61 where model_code = 'barn'"),
    ("joint_shares_sum_to_order", "update joint_share set used_piece_count = 5 where model_code = 'barn'"),
    ("joint_shares_sum_to_order", "delete from joint_share"),
    ("joint_vendors_sum_to_order", "update joint_order set order_count = 1"),
    ("joint_vendors_sum_to_order", "update joint_order set complete_cost = 7.41"),
    ("line_costs_sum_to_model", "update line_cost set line_goods = 0.65 where line_number = 2"),
    ("whole_cost_adds_up", "update instructions_step set instructions_price = 12.51 where step_number = 1"),
    ("whole_cost_adds_up", "update whole_cost set instructions_discount = 2.51"),
    ("whole_cost_adds_up", "update whole_cost set amendment_goods = 1.11"),
    ("vendors_sum_to_model", "update plan_vendor set currency_code = 'USD' where vendor_code = 'birch'"),
]  # fmt: skip


@pytest.fixture(scope="module")
def good_database(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("good")
    generation.build(folder, published_tables())
    return folder / DATABASE


@pytest.fixture
def database(good_database: Any, tmp_path: Path) -> Any:
    copy = tmp_path / good_database.name
    copy.write_bytes(good_database.read_bytes())
    return copy


def broken(database: Any, statement: str) -> str:
    con = connect.open_database(database, read_only=False, spill=None)
    con.execute(statement)
    con.close()
    with pytest.raises(CheckFailedError) as caught:
        checks.run_checks(database)
    return caught.value.where


def test_nothing_fails_where_everything_holds(good_database: Any) -> None:
    results = checks.run_checks(good_database)
    assert set(results["check_name"]) == set(checks.check_queries())
    assert results["failed_row_count"].sum() == 0
    validate_typed(CHECK_RESULT, results, where="test")


def test_every_written_check_has_a_breakage() -> None:
    written = {name for name in checks.check_queries() if not name.startswith("key_of_")}
    assert written == set(BREAKAGES)


@pytest.mark.parametrize("name", BREAKAGES)
def test_a_broken_promise_is_found_and_reported(name: Any, database: Any) -> None:
    statement, named = BREAKAGES[name]
    report = broken(database, statement)
    lines = report.split("\n")
    about = lines.index(f"{name}: {leading_comment(checks.check_queries()[name])}")
    assert named in lines[about + 1]


@pytest.mark.parametrize(("name", "statement"), MORE_BREAKAGES)
def test_every_part_of_a_promise_is_checked(name: Any, statement: Any, database: Any) -> None:
    assert f"{name}: " in broken(database, statement)


@pytest.mark.parametrize("name", sorted(generation.CONTRACTS))
def test_a_repeated_key_is_found(name: Any, database: Any) -> None:
    con = connect.open_database(database, read_only=False, spill=None)
    if con.execute(f"select count(*) from {name}").fetchall() == [(0,)]:
        for column, dtype, *_ in con.execute(f"describe {name}").fetchall():
            con.execute(f"alter table {name} alter {column} drop not null") if dtype else None
        con.execute(f"insert into {name} default values")
    con.execute(f"insert into {name} select * from {name} limit 1")
    con.close()
    with pytest.raises(CheckFailedError, match=f"key_of_{name}: no two rows of {name} share a key"):
        checks.run_checks(database)


def test_staleness_follows_the_setting(database: Any) -> None:
    checks.run_checks(database, stale_after_days=10)
    with pytest.raises(CheckFailedError, match="bought_offers_stand"):
        checks.run_checks(database, stale_after_days=9)


def test_only_the_first_rows_are_reported(database: Any) -> None:
    con = connect.open_database(database, read_only=False, spill=None)
    con.execute("insert into model_cost select m.* replace ('m' || n as model_code) from model_cost m, range(9) r(n)")
    con.execute("update model_cost set lower_bound = 8")
    con.close()
    with pytest.raises(CheckFailedError, match="and 7 more"):
        checks.run_checks(database)
