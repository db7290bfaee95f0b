"""The schedule over days on which the clocks change."""

import asyncio
from concurrent.futures import ThreadPoolExecutor
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from pipelines.flows.scheduler.schedule import Times
from tests.flows.scheduler.test_schedule_times import WARSAW


@pytest.mark.parametrize("clock", [time(0, 0), time(1, 30), time(2, 0), time(2, 30), time(3, 0), time(23, 59)])
def test_once_a_day_through_both_clock_changes(clock: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """As the scheduler itself reads the lines, for every day of a year."""
    monkeypatch.setenv("PREFECT_SERVER_ANALYTICS_ENABLED", "false")
    monkeypatch.setenv("DO_NOT_TRACK", "1")
    from prefect.server.schemas.schedules import CronSchedule

    times = Times(clock, WARSAW)
    start = datetime(2026, 1, 1, tzinfo=ZoneInfo(WARSAW)) - timedelta(seconds=1)
    end = datetime(2027, 1, 1, tzinfo=ZoneInfo(WARSAW)) - timedelta(seconds=1)
    runs = []
    for line in (times.nightly, times.monthly):
        schedule = CronSchedule(cron=line, timezone=WARSAW)
        # In a thread of its own: the browser tests leave an event loop running in this one.
        with ThreadPoolExecutor(1) as pool:
            runs += pool.submit(asyncio.run, schedule.get_dates(400, start=start, end=end)).result()
    days = sorted(run.astimezone(ZoneInfo(WARSAW)).date() for run in runs)
    assert days == [date(2026, 1, 1) + timedelta(days=n) for n in range(365)]
