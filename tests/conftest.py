"""What all tests share: the markers of slow tests, and the settings of tests with random input."""

from pathlib import Path

import pytest
from hypothesis import settings

ROOT = Path(__file__).resolve().parent.parent

MARKED_PATHS = {
    "tests/flows/test_whichever_nights_ran.py": ("slow",),
    "tests/flows/test_known_truth.py": ("slow",),
    "tests/flows/test_money_adds_up.py": ("slow",),
    "tests/browser": ("browser",),
    "tests/attacks": ("slow",),
    "tests/browser/test_attack_from_a_page.py": ("flows", "slow"),
    "tests/cli/test_plan_times.py": ("slow",),
    "tests/intake/single_files/test_many_list_layouts.py": ("slow",),
    "tests/planner/test_independent_solver.py": ("slow",),
    "tests/planning/test_night_in_processes.py": ("slow",),
    "tests/planner/test_solve_on_random_markets.py": ("slow",),
    "tests/planner/test_several_orders.py": ("slow",),
    "tests/demo/test_demo_exports_whole.py": ("slow",),
    "tests/demo/test_demo_wheel.py": ("slow",),
    "tests/faults/test_backup_meanwhile.py": ("slow",),
    "tests/flows/scheduler/test_attack_by_another_user.py": ("flows", "slow"),
    "tests/flows/scheduler/test_clock_changes.py": ("slow",),
    "tests/flows/test_exports_that_wait.py": ("slow",),
    "tests/flows/test_intake_rounds.py": ("slow",),
    "tests/flows/test_no_file_stops.py": ("slow",),
    "tests/intake/test_hostile_nights.py": ("slow",),
    "tests/flows/test_messages_survive.py": ("slow",),
    "tests/flows/test_price_screen_memory.py": ("slow",),
    "tests/flows/scheduler/test_local_server_running.py": ("flows", "slow"),
    "tests/flows/scheduler/test_prefect_kills.py": ("flows", "slow"),
    "tests/flows/scheduler/test_prefect_runs.py": ("flows", "slow"),
    "tests/flows/test_refresh_command.py": ("slow",),
    "tests/flows/scheduler/test_refresh_with_prefect.py": ("flows", "slow"),
    "tests/flows/scheduler/test_schedule_command.py": ("flows", "slow"),
    "tests/flows/test_several_orders_night.py": ("slow",),
    "tests/flows/test_stock_on_hand_night.py": ("slow",),
    "tests/flows/test_suspect_prices.py": ("slow",),
    "tests/flows/test_withdrawn_nights.py": ("slow",),
    "tests/insight/test_savings_in_processes.py": ("slow",),
    "tests/intake/reading/test_fuzz_spreadsheets.py": ("slow",),
    "tests/intake/reading/test_reading_times.py": ("slow",),
    "tests/reporting/drawings/test_drawings_in_processes.py": ("slow",),
    "tests/reporting/test_many_months.py": ("slow",),
    "tests/test_worker_processes.py": ("slow",),
    "tests/trends/outlook/test_forecast_simulation.py": ("slow",),
    "tests/warehouse/price_history/test_history_at_length.py": ("slow",),
    "tests/warehouse/test_kills.py": ("slow",),
    "tests/warehouse/price_history/test_load_times.py": ("slow",),
}
"""The only place where tests are marked: a file or a folder, and its markers."""

# Tests run on slow and busy machines: how long one example takes is for tests/benchmarks to measure.
settings.register_profile("kitfare", deadline=None)
settings.load_profile("kitfare")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark every test with the markers of its file and of the folders it is in."""
    for item in items:
        path = item.path.relative_to(ROOT)
        for place in (path, *path.parents):
            for marker in MARKED_PATHS.get(place.as_posix(), ()):
                item.add_marker(marker)
