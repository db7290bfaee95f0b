"""When the schedule runs: once a day, whatever the clocks do, and never both flows on one night."""

import asyncio
from concurrent.futures import ThreadPoolExecutor
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.errors import UsageError
from pipelines.flows.scheduler.schedule import Times, times_from

WARSAW = "Europe/Warsaw"


@pytest.mark.parametrize(
    "text", ["", "noon", "25:00", "02:60", "02:30:15", "02:30+01:00", "2:30 am", "-1:00", "02:30:00.5"]
)
def test_what_is_no_time_of_day_is_refused(text):
    with pytest.raises(UsageError, match="not a time of day"):
        times_from(text, WARSAW)


@pytest.mark.parametrize("zone", ["Nowhere/Atall", "../etc/passwd", "/etc/localtime", "a\0b", "Europe"])
def test_an_unknown_zone_is_refused(zone):
    with pytest.raises(UsageError, match="time zone"):
        times_from("02:30", zone)


def test_the_machine_s_zone_is_the_default():
    ZoneInfo(times_from("02:30", None).zone)


@given(st.times())
def test_the_cron_lines_say_the_time(clock):
    clock = clock.replace(second=0, microsecond=0)
    times = times_from(f"{clock:%H:%M}", WARSAW)
    assert times == Times(clock, WARSAW)
    for line, days in ((times.nightly, "2-31"), (times.monthly, "1")):
        minute, hour, day, month, weekday = line.split()
        assert (int(minute), int(hour), day, month, weekday) == (clock.minute, clock.hour, days, "*", "*")


@pytest.mark.slow
@pytest.mark.parametrize("clock", [time(0, 0), time(1, 30), time(2, 0), time(2, 30), time(3, 0), time(23, 59)])
def test_once_a_day_through_both_clock_changes(clock, monkeypatch):
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
