"""When the schedule runs: once a day, whatever the clocks do, and never both flows on one night."""

from datetime import datetime
from random import Random
from typing import Any
from uuid import uuid4
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.errors import UsageError
from pipelines.flows.scheduler.schedule import Missed, Times, all_but_one, times_from

WARSAW = "Europe/Warsaw"


@pytest.mark.parametrize(
    "text", ["", "noon", "25:00", "02:60", "02:30:15", "02:30+01:00", "2:30 am", "-1:00", "02:30:00.5"]
)
def test_what_is_no_time_of_day_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="not a time of day"):
        times_from(text, WARSAW)


@pytest.mark.parametrize("zone", ["Nowhere/Atall", "../etc/passwd", "/etc/localtime", "a\0b", "Europe"])
def test_an_unknown_zone_is_refused(zone: str) -> None:
    with pytest.raises(UsageError, match="time zone"):
        times_from("02:30", zone)


def test_the_machine_s_zone_is_the_default() -> None:
    ZoneInfo(times_from("02:30", None).zone)


@given(st.times())
def test_the_cron_lines_say_the_time(clock: Any) -> None:
    clock = clock.replace(second=0, microsecond=0)
    times = times_from(f"{clock:%H:%M}", WARSAW)
    assert times == Times(clock, WARSAW)
    for line, days in ((times.nightly, "2-31"), (times.monthly, "1")):
        minute, hour, day, month, weekday = line.split()
        assert (int(minute), int(hour), day, month, weekday) == (clock.minute, clock.hour, days, "*", "*")


@given(
    st.lists(st.tuples(st.datetimes(), st.booleans()), max_size=9, unique_by=lambda each: each[0]),
    st.randoms(),
)
def test_one_run_catches_up_with_all_that_were_missed(runs: list[tuple[datetime, bool]], order: Random) -> None:
    missed = [Missed(at, is_monthly, uuid4()) for at, is_monthly in runs]
    order.shuffle(missed)
    cancelled = all_but_one(missed)
    left = next((run for run in missed if run not in cancelled), None)
    assert len(cancelled) == max(len(missed) - 1, 0)
    if left is not None:
        assert left.is_monthly == any(run.is_monthly for run in missed)
        assert left.expected_at == max(run.expected_at for run in missed if run.is_monthly == left.is_monthly)
