"""From which prices a page was made, and when it is old."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

from pipelines.reporting.basis.page_data import PageData
from pipelines.reporting.basis.page_tables import day


@dataclass(frozen=True)
class AsOf:
    """What a page says of its prices; after ``until`` (ISO date, or empty) its script warns that the page is out of date."""

    words: str
    until: str = ""


def made_of(page_data: PageData, *, is_report: bool = False) -> AsOf | None:
    """From which prices the pages are made; None while nothing is priced.

    The day comes from the priced date and ``stale_after_days``, never from the clock: the same inputs give the same page.

    Args:
        page_data: the published look-ups.
        is_report: a report of a month stays true of its month; what it is made from may only be corrected.
    """
    if page_data.today is None:
        return None
    if is_report:
        return AsOf(f"Made from prices up to {day(page_data.today)}. Later corrections are not in it.")
    last = page_data.today + timedelta(days=page_data.settings.refresh.stale_after_days)
    return AsOf(f"Prices up to {day(page_data.today)}. Out of date after {day(last)}.", last.isoformat())
