"""From which prices a page was made, and when it is old. A page runs no script, so it names the day instead of counting days."""

from __future__ import annotations

from datetime import timedelta

from pipelines.reporting.basis.page_data import PageData
from pipelines.reporting.basis.page_tables import day


def made_words(page_data: PageData, *, is_report: bool = False) -> str:
    """Two sentences for the top of a page; empty while nothing is priced.

    The day comes from the priced date and ``stale_after_days``, never from the clock: the same inputs give the same page.

    Args:
        page_data: the published look-ups.
        is_report: a report of a month stays true of its month; what it is made from may only be corrected.
    """
    if page_data.today is None:
        return ""
    made = f"Made from prices up to {day(page_data.today)}."
    if is_report:
        return f"{made} Later corrections are not in it."
    last = page_data.today + timedelta(days=page_data.settings.refresh.stale_after_days)
    return f"{made} They may change every night. After {day(last)} this page is out of date: by then none of its offers counts."
